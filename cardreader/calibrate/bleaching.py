"""What bleaching of the card's inks does to the reader's numbers, for the default calibration.

The same simulated sittings are drawn with a fresh card and with one ink bleached:
the difference is the effect, free of all else that differs between sittings. How
well the effect can be told from lamps and phones never seen is measured on folds.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cardreader.calibrate.default import CONTROLS, Pairs, draw_sitting
from cardreader.hb.fading import ANY, Fading
from cardreader.hb.measured import BRIGHTEST_AT, Measured
from cardreader.simulate.patchdraw import patch_draw
from cardreader.simulate.scene import Scene
from cardreader.simulate.worlds.draws import numbers
from cardreader.simulate.wornprint import inks_bleached

Array = NDArray[np.float64]

INKS = ("magenta", "yellow")
"""Those that make up the shades of blood; no blood shade holds much cyan."""

FRESH, TYPICAL_SHARE = 0.7, 0.05
"""Share of cards in use that have not faded, and how far the others have.

A choice, since no cards in use have been measured; tests/benchmarks/hard shows what it buys.
"""

BRIGHTEST_SD = 2.0
"""Standard deviations of a phone's share towards the brightest channel, as the card shows it, by
which bleaching is believed. Lamps and usual phones hardly move it, so it tells bleaching well;
but phones that work in hue, saturation and value move it by four and more, and beside them
blots were read as beside a bleached card: 0.75 g/dL low for 15 % of saturation less (142 sittings
of seed 9205), 0.15 so. Of 150 cards bleached by a tenth (seed 9207) 117 are read, 1.47 g/dL
high, where there were 116 and 1.40; by a fifth 3 and 3.
"""

SHARE = 0.05
"""Of an ink, bleached in the sittings that say what bleaching does."""
_RIDGE = 0.02
N_SITTINGS = 500


@dataclass(frozen=True, eq=False)
class Bleached:
    """Effects of a share of 1 of one ink: ``signature`` (n, s), ``colour`` (n, 3), seen at
    log ratios ``log_ratio`` (n, 3)."""

    signature: Array
    colour: Array
    log_ratio: Array

    @classmethod
    def between(cls, fresh: Measured, bleached: Measured) -> Bleached:
        """Of the same n sittings beside a fresh card and one that has lost `SHARE` of an ink."""
        return cls(
            (bleached.signature - fresh.signature) / SHARE,
            (bleached.log_ratio - fresh.log_ratio) / SHARE,
            bleached.log_ratio,
        )


def fit_fading(pairs: Pairs, seed: int) -> Fading:
    """Work out what bleaching does, and how well it shows among sittings with fresh cards."""
    effects = [_draw(ink, seed) for ink in INKS]
    change, colour = mean_effects(effects)
    gain = gain_of(np.cov(pairs.measured.signature.T), change)
    return Fading(
        offset=gain @ pairs.measured.signature.mean(axis=0),
        gain=gain,
        scatter=_unseen_scatter(pairs, change),
        signature=change,
        colour=colour,
        fresh=FRESH,
        typical=TYPICAL_SHARE,
        believed=believed(
            pairs.measured.signature.mean(axis=0), pairs.measured.signature.std(axis=0)
        ),
    )


def believed(mean: Array, sd: Array) -> Array:
    """Limits (2, s) of the numbers of signatures of such mean and scatter, (s,), by which
    bleaching is taken off: `BRIGHTEST_SD` for one of them, any for the others.
    """
    wide = np.full(len(mean), ANY)
    wide[BRIGHTEST_AT] = BRIGHTEST_SD * sd[BRIGHTEST_AT]
    middle = np.zeros(len(mean))
    middle[BRIGHTEST_AT] = mean[BRIGHTEST_AT]
    return np.stack([middle - wide, middle + wide])


def gain_of(scatter: Array, change: Array) -> Array:
    """Weights (f, s) of the estimate that answers to each ink's change (f, s) alone, least
    scattered where signatures of fresh cards scatter by (s, s)."""
    ridged = scatter + _RIDGE * np.diag(np.diag(scatter))
    weighted = np.linalg.solve(ridged, change.T)
    return np.linalg.solve(change @ weighted, weighted.T)


def _unseen_scatter(pairs: Pairs, change: Array) -> Array:
    """Covariance (f, f) of the estimate for kinds of lamp and camera left out of its weights."""
    found = []
    for lamp in np.unique(pairs.lamp):
        for camera in np.unique(pairs.camera):
            seen = pairs.measured.signature[(pairs.lamp != lamp) & (pairs.camera != camera)]
            left_out = pairs.measured.signature[(pairs.lamp == lamp) & (pairs.camera == camera)]
            gain = gain_of(np.cov(seen.T), change)
            found.append((left_out - seen.mean(axis=0)) @ gain.T)
    all_found = np.concatenate(found)
    return np.asarray(all_found.T @ all_found / len(all_found))


def mean_effects(effects: Sequence[Bleached]) -> tuple[Array, Array]:
    """What a share of 1 of each of f inks does to a signature (f, s) and to a blot (f, 4, 3)."""
    change = np.stack([effect.signature.mean(axis=0) for effect in effects])
    return change, np.stack([_linear(effect) for effect in effects])


def _linear(effect: Bleached) -> Array:
    """Coefficients (4, 3) of the change of colour: a constant, then the log ratio as seen."""
    design = np.column_stack([np.ones(len(effect.colour)), effect.log_ratio])
    return np.asarray(np.linalg.lstsq(design, effect.colour, rcond=None)[0])


def _draw(ink: str, seed: int) -> Bleached:
    fresh, bleached = [], []
    for index in range(N_SITTINGS):
        scene = draw_sitting(np.random.default_rng([seed, index, 1]), CONTROLS)
        both = [_numbers(one, seed, index) for one in (scene, inks_bleached(scene, share_of(ink)))]
        if both[0] is not None and both[1] is not None:
            fresh.append(both[0])
            bleached.append(both[1])
    return Bleached.between(Measured.stack(fresh), Measured.stack(bleached))


def share_of(ink: str) -> Array:
    """`SHARE` of one ink, as (4,) of all."""
    share = np.zeros(4)
    share[("cyan", "magenta", "yellow", "black").index(ink)] = SHARE
    return share


def _numbers(scene: Scene, seed: int, index: int) -> Measured | None:
    """What judging needs, the pixels' noise the same whatever the card."""
    return numbers(patch_draw(scene, np.random.default_rng([seed, index, 2])), scene.lot)
