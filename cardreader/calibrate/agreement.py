"""Bland-Altman agreement: bias and 95 % limits with confidence intervals of both.

Bland and Altman, Lancet 1986; i: 307-310 (the method), and Statistical Methods
in Medical Research 1999; 8: 135-160 (replicates). Intervals of the limits:

``exact``
    The limit is a normal quantile, its interval comes from the noncentral t
    distribution (Carkeet, Optometry and Vision Science 2015; 92: e71-e80).
``approximate``
    Bland and Altman's own: standard error ``sqrt(1/n + z^2 / (2 (n - 1))) * sd``.
``mover``
    For replicates: variance components, their intervals combined by the method
    of variance estimates recovery (Zou, Statistical Methods in Medical Research
    2013; 22: 630-642).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import stats

Interval = tuple[float, float]
CiMethod = Literal["exact", "approximate"]


@dataclass(frozen=True)
class Agreement:
    """Bias and limits of agreement of ``test - reference``, in the unit of the data.

    Attributes
    ----------
    n_pairs, n_subjects : int
        Differences, and the subjects they come from.
    bias, sd : float
        Mean difference and standard deviation of a single difference.
    bias_ci, lower_ci, upper_ci : (float, float)
        Confidence intervals at ``confidence``.
    lower, upper : float
        Limits of agreement (``bias -/+ z sd``).
    ci_method : str
        Which interval the limits carry; see the module.
    sd_within, sd_between : float or None
        Within- and between-subject part of ``sd`` when subjects have replicates.
    trend_slope, trend_p : float
        Slope of difference on mean, of subjects with replicates once by their means, and
        its two-sided p: small p says that the limits change with the level and one pair
        of limits is too simple.
    """

    n_pairs: int
    n_subjects: int
    bias: float
    sd: float
    bias_ci: Interval
    lower: float
    lower_ci: Interval
    upper: float
    upper_ci: Interval
    confidence: float
    ci_method: str
    sd_within: float | None
    sd_between: float | None
    trend_slope: float
    trend_p: float


def _pairs(test: ArrayLike, reference: ArrayLike) -> tuple[NDArray, NDArray]:
    first = np.asarray(test, dtype=float)
    second = np.asarray(reference, dtype=float)
    if first.ndim != 1 or first.shape != second.shape:
        raise ValueError("test and reference must be (n,) and of one length")
    if first.size < 3:
        raise ValueError(f"agreement needs at least 3 pairs, got {first.size}")
    if not (np.isfinite(first).all() and np.isfinite(second).all()):
        raise ValueError("test and reference must be finite")
    return first, second


def _trend(test: NDArray, reference: NDArray) -> tuple[float, float]:
    mean = (test + reference) / 2
    if np.ptp(mean) == 0:
        return 0.0, 1.0
    line = stats.linregress(mean, test - reference)
    return float(line.slope), float(line.pvalue)


def limit_interval(
    limit_z: float, n: int, confidence: float = 0.95, method: CiMethod = "exact"
) -> Interval:
    """Interval of a limit of agreement ``bias + limit_z * sd``, as multiples of the sd.

    Parameters
    ----------
    limit_z : float
        Position of the limit, e.g. 1.96 or -1.96.
    n : int
        Independent differences.

    Returns
    -------
    (float, float)
        ``(low, high)``: the interval is ``bias + low * sd`` to ``bias + high * sd``.
    """
    if n < 3:
        raise ValueError(f"n must be at least 3, got {n}")
    tail = (1 - confidence) / 2
    if method == "approximate":
        half = stats.t.ppf(1 - tail, n - 1) * np.sqrt(1 / n + limit_z**2 / (2 * (n - 1)))
        return float(limit_z - half), float(limit_z + half)
    # The quantile's sign is moved out: scipy's noncentral t is stable for a positive centre.
    centre = abs(limit_z) * np.sqrt(n)
    near, far = stats.nct.ppf([tail, 1 - tail], n - 1, centre) / np.sqrt(n)
    return (float(near), float(far)) if limit_z >= 0 else (float(-far), float(-near))


def bland_altman(
    test: ArrayLike,
    reference: ArrayLike,
    confidence: float = 0.95,
    ci_method: CiMethod = "exact",
    z: float = float(stats.norm.ppf(0.975)),
) -> Agreement:
    """Limits of agreement, one pair a subject.

    Parameters
    ----------
    test, reference : (n,) array_like
        Paired values in one unit; n >= 3.
    z : float
        Width of the limits in standard deviations. The 1986 paper used 2.

    Raises
    ------
    ValueError
        Shapes differ, fewer than 3 pairs, or a value that is not finite.
    """
    first, second = _pairs(test, reference)
    difference = first - second
    n = difference.size
    bias = float(difference.mean())
    sd = float(difference.std(ddof=1))
    half = float(stats.t.ppf((1 + confidence) / 2, n - 1) * sd / np.sqrt(n))
    low, high = (
        tuple(bias + factor * sd for factor in limit_interval(side, n, confidence, ci_method))
        for side in (-z, z)
    )
    slope, p = _trend(first, second)
    return Agreement(
        n_pairs=n,
        n_subjects=n,
        bias=bias,
        sd=sd,
        bias_ci=(bias - half, bias + half),
        lower=bias - z * sd,
        lower_ci=(low[0], low[1]),
        upper=bias + z * sd,
        upper_ci=(high[0], high[1]),
        confidence=confidence,
        ci_method=ci_method,
        sd_within=None,
        sd_between=None,
        trend_slope=slope,
        trend_p=p,
    )


def bland_altman_replicates(
    test: ArrayLike,
    reference: ArrayLike,
    subject: ArrayLike,
    confidence: float = 0.95,
    z: float = float(stats.norm.ppf(0.975)),
) -> Agreement:
    """Limits of agreement of a single reading when subjects were read several times.

    Treating replicates as if they were subjects makes the intervals too narrow,
    averaging them makes the limits too narrow; here the variance of a single
    difference is ``between + within`` and the intervals count subjects.

    Parameters
    ----------
    test, reference : (n,) array_like
        Paired values.
    subject : (n,) array_like
        Subject of each pair.
    """
    first, second = _pairs(test, reference)
    labels, group = np.unique(np.asarray(subject).astype(str), return_inverse=True)
    n, k = first.size, labels.size
    if group.size != n:
        raise ValueError("subject must have one label a pair")
    if k == n:
        return bland_altman(first, second, confidence, "exact", z)
    if k < 3:
        raise ValueError(f"agreement needs at least 3 subjects, got {k}")
    difference = first - second
    counts = np.bincount(group)
    means = np.bincount(group, weights=difference) / counts
    within = float(np.sum((difference - means[group]) ** 2) / (n - k))
    of_means = float(means.var(ddof=1))
    inverse_count = float(np.mean(1 / counts))
    between = max(0.0, of_means - inverse_count * within)
    bias = float(means.mean())
    total = of_means + (1 - inverse_count) * within
    sd = float(np.sqrt(total))
    tail = (1 - confidence) / 2
    # MOVER: intervals of the two mean squares, recovered into one of the total variance.
    upper_total = total + np.hypot(
        of_means * ((k - 1) / stats.chi2.ppf(tail, k - 1) - 1),
        (1 - inverse_count) * within * ((n - k) / stats.chi2.ppf(tail, n - k) - 1),
    )
    lower_total = total - np.hypot(
        of_means * (1 - (k - 1) / stats.chi2.ppf(1 - tail, k - 1)),
        (1 - inverse_count) * within * (1 - (n - k) / stats.chi2.ppf(1 - tail, n - k)),
    )
    half = float(stats.t.ppf(1 - tail, k - 1) * np.sqrt(of_means / k))
    outer = float(np.hypot(half, z * (np.sqrt(upper_total) - sd)))
    inner = float(np.hypot(half, z * (sd - np.sqrt(max(0.0, lower_total)))))
    # Of a subject once: her readings share her own part of the difference.
    slope, p = _trend(*(np.bincount(group, weights=one) / counts for one in (first, second)))
    return Agreement(
        n_pairs=n,
        n_subjects=k,
        bias=bias,
        sd=sd,
        bias_ci=(bias - half, bias + half),
        lower=bias - z * sd,
        lower_ci=(bias - z * sd - outer, bias - z * sd + inner),
        upper=bias + z * sd,
        upper_ci=(bias + z * sd - inner, bias + z * sd + outer),
        confidence=confidence,
        ci_method="mover",
        sd_within=float(np.sqrt(within)),
        sd_between=float(np.sqrt(between)),
        trend_slope=slope,
        trend_p=p,
    )
