"""Several blots of one woman -> one estimate.

What a reading is off by has two parts. Photo noise, blood volume and a share of what
the calibration leaves open differ from blot to blot and average out; the rest (lamp,
phone, the card) is the same for all blots of a sitting and does not. The combined
distribution has the shape of the single ones, tails and all, drawn together by as
much as its own part shrinks.

Whether blots disagree is a test: the difference of two readings is held against what
their own parts let it be, by their own distributions. A disagreement means that one
of them is wrong and nobody knows which, so the distribution is then their mixture
(linear opinion pool: Stone 1961, from memory), which covers both.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from cardreader.hb.distribution import HbDistribution
from cardreader.hb.estimate import HbEstimate

Array = NDArray[np.float64]

FALSE_ALARMS = 0.01
"""Share of women whose blots are sound that are told to disagree. Chosen: rare enough to
be heeded, and a second look costs little."""


def combine(estimates: Sequence[HbEstimate], own_share: float) -> HbEstimate:
    """One estimate from single blots of the same woman, each of a photo of its own.

    ``own_share`` is `Calibration.own_share`. A single estimate comes back as it is.
    Raises ValueError for no estimates, or for one that is of several blots already.
    """
    if not estimates:
        raise ValueError("nothing to combine")
    if any(one.n_blots != 1 for one in estimates):
        raise ValueError("only estimates of single blots can be combined")
    if len(estimates) == 1:
        return estimates[0]
    weight = _weights(estimates)
    if _disagree(estimates, own_share):
        return _mixture(estimates, weight)
    return _together(estimates, weight, own_share)


def _weights(estimates: Sequence[HbEstimate]) -> Array:
    """By inverse total variance: a doubtful photo says less."""
    variance = np.array([float(one.distribution.sd) ** 2 for one in estimates])
    return np.asarray(1 / variance / (1 / variance).sum())


def _own_variance(one: HbEstimate, own_share: float) -> float:
    """Of a photo before blood volume: what another photo of the sitting does not share."""
    return one.sd_measurement_g_dl**2 + own_share * one.sd_calibration_g_dl**2


def _together(estimates: Sequence[HbEstimate], weight: Array, own_share: float) -> HbEstimate:
    centre = float(weight @ [one.image.hb_g_dl for one in estimates])
    own = np.array([_own_variance(one, own_share) for one in estimates])
    whole = np.array([float(one.image.sd) ** 2 for one in estimates])
    common = float(weight @ (whole - own))
    factor = np.sqrt((common + weight**2 @ own) / float(weight @ whole))
    density = np.zeros_like(estimates[0].image.density)
    for share, one in zip(weight, estimates, strict=True):
        density += share * one.image.moved(one.image.median, centre, factor).density
    image = HbDistribution(estimates[0].image.grid_g_dl, density)
    measurement2 = float(weight**2 @ [one.sd_measurement_g_dl**2 for one in estimates])
    return replace(
        estimates[0],
        image=image,
        volume_cv=float(np.sqrt(weight**2 @ [one.volume_cv**2 for one in estimates])),
        sd_measurement_g_dl=float(np.sqrt(measurement2)),
        sd_calibration_g_dl=float(np.sqrt(max(float(image.sd) ** 2 - measurement2, 0.0))),
        distance2=max(one.distance2 for one in estimates),
        n_blots=len(estimates),
    )


def _mixture(estimates: Sequence[HbEstimate], weight: Array) -> HbEstimate:
    density = weight @ [one.image.density for one in estimates]
    image = HbDistribution(estimates[0].image.grid_g_dl, np.asarray(density))
    measurement2 = float(weight @ [one.sd_measurement_g_dl**2 for one in estimates])
    return replace(
        estimates[0],
        image=image,
        volume_cv=max(one.volume_cv for one in estimates),
        sd_measurement_g_dl=float(np.sqrt(measurement2)),
        sd_calibration_g_dl=float(np.sqrt(max(float(image.sd) ** 2 - measurement2, 0.0))),
        distance2=max(one.distance2 for one in estimates),
        n_blots=len(estimates),
        blots_disagree=True,
    )


def _disagree(estimates: Sequence[HbEstimate], own_share: float) -> bool:
    """Whether any two readings differ by more than chance lets one of all pairs, once in
    1 / `FALSE_ALARMS` women (Bonferroni's bound over the pairs).
    """
    pairs = list(combinations(estimates, 2))
    limit = FALSE_ALARMS / len(pairs)
    return any(_chance_of_difference(a, b, own_share) < limit for a, b in pairs)


def _chance_of_difference(a: HbEstimate, b: HbEstimate, own_share: float) -> float:
    """Probability that two blots of one woman read at least so far apart.

    Each reading's own deviation has the shape of its distribution, narrowed to its own
    part, and blood volume's scatter on top.
    """
    first, second = (_own_deviation(one, own_share) for one in (a, b))
    step = first.grid_g_dl[1] - first.grid_g_dl[0]
    difference = np.convolve(first.density, second.density[::-1])
    at = (np.arange(len(difference)) - (len(second.density) - 1)) * step
    apart = abs(a.hb_g_dl - b.hb_g_dl)
    return float(difference[np.abs(at) >= apart].sum())


def _own_deviation(one: HbEstimate, own_share: float) -> HbDistribution:
    """Distribution of a reading's own deviation, about the middle of the grid."""
    grid = one.image.grid_g_dl
    factor = np.sqrt(_own_variance(one, own_share)) / float(one.image.sd)
    middle = float(grid[len(grid) // 2])
    narrowed = one.image.moved(one.image.median, one.image.median, max(factor, 1e-3))
    return narrowed.spread_in_proportion(one.volume_cv).moved(one.hb_g_dl, middle)
