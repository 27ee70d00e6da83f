"""Robust statistics, each under its usual name: losses, scales, reweighted fits, Student's t.

A fit that should not follow dirt, reflections or strays is made by iteratively
reweighted least squares (Holland and Welsch 1977): residuals in standard deviations
go through a loss whose weight falls beyond a knee. The standard deviation comes from
the median of the residuals' sizes; what the median of a size is for normal residuals
depends on how many numbers the size is taken of, so the factor does too. Sources are
from memory unless a test holds the value against a library.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from cardreader.core.order import median, quantile

Array = NDArray[np.float64]

CENTRAL_68 = (0.1587, 0.8413)
"""Probabilities one standard deviation below and above the middle of a normal distribution."""


# --- losses -------------------------------------------------------------------------


@dataclass(frozen=True)
class Loss:
    """Cost of residuals z in standard deviations, and the weight it gives their squares."""

    cost: Callable[[Array], Array]
    weight: Callable[[Array], Array]


def huber(knee: float) -> Loss:
    """Square up to the knee, straight beyond (Huber 1964)."""
    return Loss(
        lambda z: np.where(np.abs(z) <= knee, z**2, 2 * knee * np.abs(z) - knee**2),
        lambda z: 1 / np.maximum(1.0, np.abs(z) / knee),
    )


def pseudo_huber(knee: float) -> Loss:
    """Huber's loss without the corner; convex, so it finds the basin from anywhere
    (Charbonnier et al. 1997; Hartley and Zisserman 2004, A6.8).
    """
    return Loss(
        lambda z: 2 * knee**2 * (np.sqrt(1 + (z / knee) ** 2) - 1),
        lambda z: 1 / np.sqrt(1 + (z / knee) ** 2),
    )


def cauchy(knee: float) -> Loss:
    """Grows like a logarithm: lets go of what is far off (Lorentzian; Black and Anandan 1996)."""
    return Loss(lambda z: knee**2 * np.log1p((z / knee) ** 2), lambda z: 1 / (1 + (z / knee) ** 2))


def truncated_square(knee: float) -> Loss:
    """Square up to the knee; beyond it the weight falls with the square of the distance."""
    return Loss(
        lambda z: np.where(np.abs(z) <= knee, z**2, knee**2 * (1 + 2 * np.log(np.abs(z) / knee))),
        lambda z: 1 / np.maximum(1.0, np.abs(z) / knee) ** 2,
    )


# --- sizes and scales ---------------------------------------------------------------


@dataclass(frozen=True)
class Size:
    """How large a residual of m numbers is, and the median of that for normal ones of unit sd.

    ``of`` takes residuals (n, m) to sizes (n, 1), or (n, m) where each number is for itself;
    m is 1, 2 or 3.
    """

    of: Callable[[Array], Array]
    median: Callable[[int], float]

    def sd(self, sizes: Array, m: int) -> float:
        """Standard deviation (of each of the m numbers) that explains the median size."""
        return float(median(sizes.ravel())) / self.median(m)


# By numbers that a residual has; as scipy 1.17 gives them, which a test compares.
# The square of the norm is chi-squared with m degrees of freedom:
# sqrt(2 gammaincinv(m / 2, 0.5)).
_MEDIAN_NORM = {1: 0.6744897501960812, 2: 1.1774100225154749, 3: 1.5381722544550522}
# All m are below x with probability (2 Phi(x) - 1)^m: ndtri((1 + 0.5 ** (1 / m)) / 2).
_MEDIAN_LARGEST = {1: 0.6744897501960817, 2: 1.051795860165225, 3: 1.2638065378499297}

NORM = Size(lambda r: np.sqrt((r * r).sum(axis=1, keepdims=True)), _MEDIAN_NORM.__getitem__)
"""Length of the residual. Median 0.674, 1.177, 1.538 sd for one, two, three numbers."""

LARGEST = Size(lambda r: np.abs(r).max(axis=1, keepdims=True), _MEDIAN_LARGEST.__getitem__)
"""Largest of the residual's numbers. Median 0.674, 1.052, 1.264 sd for one, two, three."""

EACH = Size(np.abs, lambda m: _MEDIAN_NORM[1])
"""Each number for itself. Median 0.674 sd."""


def half_central_spread(values: ArrayLike) -> float:
    """Robust standard deviation of (n,) values: half of the middle 68 %."""
    return half_central_spread_of_ordered(np.sort(np.asarray(values, float)))


def half_central_spread_of_ordered(ordered: ArrayLike) -> float:
    """The same of values in ascending order."""
    known = np.asarray(ordered, float)
    low, high = (quantile(known, share) for share in CENTRAL_68)
    return float(high - low) / 2


