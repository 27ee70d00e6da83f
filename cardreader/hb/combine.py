"""Several blots of one woman -> one estimate.

What a reading is off by has two parts. Blood volume and a share of what photo and calibration
leave open differ from blot to blot and average out; the rest is common to photos of one sitting
(lamp, phone, the card), and to those of two as far as the calibration itself is in doubt. Which
it is the cards' signatures tell. The combined distribution has the shape of the single ones,
tails and all, drawn together by as much as what isn't common shrinks.

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

from cardreader.hb.calibration import Calibration
from cardreader.hb.distribution import HbDistribution
from cardreader.hb.estimate import HbEstimate
from cardreader.hb.sittings import OWN_SHARE
from cardreader.hb.ties import common_share

Array = NDArray[np.float64]

FALSE_ALARMS = 0.01
"""Share of women whose blots are sound that are told to disagree. Chosen: rare enough to
be heeded, and a second look costs little."""


def combine(estimates: Sequence[HbEstimate], calibration: Calibration) -> HbEstimate:
    """One estimate from single blots of the same woman, each of a photo of its own.

    ``calibration`` is that which they were read by. A single estimate comes back as it is.
    Raises ValueError for no estimates, or for one that is of several blots already.
    """
    if not estimates:
        raise ValueError("nothing to combine")
    if any(one.n_blots != 1 for one in estimates):
        raise ValueError("only estimates of single blots can be combined")
    if len(estimates) == 1:
        return estimates[0]
    weight, covariance = _weights(estimates), covariance_g_dl2(estimates, calibration)
    disagree = _disagree(estimates, covariance)
    image = (
        _mixed(estimates, weight) if disagree else _drawn_together(estimates, weight, covariance)
    )
    cv2 = np.array([one.volume_cv**2 for one in estimates])
    whole2 = float(weight @ np.diag(covariance))
    photo2 = float(weight @ [one.sd_measurement_g_dl**2 for one in estimates]) / whole2
    variance = float(image.sd) ** 2
    return replace(
        estimates[0],
        image=image,
        volume_cv=float(np.sqrt(cv2.max() if disagree else weight**2 @ cv2)),
        sd_measurement_g_dl=float(np.sqrt(photo2 * variance)),
        sd_calibration_g_dl=float(np.sqrt(max(1 - photo2, 0.0) * variance)),
        distance2=max(one.distance2 for one in estimates),
        n_blots=len(estimates),
        blots_disagree=disagree,
        ties=None,
    )


def covariance_g_dl2(estimates: Sequence[HbEstimate], calibration: Calibration) -> Array:
    """Covariance (n, n) of what n single readings are off by, blood volume aside, (g/dL)²."""
    sd = np.array([float(one.image.sd) for one in estimates])
    covariance = np.diag(sd**2)
    for i, k in combinations(range(len(sd)), 2):
        common = _correlation(estimates[i], estimates[k], calibration)
        covariance[i, k] = covariance[k, i] = common * sd[i] * sd[k]
    return covariance


def _correlation(one: HbEstimate, other: HbEstimate, calibration: Calibration) -> float:
    """Correlation of what two readings are off by."""
    in_one_sitting, sittings = 1 - OWN_SHARE, calibration.sittings
    if sittings is None or one.ties is None or other.ties is None:
        return in_one_sitting
    alike = sittings.as_one(one.ties.signature, other.ties.signature)
    in_two = np.clip(common_share(one.ties, other.ties), 0.0, in_one_sitting)
    return float(alike * in_one_sitting + (1 - alike) * in_two)


def _weights(estimates: Sequence[HbEstimate]) -> Array:
    """By inverse total variance: a doubtful photo says less."""
    variance = np.array([float(one.distribution.sd) ** 2 for one in estimates])
    return np.asarray(1 / variance / (1 / variance).sum())


def _drawn_together(
    estimates: Sequence[HbEstimate], weight: Array, covariance: Array
) -> HbDistribution:
    centre = float(weight @ [one.image.hb_g_dl for one in estimates])
    factor = np.sqrt(weight @ covariance @ weight / (weight @ np.diag(covariance)))
    density = np.zeros_like(estimates[0].image.density)
    for share, one in zip(weight, estimates, strict=True):
        density += share * one.image.moved(one.image.median, centre, factor).density
    return HbDistribution(estimates[0].image.grid_g_dl, density)


def _mixed(estimates: Sequence[HbEstimate], weight: Array) -> HbDistribution:
    density = weight @ [one.image.density for one in estimates]
    return HbDistribution(estimates[0].image.grid_g_dl, np.asarray(density))


def _disagree(estimates: Sequence[HbEstimate], covariance: Array) -> bool:
    """Whether any two readings differ by more than chance lets one of all pairs, once in
    1 / `FALSE_ALARMS` women (Bonferroni's bound over the pairs).
    """
    pairs = list(combinations(range(len(estimates)), 2))
    limit = FALSE_ALARMS / len(pairs)
    return any(
        _chance_of_difference(estimates[i], estimates[k], covariance[i, k]) < limit
        for i, k in pairs
    )


def _chance_of_difference(a: HbEstimate, b: HbEstimate, common_g_dl2: float) -> float:
    """Probability that two blots of one woman read at least so far apart.

    Each reading's own deviation has the shape of its distribution, narrowed to what it does
    not have in common with the other, and blood volume's scatter on top.
    """
    first, second = (_own_deviation(one, common_g_dl2) for one in (a, b))
    step = first.grid_g_dl[1] - first.grid_g_dl[0]
    difference = np.convolve(first.density, second.density[::-1])
    at = (np.arange(len(difference)) - (len(second.density) - 1)) * step
    apart = abs(a.hb_g_dl - b.hb_g_dl)
    return float(difference[np.abs(at) >= apart].sum())


def _own_deviation(one: HbEstimate, common_g_dl2: float) -> HbDistribution:
    """Distribution of a reading's own deviation, about the middle of the grid."""
    grid, variance = one.image.grid_g_dl, float(one.image.sd) ** 2
    factor = np.sqrt(max(1 - common_g_dl2 / variance, 0.0))
    middle = float(grid[len(grid) // 2])
    narrowed = one.image.moved(one.image.median, one.image.median, max(factor, 1e-3))
    return narrowed.spread_in_proportion(one.volume_cv).moved(one.hb_g_dl, middle)
