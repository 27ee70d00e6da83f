"""Many stored measurements read by one calibration at once.

The same distribution as `cardreader.estimate.estimate` gives one photo, for
arrays: fitting reads each pair some hundred times. A test holds the two equal.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from cardreader.calibration import Calibration

Array = NDArray[np.float64]
N_COLOUR = 9
LEAST_FACTOR, LARGEST_FACTOR = 0.02, 20.0
COLOUR_COLUMNS = (
    *("log_ratio_x", "log_ratio_y", "log_ratio_z"),
    *("cov_xx", "cov_xy", "cov_xz", "cov_yy", "cov_yz", "cov_zz"),
)
"""First columns of a feature row; the card's signature, if any, follows."""
_ROW, _COLUMN = np.triu_indices(3)


@dataclass(frozen=True, eq=False)
class Measured:
    """What the photos gave: log-ratios (n, 3), covariances (n, 3, 3), signatures (n, s)."""

    log_ratio: Array
    covariance: Array
    signature: Array

    def __len__(self) -> int:
        return len(self.log_ratio)


def pack(measured: Measured) -> Array:
    """Feature rows (n, 9 + s)."""
    return np.hstack(
        [measured.log_ratio, measured.covariance[:, _ROW, _COLUMN], measured.signature]
    )


def unpack(X: ArrayLike) -> Measured:
    """Feature rows (n, 9 + s) back to what they are made of."""
    rows = np.asarray(X, dtype=float)
    if rows.ndim != 2 or rows.shape[1] < N_COLOUR or not np.isfinite(rows).all():
        raise ValueError(f"X must be (n, {N_COLOUR} + s) and finite, got {rows.shape}")
    covariance = np.zeros((len(rows), 3, 3))
    covariance[:, _ROW, _COLUMN] = rows[:, 3:N_COLOUR]
    covariance[:, _COLUMN, _ROW] = rows[:, 3:N_COLOUR]
    return Measured(rows[:, :3], covariance, rows[:, N_COLOUR:])


@dataclass(frozen=True, eq=False)
class Distributions:
    """Distributions of haemoglobin, before conformal factor and volume scatter.

    Attributes
    ----------
    calibration : Calibration
    density : (n, g) array
        Rows sum to 1, on ``calibration.grid_g_dl``.
    distance2 : (n,) array
        Squared distance of each colour from the locus.
    """

    calibration: Calibration
    density: Array
    distance2: Array
    _below: Array = field(init=False, repr=False)

    def __post_init__(self) -> None:
        below = np.cumsum(self.density, axis=1) - self.density / 2
        object.__setattr__(self, "_below", below)

    def median(self) -> Array:
        """Median (n,) before volume scatter, g/dL."""
        return _quantiles(self.calibration.grid_g_dl, self._below, 0.5)

    def interval(
        self, factor: float | Array, volume_cv: float, coverage: float
    ) -> tuple[Array, Array]:
        """Central interval, (n,) low and (n,) high, after stretching and spreading, g/dL."""
        density = self.final(factor, volume_cv)
        below = np.cumsum(density, axis=1) - density / 2
        tail = (1 - coverage) / 2
        grid = self.calibration.grid_g_dl
        return _quantiles(grid, below, tail), _quantiles(grid, below, 1 - tail)

    def needed_factor(self, lab_g_dl: ArrayLike, volume_cv: float, coverage: float) -> Array:
        """Smallest stretching factor (n,) whose interval holds the laboratory value.

        This is the conformity score: intervals grow with the factor. Infinite
        where not even the widest that can be used holds it.
        """
        lab = np.asarray(lab_g_dl, dtype=float)
        low = np.full(lab.shape, LEAST_FACTOR)
        high = np.full(lab.shape, LARGEST_FACTOR)
        for _ in range(18):
            middle = np.sqrt(low * high)
            start, end = self.interval(middle, volume_cv, coverage)
            held = (start <= lab) & (lab <= end)
            high, low = np.where(held, middle, high), np.where(held, low, middle)
        return np.where(high < LARGEST_FACTOR * 0.99, high, np.inf)

    def final(self, factor: float | Array, volume_cv: float) -> Array:
        """Density (n, g) after stretching about the median and spreading by volume.

        ``factor`` is one number or one a row.
        """
        grid = self.calibration.grid_g_dl
        median = _quantiles(grid, self._below, 0.5)
        factors = np.broadcast_to(np.asarray(factor, dtype=float), median.shape)
        stretched = np.array(
            [
                np.interp(centre + (grid - centre) / own, grid, row)
                for centre, own, row in zip(median, factors, self.density, strict=True)
            ]
        ).reshape(self.density.shape)
        stretched /= stretched.sum(axis=1, keepdims=True)
        if volume_cv == 0.0:
            return stretched
        width = np.maximum(volume_cv * grid, 1e-3)
        kernel = np.exp(-0.5 * ((grid[:, None] - grid) / width) ** 2) / width
        out = stretched @ (kernel / kernel.sum(axis=0)).T
        return np.asarray(out / out.sum(axis=1, keepdims=True))