def median_sd(deviation: ArrayLike, axis: int | None = None) -> Array:
    """Standard deviation from the median absolute deviation, 1.4826 times it (Hampel 1974)."""
    size = np.abs(deviation)
    if axis is None:
        return median(size.ravel()) / _MEDIAN_NORM[1]
    return np.expand_dims(median(np.moveaxis(size, axis, -1)), axis) / _MEDIAN_NORM[1]


# --- fits ---------------------------------------------------------------------------

_SETTLED = 1e-12
"""Change of the weights beyond which another round tells nothing."""


@dataclass(frozen=True, eq=False)
class RobustFit:
    """A linear fit by reweighted least squares.

    ``coefficients`` (p, m); ``residual`` (n, m) in the target's units; ``weight``
    that the robust loss left, 1 where nothing is amiss: (n,), or (n, m) for `EACH`.
    """

    coefficients: Array
    residual: Array
    weight: Array


def reweighted_fit(
    design: Array,
    target: Array,
    loss: Loss,
    size: Size = NORM,
    *,
    base: ArrayLike = 1.0,
    unit: ArrayLike = 1.0,
    least_sd: float = 1e-9,
    known_sd: float | None = None,
    rounds: int = 4,
    ridge: float = 0.0,
) -> RobustFit:
    """Fit ``target ~ design @ coefficients``; rows that disagree lose weight.

    Parameters
    ----------
    design, target : (n, p), (n, m) arrays
    loss, size : Loss, Size
        What a residual costs, and how large the m residuals of a row are together.
    base : broadcast to (n,)
        Weight of each row's squares to begin with.
    unit : broadcast to (n, m)
        What residuals are divided by before they are compared.
    least_sd : float
        Floor of the scale, in those units.
    known_sd : float, optional
        The scale itself, where it is known and need not be estimated.
    ridge : float
        Added to the normal equations where columns may be alike.
    """
    n, m = target.shape
    to_unit = 1 / np.broadcast_to(np.asarray(unit, float), (n, m))
    given = np.broadcast_to(np.asarray(base, float), n)[:, None] * to_unit**2
    products = (design[:, :, None] * design[:, None, :]).reshape(n, -1)
    level = ridge * np.eye(design.shape[1])
    weight = np.ones((n, 1))
    for _ in range(rounds):
        coefficients = _solve(design, products, target, given * weight, level)
        residual = target - design @ coefficients
        sizes = size.of(residual * to_unit)
        sd = max(size.sd(sizes, m), least_sd) if known_sd is None else known_sd
        before, weight = weight, loss.weight(sizes / sd)
        if np.abs(weight - before).max() < _SETTLED:
            break
    return RobustFit(coefficients, residual, weight[:, 0] if weight.shape[1] == 1 else weight)


def _solve(design: Array, products: Array, target: Array, squares: Array, level: Array) -> Array:
    """Normal equations of all m columns at once; ``squares`` (n, m) weighs their squares,
    ``level`` (p, p) is added to them.
    """
    p = design.shape[1]
    gram = (squares.T @ products).reshape(-1, p, p) + level
    right = (squares * target).T @ design
    return np.asarray(np.linalg.solve(gram, right[..., None])[..., 0].T)


def parameters_spent(gram: Array, data_gram: Array) -> float:
    """Trace of the hat matrix: how many parameters a fit with priors took from the data.

    ``gram`` (p, p) is that of data and priors together, ``data_gram`` of the data alone
    (effective degrees of freedom: Hastie, Tibshirani and Friedman 2009, 7.6).
    """
    return float(np.trace(np.linalg.solve(gram, data_gram)))


def birge_ratio2(weight: Array, residual: Array, spent: float) -> float:
    """Squared Birge ratio, at least 1: by how much residuals in standard deviations scatter
    more than they should, given the parameters spent (Birge 1932).
    """
    return max(1.0, float(weight @ residual**2) / (len(residual) - spent))


# --- multivariate t -----------------------------------------------------------------


def t_log_density(distance2: Array, log_determinant: Array, tail: float, m: int = 3) -> Array:
    """Log density, up to a constant, of the multivariate t with ``tail`` degrees of freedom.

    ``distance2`` is the squared distance in units of the scale matrix, whose log
    determinant is given (Kotz and Nadarajah 2004). The scale matrix is not the
    covariance: that is ``tail / (tail - 2)`` times as large.
    """
    return np.asarray(-0.5 * ((tail + m) * np.log1p(distance2 / tail) + log_determinant))


def t_weight(distance2: Array, tail: float, m: int = 3) -> Array:
    """What a reweighted fit gives the square of a residual of m numbers under that t: the slope of
    the density's log by the squared distance, times -2 (Lange, Little and Taylor 1989).
    """
    return np.asarray((tail + m) / (tail + distance2))
