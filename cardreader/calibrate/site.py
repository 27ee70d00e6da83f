"""A site's calibration from its pairs, few or many: one way for 0, 5, 20 and 500 of them.

The prior is conditioned on all pairs (`condition`), and the result is believed less beyond
them (`beyond`). With some women, readings of women left out say how blood volume scatters
(`volume`) and by how much every interval must be stretched to keep its promise: few women move
the prior's factor a little, enough of them set it (`conformal`, exact rank).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from cardreader.calibrate.beyond import less_sure_beyond
from cardreader.calibrate.condition import Conditioned, SitePairs, condition
from cardreader.calibrate.conformal import exact_rank, group_scale, one_per_group
from cardreader.calibrate.likeness import like_the_study
from cardreader.calibrate.papercolour import papers_seen
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
USUAL_SCORE = 0.28
"""Mean score of women left out, against the prior's factor: usual at a site."""
TRUST_IN_SCORES = 0.2
"""Power of that mean by which few women move the prior's factor.

Both from sites of seed 31337 with print and blot models that their prior (worlds of seed
51001) had not seen, 32 of them with 5 to 40 pairs: the three worst covered held 68, 83 and
84 % with 5, 10 and 20 pairs by the prior's factor alone, 73, 84 and 85 % so, the mean
1 point more.
"""
_MOST_SCORE = 5.0


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
        known = _where_taught(made, pairs)
        return SiteFit(replace(known, coverage=coverage), none, made.weight, made.scatter)
    drafts = list(_drafts(prior, pairs, women, none.cv))
    hb, sd = np.zeros(len(pairs)), np.zeros(len(pairs))
    for test, draft in drafts:
        image = estimates_on(pairs.measured[test], draft, pairs.paper[test]).image()
        hb[test], sd[test] = image.median, image.sd
    volume = volume_scatter(hb, sd, pairs.level, pairs.blot)
    made = condition(prior, pairs, volume.cv)
    needed = _needed_factors(drafts, pairs, volume.cv, coverage)
    kept = np.flatnonzero(usable & ~np.isnan(needed))
    factor, scores = _factor(prior.conformal_scale, needed[kept], women[kept], coverage, seed)
    known = _where_taught(made, pairs)
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


def _where_taught(made: Conditioned, pairs: SitePairs) -> Calibration:
    """The conditioned calibration with its gates for unlike cards and papers, and wider beyond its
    pairs."""
    known = like_the_study(made.calibration, pairs, made.weight)
    known = replace(known, seen_papers=papers_seen(pairs, made.weight))
    return less_sure_beyond(known, pairs.lab_g_dl, made.weight)


def _needed_factors(drafts: Sequence[Draft], pairs: SitePairs, cv: float, coverage: float) -> Array:
    """Score (n,) of every photo by the draft without her; NaN where it gives no value."""
    needed = np.full(len(pairs), np.nan)
    for test, draft in drafts:
        found = estimates_on(pairs.measured[test], draft, pairs.paper[test])
        scores = needed_factor(found, pairs.lab_g_dl[test], cv, coverage)
        needed[test] = np.where(readable_on(found, pairs.paper[test]), scores, np.nan)
    return needed


def _factor(
    prior_factor: float, needed: Array, women: NDArray[np.str_], coverage: float, seed: int
) -> tuple[float, tuple[float, ...]]:
    """The intervals' factor from the scores of women left out, and those that set it alone."""
    n_women = np.unique(women).size
    if n_women < WOMEN_FOR_VOLUME:
        return prior_factor, ()
    if n_women < WOMEN_FOR_FACTOR:
        seen = _mean_of_women(np.minimum(needed, _MOST_SCORE), women)
        return prior_factor * (seen / (USUAL_SCORE * prior_factor)) ** TRUST_IN_SCORES, ()
    exact_rank(n_women, 1 - coverage)
    scale = group_scale(needed, women, 1 - coverage)
    chosen = one_per_group(women, seed)
    return max(scale, LEAST_FACTOR), tuple(sorted(float(score) for score in needed[chosen]))


def _mean_of_women(values: Array, women: NDArray[np.str_]) -> float:
    _, woman = np.unique(women, return_inverse=True)
    return float((np.bincount(woman, values) / np.bincount(woman)).mean())
