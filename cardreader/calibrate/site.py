"""A site's calibration from its pairs, few or many: one way for 0, 5, 20 and 500 of them.

The prior is conditioned on all pairs (`condition`). With some women, readings of women
left out say how blood volume scatters (`volume`); with enough of them, by how much
every interval must be stretched to keep its promise (`conformal`, exact rank).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from cardreader.calibrate.condition import SitePairs, condition
from cardreader.calibrate.conformal import exact_rank, group_scale, one_per_group
from cardreader.calibrate.likeness import like_the_study
from cardreader.calibrate.papers import estimates_on, readable_on
from cardreader.calibrate.scores import needed_factor
from cardreader.calibrate.volume import VolumeScatter, volume_scatter
from cardreader.hb.calibration import Calibration

Array = NDArray[np.float64]

FOLDS, DRAFT_ROUNDS = 5, 5
WOMEN_FOR_VOLUME = 5
WOMEN_FOR_FACTOR = 40
"""With fewer the exact rank is one of the largest few scores: an interval set by one photo."""
LEAST_FACTOR = 0.7
"""Intervals are narrowed no further: the next women's phones and lamps are never all known."""


@dataclass(frozen=True, eq=False)
class SiteFit:
    """A site's calibration with what led to it.

    Attributes
    ----------
    calibration : Calibration
    volume : VolumeScatter
    weight : (n,) array
        What each photo counted for: 1 as expected or nearer, 0 for one far off.
    scatter : float
        Variance of the photos' scatter against the prior's.
    conformity_scores : tuple of float
        One drawn score of each woman that set the factor, rising; none with few women.
    """

    calibration: Calibration
    volume: VolumeScatter
    weight: Array
    scatter: float
    conformity_scores: tuple[float, ...] = ()


def fit_site(
    prior: Calibration,
    pairs: SitePairs,
    subject: NDArray[np.str_] | None = None,
    coverage: float = 0.9,
    seed: int = 1,
    sets_interval: NDArray[np.bool_] | None = None,
) -> SiteFit:
    """Condition a prior on a site's pairs.

    Parameters
    ----------
    subject : (n,) array of str
        Woman of each photo, where one came more than once; default ``pairs.level``.
    sets_interval : (n,) array of bool
        Pairs whose laboratory value is good enough to set the intervals' factor.
    """
    women = pairs.level if subject is None else subject
    usable = np.ones(len(pairs), bool) if sets_interval is None else sets_interval
    none = volume_scatter(*[np.zeros(0)] * 4)
    if np.unique(women).size < WOMEN_FOR_VOLUME:
        made = condition(prior, pairs, none.cv)
        known = like_the_study(made.calibration, pairs, made.weight)
        return SiteFit(replace(known, coverage=coverage), none, made.weight, made.scatter)
    drafts = list(_drafts(prior, pairs, women, none.cv))
    hb, sd = np.zeros(len(pairs)), np.zeros(len(pairs))
    for test, draft in drafts:
        image = estimates_on(pairs.measured[test], draft, pairs.paper[test]).image()
        hb[test], sd[test] = image.median, image.sd
    volume = volume_scatter(hb, sd, pairs.level, pairs.blot)
    made = condition(prior, pairs, volume.cv)
    factor = prior.conformal_scale
    scores: tuple[float, ...] = ()
    if np.unique(women[usable]).size >= WOMEN_FOR_FACTOR:
        factor, scores = _factor(drafts, pairs, women, usable, volume.cv, coverage, seed)
    known = like_the_study(made.calibration, pairs, made.weight)
    calibration = replace(known, coverage=coverage, conformal_scale=factor)
    return SiteFit(calibration, volume, made.weight, made.scatter, scores)


Draft = tuple[NDArray[np.bool_], Calibration]


def _drafts(
    prior: Calibration, pairs: SitePairs, women: NDArray[np.str_], cv: float
) -> Iterator[Draft]:
    """Photos (n,) of some women, and the calibration of all others."""
    _, number = np.unique(women, return_inverse=True)
    # Shuffled, so that a fold is no run of days.
    order = np.random.default_rng(0).permutation(int(number.max()) + 1)
    fold = order[number] % FOLDS
    for k in range(FOLDS):
        test = fold == k
        if test.any() and not test.all():
            yield test, condition(prior, pairs.take(~test), cv, DRAFT_ROUNDS).calibration


def _factor(
    drafts: Sequence[Draft],
    pairs: SitePairs,
    women: NDArray[np.str_],
    usable: NDArray[np.bool_],
    cv: float,
    coverage: float,
    seed: int,
) -> tuple[float, tuple[float, ...]]:
    factor = np.full(len(pairs), np.nan)
    for test, draft in drafts:
        found = estimates_on(pairs.measured[test], draft, pairs.paper[test])
        scores = needed_factor(found, pairs.lab_g_dl[test], cv, coverage)
        factor[test] = np.where(readable_on(found, pairs.paper[test]), scores, np.nan)
    kept = np.flatnonzero(usable & ~np.isnan(factor))
    if np.unique(women[kept]).size < WOMEN_FOR_FACTOR:
        return draft.conformal_scale, ()
    exact_rank(np.unique(women[kept]).size, 1 - coverage)
    scale = group_scale(factor[kept], women[kept], 1 - coverage)
    chosen = kept[one_per_group(women[kept], seed)]
    return max(scale, LEAST_FACTOR), tuple(sorted(float(score) for score in factor[chosen]))