def _quantiles(grid: Array, below: Array, p: float) -> Array:
    return np.array([np.interp(p, row, grid) for row in below])


@dataclass(frozen=True, eq=False)
class Readings:
    """Readings of n photos as the reader gives them.

    ``hb_g_dl`` (n,), ``low_g_dl``, ``high_g_dl`` (n,) interval, ``sd_g_dl`` (n,),
    ``density`` (n, g) on ``grid_g_dl`` (g,), ``in_range`` (n,) whether the reader
    accepts value and colour.
    """

    hb_g_dl: Array
    low_g_dl: Array
    high_g_dl: Array
    sd_g_dl: Array
    grid_g_dl: Array
    density: Array
    in_range: NDArray[np.bool_]

    def p_below(self, threshold_g_dl: float) -> Array:
        """Probability (n,) that haemoglobin is below a threshold in g/dL."""
        below = np.cumsum(self.density, axis=1)
        return np.array([np.interp(threshold_g_dl, self.grid_g_dl, row) for row in below])


def distributions(measured: Measured, calibration: Calibration) -> Distributions:
    """Multivariate t density about the calibration's locus, per photo."""
    locus = _expected(measured.signature, calibration)
    covariance = calibration.grid_covariance[None] + measured.covariance[:, None]
    miss = measured.log_ratio[:, None] - locus
    distance2 = np.einsum("ngi,ngij,ngj->ng", miss, np.linalg.inv(covariance), miss)
    log = -0.5 * (calibration.tail + 3) * np.log1p(distance2 / calibration.tail)
    log -= 0.5 * np.linalg.slogdet(covariance)[1]
    density = np.exp(log - log.max(axis=1, keepdims=True))
    density /= density.sum(axis=1, keepdims=True)
    return Distributions(calibration, density, distance2.min(axis=1))


def _expected(signature: Array, calibration: Calibration) -> Array:
    """`Calibration.expected` for signatures (n, s): (n, g, 3)."""
    if not len(calibration.signature_mean):
        return np.broadcast_to(
            calibration.grid_locus, (len(signature), *calibration.grid_locus.shape)
        )
    return np.array([calibration.expected(row) for row in signature])


def read(measured: Measured, calibration: Calibration) -> Readings:
    """Read all photos with a finished calibration."""
    found = distributions(measured, calibration)
    grid = calibration.grid_g_dl
    density = found.final(calibration.conformal_scale, calibration.volume_cv)
    below = np.cumsum(density, axis=1) - density / 2
    tail = (1 - calibration.coverage) / 2
    hb = _quantiles(grid, below, 0.5)
    mean = density @ grid
    low, high = calibration.domain_g_dl
    return Readings(
        hb_g_dl=hb,
        low_g_dl=_quantiles(grid, below, tail),
        high_g_dl=_quantiles(grid, below, 1 - tail),
        sd_g_dl=np.sqrt(np.maximum(density @ grid**2 - mean**2, 0.0)),
        grid_g_dl=grid,
        density=density,
        in_range=(hb >= low) & (hb <= high) & (found.distance2 <= calibration.max_distance2),
    )
