"""What bleaching does to a site's cards, learnt in simulated worlds and held against its pairs.

Nobody knows the inks of a site. But cards of one layout bleach alike whatever they are printed
with: sittings of many worlds are drawn twice, beside a fresh card and beside one of whose ink a
share is gone, and the difference in the middle over the worlds says what a share does to the
signature and to the colour of a blot. How signatures scatter between the phones and lamps of one
site is known from the same worlds, and where this site's lie from its own pairs: a card is fresh
if it looks as the pairs' cards did.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardreader.calibrate.bleaching import (
    FRESH,
    TYPICAL_SHARE,
    Bleached,
    believed,
    gain_of,
    mean_effects,
    share_of,
)
from cardreader.card.lot import Basis, Lot
from cardreader.core.files import write_atomic
from cardreader.core.shipped import shipped
from cardreader.hb.calibration import Calibration
from cardreader.hb.fading import Fading
from cardreader.hb.filenumbers import from_triangle, must_be_covariance, plain, to_triangle
from cardreader.hb.measured import N_SIGNATURE, Measured
from cardreader.read.chain import CHAIN
from cardreader.simulate.worlds.draws import draw_twins

Array = NDArray[np.float64]

FILE = "bleaching.json"
"""Beside each of the priors shipped, what was learnt in its worlds."""
PRIOR_OF: dict[Basis, str] = {
    "measured": "worlds",
    "nominal": "worlds-design",
    "photographed": "worlds-photographed",
}
INKS = ("cyan", "magenta", "yellow")
"""Cyan moves blood little, but light that takes the others takes it too, and it shows."""
MAX_FADE = 0.08
"""Share beyond which a card is refused, of the ink that has lost most. Less is seen than has
gone: the prior keeps fresh cards fresh."""
TAKEN_OFF_UNMEASURED = 0.5
"""Beside a lot that nobody measured, whose colours off their design look like bleaching in part:
with all of it taken off fresh cards were read with 1.03 g/dL in place of 0.94; with half so
little changes for them, 0.94, and less is left for the others."""
LEAST_PHOTOS = 5
CENTRE_PHOTOS = 4.0
"""The site's signatures are known by its phones and lamps, not by its photos: their middle is as
unsure as four photos of several hundred are."""
TWINS = 4
"""Sittings of a world that are drawn beside each card."""
_DIGITS = 6


@dataclass(frozen=True, eq=False)
class WorldBleaching:
    """Of simulated worlds, with f inks and signatures of s numbers.

    ``within`` (s, s): covariance of signatures within a site. ``signature`` (f, s) and
    ``colour`` (f, 4, 3): what a share of 1 of an ink does, as in `Fading`.
    """

    within: Array
    signature: Array
    colour: Array

    def __post_init__(self) -> None:
        inks, numbers = self.signature.shape
        if self.within.shape != (numbers, numbers) or self.colour.shape != (inks, 4, 3):
            raise ValueError(
                f"shapes {self.within.shape}, {self.signature.shape} and {self.colour.shape} "
                "are no effects of bleaching"
            )
        must_be_covariance(self.within, "signature_covariance")
        for values in (self.within, self.signature, self.colour):
            values.setflags(write=False)


def with_fading(prior: Calibration, lot: Lot, seen: Measured) -> Calibration:
    """A prior that tells bleached cards of a lot from those of the pairs, ``seen`` (n,).

    As it is where nothing can be said: a lot that was never printed, few photos, a prior that
    is none of those shipped for whole worlds, or tells of fading already.
    """
    asks = prior.posterior is not None and prior.fading is None
    if lot.is_demonstration or not asks or len(seen) < LEAST_PHOTOS:
        return prior
    worlds = world_bleaching(PRIOR_OF[lot.basis])
    if len(prior.signature_mean) != len(worlds.within):
        return prior
    gain = gain_of(worlds.within, worlds.signature)
    scatter = gain @ worlds.within @ gain.T * (1 + CENTRE_PHOTOS / max(len(seen), CENTRE_PHOTOS))
    fading = Fading(
        offset=gain @ np.median(seen.signature, axis=0),
        gain=gain,
        scatter=(scatter + scatter.T) / 2,
        signature=worlds.signature,
        colour=worlds.colour,
        fresh=FRESH,
        typical=TYPICAL_SHARE,
        believed=believed(prior.signature_mean, prior.signature_sd),
        taken_off=1.0 if lot.basis == "measured" else TAKEN_OFF_UNMEASURED,
    )
    return replace(prior, fading=fading, max_fade=MAX_FADE)


# --- learnt in worlds -------------------------------------------------------------------


def within_sites(signatures: Array, site: NDArray[np.intp]) -> Array:
    """Covariance (s, s) of signatures (n, s) within sites (n,), pooled over them."""
    numbers, index = np.unique(site, return_inverse=True)
    count = np.bincount(index).astype(float)
    mean = np.stack([np.bincount(index, column) / count for column in signatures.T], axis=1)
    own = signatures - mean[index]
    return np.asarray(own.T @ own / (len(own) - len(numbers)))


def draw_bleaching(
    withins: Sequence[Array],
    n_worlds: int,
    seed: int,
    workers: int = 1,
    drawn: Callable[[int], None] = lambda count: None,
) -> list[WorldBleaching]:
    """Draw what bleaching does in worlds, each way that a lot is known (`draw_each_way`).

    Signatures scatter by one of ``withins``, each (s, s), within a site.
    """
    shares = np.stack([np.zeros(4), *(share_of(ink) for ink in INKS)])
    ways = draw_twins(n_worlds, TWINS, seed, shares, workers, drawn)
    return [_learnt(within, way) for within, way in zip(withins, ways, strict=True)]


def _learnt(within: Array, beside: list[Measured]) -> WorldBleaching:
    """Of the same sittings beside fresh cards and beside those that lost of an ink."""
    fresh, *others = beside
    effects = [Bleached.between(fresh, bleached) for bleached in others]
    return WorldBleaching(within, *mean_effects(effects))


def write_bleaching(path: Path, worlds: WorldBleaching, source: str) -> None:
    """Write what was learnt, and what it was drawn from."""
    content = {
        "schema": 2,
        "chain": CHAIN,
        "source": source,
        "signature_covariance": to_triangle(worlds.within, _DIGITS),
        "inks": list(INKS),
        "signature": plain(worlds.signature),
        "colour": plain(worlds.colour),
    }
    write_atomic(path, json.dumps(content, indent=1) + "\n")


@cache
def world_bleaching(prior: str = "worlds") -> WorldBleaching:
    """That which comes with a prior of the program. ValueError where it is of another chain."""
    content: dict[str, Any] = json.loads(shipped(prior, FILE).read_text("utf-8"))
    within = from_triangle(np.array(content["signature_covariance"]), "signature_covariance")
    if content["chain"] != CHAIN or len(within) != N_SIGNATURE:
        raise ValueError("what is known of bleaching in worlds is of another measuring chain")
    return WorldBleaching(within, np.array(content["signature"]), np.array(content["colour"]))
