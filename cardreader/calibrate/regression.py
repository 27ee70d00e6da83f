"""Method-comparison lines: Deming (known error ratio) and Passing-Bablok (rank based).

Deming with jackknife intervals: Linnet, Clinical Chemistry 1993; 39: 424-432.
Passing-Bablok: Passing and Bablok, J Clin Chem Clin Biochem 1983; 21: 709-720,
with the cusum test of linearity of the same paper.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import stats

Interval = tuple[float, float]


@dataclass(frozen=True)
class Line:
    """``y = intercept + slope x`` with confidence intervals.

    ``linearity_p`` is None where the method has no test of linearity; small p
    says that a straight line does not describe the data.
    """

    method: str
    n: int
    intercept: float
    intercept_ci: Interval
    slope: float
    slope_ci: Interval
    confidence: float
    linearity_p: float | None = None

    def at(self, x: ArrayLike) -> NDArray[np.float64]:
        """Value of the line at ``x``, any shape."""
        return self.intercept + self.slope * np.asarray(x, dtype=float)


def _columns(x: ArrayLike, y: ArrayLike, least: int) -> tuple[NDArray, NDArray]:
    first, second = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
    if first.ndim != 1 or first.shape != second.shape:
        raise ValueError("x and y must be (n,) and of one length")
    if first.size < least:
        raise ValueError(f"needs at least {least} pairs, got {first.size}")
    if not (np.isfinite(first).all() and np.isfinite(second).all()):
        raise ValueError("x and y must be finite")
    if np.ptp(first) == 0 or np.ptp(second) == 0:
        raise ValueError("x and y must vary")
    return first, second


def deming_coefficients(
    x: ArrayLike, y: ArrayLike, variance_ratio: float = 1.0
) -> tuple[float, float]:
    """Intercept and slope of the Deming line.

    Parameters
    ----------
    x, y : (n,) array_like
        Both measured with error.
    variance_ratio : float
        Error variance of y over error variance of x, > 0. Infinity is allowed
        and is ordinary least squares of y on x (x without error).
    """
    first, second = _columns(x, y, 2)
    if not variance_ratio > 0:
        raise ValueError(f"variance_ratio must be positive, got {variance_ratio}")
    dx, dy = first - first.mean(), second - second.mean()
    sxx, syy, sxy = float(dx @ dx), float(dy @ dy), float(dx @ dy)
    if np.isinf(variance_ratio):
        slope = sxy / sxx
    elif sxy == 0:
        raise ValueError("x and y are uncorrelated: no Deming line")
    else:
        excess = syy - variance_ratio * sxx
        root = float(np.hypot(excess, 2 * np.sqrt(variance_ratio) * sxy))
        # Two forms of the same root: each is taken where it does not cancel.
        slope = (
            (excess + root) / (2 * sxy)
            if excess >= 0
            else 2 * variance_ratio * sxy / (root - excess)
        )
    return float(second.mean() - slope * first.mean()), float(slope)


def deming(
    x: ArrayLike, y: ArrayLike, variance_ratio: float = 1.0, confidence: float = 0.95
) -> Line:
    """Deming line with jackknife standard errors and t intervals on n - 2.

    Raises
    ------
    ValueError
        Fewer than 4 pairs, no spread, or a ratio that is not positive.
    """
    first, second = _columns(x, y, 4)
    n = first.size
    estimate = np.array(deming_coefficients(first, second, variance_ratio))
    keep = ~np.eye(n, dtype=bool)
    without = np.array(
        [deming_coefficients(first[row], second[row], variance_ratio) for row in keep]
    )
    error = np.sqrt((n - 1) / n * np.sum((without - without.mean(axis=0)) ** 2, axis=0))
    half = stats.t.ppf((1 + confidence) / 2, n - 2) * error
    (low_a, low_b), (high_a, high_b) = estimate - half, estimate + half
    return Line(
        method="Deming",
        n=n,
        intercept=float(estimate[0]),
        intercept_ci=(float(low_a), float(high_a)),
        slope=float(estimate[1]),
        slope_ci=(float(low_b), float(high_b)),
        confidence=confidence,
    )


def _pairwise_slopes(x: NDArray, y: NDArray) -> NDArray[np.float64]:
    i, j = np.triu_indices(x.size, 1)
    dx, dy = x[j] - x[i], y[j] - y[i]
    distinct = (dx != 0) | (dy != 0)
    dx, dy = dx[distinct], dy[distinct]
    slope = np.full(dx.shape, np.inf)
    slope[(dx == 0) & (dy < 0)] = -np.inf
    np.divide(dy, dx, out=slope, where=dx != 0)
    # A slope of exactly -1 is on neither side when x and y are exchanged.
    return np.sort(slope[slope != -1])


def _cusum_linearity(x: NDArray, y: NDArray, intercept: float, slope: float) -> float:
    residual = y - intercept - slope * x
    above, below = int(np.sum(residual > 0)), int(np.sum(residual < 0))
    if above == 0 or below == 0:
        return 1.0
    score = np.zeros_like(residual)
    score[residual > 0] = np.sqrt(below / above)
    score[residual < 0] = -np.sqrt(above / below)
    # Along the line, not along x: both axes carry error.
    along = (y + x / slope - intercept) / np.sqrt(1 + 1 / slope**2)
    largest = float(np.abs(np.cumsum(score[np.argsort(along, kind="stable")])).max())
    return float(stats.kstwobign.sf(largest / np.sqrt(below + 1)))


def passing_bablok(x: ArrayLike, y: ArrayLike, confidence: float = 0.95) -> Line:
    """Passing-Bablok line with its rank interval and the cusum test of linearity.

    Parameters
    ----------
    x, y : (n,) array_like
        Positively related methods; n >= 8 (fewer give no usable interval).

    Raises
    ------
    ValueError
        Too few pairs, no spread, or a relation that does not rise.
    """
    first, second = _columns(x, y, 8)
    slopes = _pairwise_slopes(first, second)
    n, count = first.size, slopes.size
    offset = int(np.sum(slopes < -1))
    middle = count // 2 + offset
    if middle >= count:
        raise ValueError("x and y do not rise together: no Passing-Bablok line")
    slope = float(slopes[middle]) if count % 2 else float(slopes[middle - 1 : middle + 1].mean())
    if not (np.isfinite(slope) and slope > 0):
        raise ValueError("x and y do not rise together: no Passing-Bablok line")
    spread = stats.norm.ppf((1 + confidence) / 2) * np.sqrt(n * (n - 1) * (2 * n + 5) / 18)
    first_rank = round((count - spread) / 2)
    last_rank = count - first_rank + 1
    low_at, high_at = first_rank + offset - 1, last_rank + offset - 1
    low = float(slopes[low_at]) if 0 <= low_at < count else -np.inf
    high = float(slopes[high_at]) if 0 <= high_at < count else np.inf
    intercept = float(np.median(second - slope * first))
    ends = [
        float(np.median(second - end * first)) if np.isfinite(end) else -np.sign(end) * np.inf
        for end in (high, low)
    ]
    return Line(
        method="Passing-Bablok",
        n=n,
        intercept=intercept,
        intercept_ci=(ends[0], ends[1]),
        slope=slope,
        slope_ci=(low, high),
        confidence=confidence,
        linearity_p=_cusum_linearity(first, second, intercept, slope),
    )
