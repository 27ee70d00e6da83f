"""Many stored measurements read by one calibration at once.

The same distribution as `cardreader.hb.estimate.estimate` gives one photo, for
arrays: fitting reads each pair some hundred times. A test holds the two equal.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from cardreader.hb.calibration import Calibration
from cardreader.hb.estimate import MAX_FADE, MAX_STRANGENESS, STRAY_WIDTH

Array = NDArray[np.float64]
N_COLOUR = 9
LEAST_FACTOR, LARGEST_FACTOR = 0.02, 20.0
MOST_AT_ONCE = 1000
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

    def rows(self, start: int, stop: int) -> Measured:
        """A run of photos."""
        cut = slice(start, stop)
        return Measured(self.log_ratio[cut], self.covariance[cut], self.signature[cut])


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
        factors = np.broadcast_to(np.asarray(factor, dtype=float), len(self.density))
        stretched = _stretched(grid, self.density, factors)
        strays = self.calibration.stray_share
        if strays:
            far = _stretched(grid, stretched, np.full(len(stretched), STRAY_WIDTH))
            stretched = (1 - strays) * stretched + strays * far
        if volume_cv == 0.0:
            return stretched
        width = np.maximum(volume_cv * grid, 1e-3)
        kernel = np.exp(-0.5 * ((grid[:, None] - grid) / width) ** 2) / width
        out = stretched @ (kernel / kernel.sum(axis=0)).T
        return np.asarray(out / out.sum(axis=1, keepdims=True))


def _stretched(grid: Array, density: Array, factors: Array) -> Array:
    """Each row (n, g) stretched about its own median by its own factor (n,)."""
    median = _quantiles(grid, np.cumsum(density, axis=1) - density / 2, 0.5)
    out = np.array(
        [
            np.interp(centre + (grid - centre) / own, grid, row)
            for centre, own, row in zip(median, factors, density, strict=True)
        ]
    ).reshape(density.shape)
    return np.asarray(out / out.sum(axis=1, keepdims=True))


def _quantiles(grid: Array, below: Array, p: float) -> Array:
    return np.array([np.interp(p, row, grid) for row in below])


@dataclass(frozen=True, eq=False)
class Readings:
    """Readings of n photos as the reader gives them.

    ``hb_g_dl`` (n,), ``low_g_dl``, ``high_g_dl`` (n,) interval, ``sd_g_dl`` (n,),
    ``density`` (n, g) on ``grid_g_dl`` (g,), ``in_range`` (n,) whether the reader
    accepts value, colour and card.
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
        below = np.cumsum(self.density, axis=1) - self.density / 2
        return np.array(
            [np.interp(threshold_g_dl, self.grid_g_dl, row, left=0.0, right=1.0) for row in below]
        )


def distributions(measured: Measured, calibration: Calibration) -> Distributions:
    """Multivariate t density about the calibration's locus, per photo."""
    if len(measured) > MOST_AT_ONCE:  # memory for a study of any size
        parts = [
            distributions(measured.rows(start, start + MOST_AT_ONCE), calibration)
            for start in range(0, len(measured), MOST_AT_ONCE)
        ]
        return Distributions(
            calibration,
            np.concatenate([part.density for part in parts]),
            np.concatenate([part.distance2 for part in parts]),
        )
    measured = beside_fresh_cards(measured, calibration)
    locus = calibration.grid_locus[None]
    if len(calibration.signature_mean):
        shift, slope = signature_terms(measured.signature, calibration)
        axis = signature_axis(calibration, calibration.grid_g_dl)
        locus = locus + shift[:, None] + axis[:, None] * slope[:, None]
    doubt = np.array([calibration.doubt(row) for row in measured.signature])[:, None, None, None]
    covariance = calibration.grid_covariance[None] * doubt**2 + measured.covariance[:, None]
    distance2, determinant = _distance2(covariance, measured.log_ratio[:, None] - locus)
    log = -0.5 * (calibration.tail + 3) * np.log1p(distance2 / calibration.tail)
    log -= 0.5 * np.log(determinant)
    density = np.exp(log - log.max(axis=1, keepdims=True))
    density /= density.sum(axis=1, keepdims=True)
    return Distributions(calibration, density, distance2.min(axis=1))


def beside_fresh_cards(measured: Measured, calibration: Calibration) -> Measured:
    """The measurements with what looks like bleached inks taken off, as the reader does."""
    if calibration.fading is None:
        return measured
    return Measured(
        *calibration.fading.undone(measured.log_ratio, measured.covariance, measured.signature)
    )


def signature_terms(signature: Array, calibration: Calibration) -> tuple[Array, Array]:
    """Shift (n, 3) and slope (n, 3) of the locus for signatures (n, s): shift + axis * slope."""
    z = (signature - calibration.signature_mean) / calibration.signature_sd
    z = np.clip(z, -calibration.signature_clip, calibration.signature_clip)
    return z @ calibration.signature_shift, z @ calibration.signature_slope


def signature_axis(calibration: Calibration, hb_g_dl: Array) -> Array:
    """How the slope term varies along the locus, at haemoglobin (n,)."""
    return np.interp(hb_g_dl, calibration.knots_hb_g_dl, calibration.signature_axis)


def without_signature(measured: Measured, hb_g_dl: Array, calibration: Calibration) -> Array:
    """Log-ratios (n, 3), beside fresh cards, less the shift that the signature explains at
    haemoglobin (n,).
    """
    if not len(calibration.signature_mean):
        return measured.log_ratio
    shift, slope = signature_terms(measured.signature, calibration)
    return measured.log_ratio - shift - signature_axis(calibration, hb_g_dl)[:, None] * slope


def _distance2(covariance: Array, miss: Array) -> tuple[Array, Array]:
    """``miss' covariance^-1 miss`` and the determinant, for (n, g, 3, 3) and (n, g, 3).

    By the adjugate: a hundred thousand matrices of 3 x 3 at a time are the whole
    cost of fitting, and the general routine takes them one by one.
    """
    a, b, c = covariance[..., 0, 0], covariance[..., 0, 1], covariance[..., 0, 2]
    d, e, f = covariance[..., 1, 1], covariance[..., 1, 2], covariance[..., 2, 2]
    aa, ab, ac = d * f - e * e, c * e - b * f, b * e - c * d
    bb, bc, cc = a * f - c * c, b * c - a * e, a * d - b * b
    determinant = a * aa + b * ab + c * ac
    x, y, z = miss[..., 0], miss[..., 1], miss[..., 2]
    squares = aa * x * x + bb * y * y + cc * z * z
    products = ab * x * y + ac * x * z + bc * y * z
    return (squares + 2 * products) / determinant, determinant


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
        in_range=(hb >= low)
        & (hb <= high)
        & (found.distance2 <= calibration.max_distance2)
        & _good_cards(measured.signature, calibration),
    )


def _good_cards(signature: Array, calibration: Calibration) -> NDArray[np.bool_]:
    """Cards (n,) neither faded nor strange, by their signatures (n, s)."""
    good = np.ones(len(signature), bool)
    if calibration.fading is not None:
        share = calibration.fading.seen(signature).share
        good &= share.max(axis=-1) <= MAX_FADE
        signature = signature - share @ calibration.fading.signature
    strangeness = np.array([calibration.strangeness(row) for row in signature])
    return np.asarray(good & (strangeness <= MAX_STRANGENESS), bool)
