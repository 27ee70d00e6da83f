"""Conformal scale: how far an interval must be stretched to keep its promise.

A score says how far the interval of a pair that the model did not see would have
to be stretched to hold the laboratory value. With n exchangeable scores and miss
rate a, the scale is the score of rank ``ceil((1 - a)(n + 1))``; a new pair is then
held with probability at least ``1 - a`` and, without ties, at most
``1 - a + 1/(n + 1)`` (Vovk, Gammerman, Shafer 2005; Lei et al., JASA 2018; 113:
1094-1111). When the rank exceeds n there is no such score and the call raises:
an interval of infinite width would be a promise of nothing. With cross-fitting
(scores from the models of the folds, readings from one refitted to all) the bounds
are met closely, not strictly.

Readings of one woman are not exchangeable with those of others. `group_scale`
gives every woman the same weight, however often she was read; a single reading of
a new woman is then held with probability at least ``1 - a`` and at most
``1 - a + 2/(n + 1)`` for n women (Lee, Barber, Willett, Distribution-free inference
with hierarchical data, 2023). With one reading a woman it is the exact rank.

Ours and not a library's: the libraries that do cross-conformal regression return
intervals from the fitted models they keep, whereas the reader needs one number in
a JSON file; they count rows and not groups; and they give no error when the rank
is beyond the scores. The tests hold the numbers against such a library.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray


class TooFewPairsError(ValueError):
    """There are fewer groups than the wanted coverage needs, or pairs than a model does."""


def least_groups(miss_rate: float) -> int:
    """Fewest scores for which the exact rank exists: 9 for 90 %, 19 for 95 %."""
    _check_rate(miss_rate)
    return math.ceil(round((1 - miss_rate) / miss_rate, 9))


def exact_rank(n: int, miss_rate: float) -> int:
    """Rank (1-based) of the score that is the conformal quantile.

    Raises
    ------
    TooFewPairsError
        The rank exceeds ``n``.
    """
    _check_rate(miss_rate)
    # Rounded first: 0.9 * 10 is 9.000000000000002 in some orders of work.
    rank = math.ceil(round((1 - miss_rate) * (n + 1), 9))
    if rank > n:
        raise TooFewPairsError(
            f"{n} groups can't support a {1 - miss_rate:.0%} interval: "
            f"at least {least_groups(miss_rate)} are needed"
        )
    return rank


def _check_rate(miss_rate: float) -> None:
    if not 0 < miss_rate < 1:
        raise ValueError(f"miss_rate must lie between 0 and 1, got {miss_rate}")


def conformal_scale(scores: ArrayLike, miss_rate: float = 0.1) -> float:
    """Score of the exact rank.

    Parameters
    ----------
    scores : (n,) array_like
        Scores of pairs unseen by the model, one a group, not negative; infinite
        for a pair that no interval would hold.

    Raises
    ------
    TooFewPairsError
        See `exact_rank`.
        Also where the score of that rank is infinite.
    """
    values = np.sort(_checked(scores))
    return _finite(float(values[exact_rank(values.size, miss_rate) - 1]))


def _checked(scores: ArrayLike) -> NDArray[np.float64]:
    values = np.asarray(scores, dtype=float)
    if values.ndim != 1 or np.isnan(values).any() or (values < 0).any():
        raise ValueError("scores must be (n,), numbers and not negative")
    return values


def _finite(scale: float) -> float:
    if not np.isfinite(scale):
        raise TooFewPairsError("too many pairs lie so far off that no interval holds them")
    return scale


def group_scale(scores: ArrayLike, group: ArrayLike, miss_rate: float = 0.1) -> float:
    """Smallest score that holds ``1 - miss_rate`` of a new group's readings.

    Parameters
    ----------
    scores : (n,) array_like
        As `conformal_scale`.
    group : (n,) array_like
        Woman of each score; all women weigh the same, and a further one counts as infinite.

    Raises
    ------
    TooFewPairsError
        Fewer groups than `least_groups`, or the score is infinite.
    """
    values = _checked(scores)
    labels, index = np.unique(np.asarray(group).astype(str), return_inverse=True)
    if index.size != values.size:
        raise ValueError("group must have one label a score")
    exact_rank(labels.size, miss_rate)
    order = np.argsort(values, kind="stable")
    weight = 1 / np.bincount(index)[index]
    reached = np.cumsum(weight[order])
    wanted = (1 - miss_rate) * (labels.size + 1)
    return _finite(float(values[order][np.searchsorted(reached, wanted - 1e-9)]))


def one_per_group(group: ArrayLike, seed: int) -> NDArray[np.intp]:
    """Index of one reading a group, drawn evenly; sorted.

    Parameters
    ----------
    group : (n,) array_like
        Group label of each reading.
    seed : int
        The draw is part of the recipe and must be repeatable.
    """
    labels = np.asarray(group).astype(str)
    order = np.random.default_rng(seed).permutation(labels.size)
    _, first = np.unique(labels[order], return_index=True)
    return np.sort(order[first])
