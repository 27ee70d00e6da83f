"""The blood locus while it is being fitted: falling curve through knots, and its inverse.

A blot's colour is ``x = ln(XYZ_blot / XYZ_paper)``, shape (3,). As haemoglobin
rises the blot darkens, so every component falls.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.interpolate import PchipInterpolator

GRID_G_DL = 0.05
FLOOR_VARIANCE = 1e-8
"""Added to covariances so that a noise-free simulation can be inverted."""
MARGIN_G_DL = 3.0
"""How far the curve goes on, straight, beyond the laboratory values it was fitted to.

The reader must see that a colour lies beyond the range, and by how much.
"""
LOWEST_G_DL = 0.5


@dataclass(frozen=True, eq=False)
class Locus:
    """Monotone curve through knots, straight beyond its ends.

    Attributes
    ----------
    knots_g_dl : (k,) array
        Rising, k >= 2.
    log_ratio : (k, 3) array
        Each column falls or stays.
    """

    knots_g_dl: NDArray[np.float64]
    log_ratio: NDArray[np.float64]

    def __post_init__(self) -> None:
        knots = np.asarray(self.knots_g_dl, dtype=float)
        points = np.asarray(self.log_ratio, dtype=float)
        if knots.ndim != 1 or knots.size < 2 or points.shape != (knots.size, 3):
            raise ValueError("a locus has knots (k,) and log_ratio (k, 3), k >= 2")
        if not (np.isfinite(knots).all() and np.isfinite(points).all()):
            raise ValueError("a locus must be finite")
        if (np.diff(knots) <= 0).any():
            raise ValueError("knots_g_dl must rise")
        if (np.diff(points, axis=0) > 1e-12).any() or not (points[-1] < points[0]).any():
            raise ValueError("log_ratio must fall as haemoglobin rises")
        object.__setattr__(self, "knots_g_dl", knots)
        object.__setattr__(self, "log_ratio", points)

    @cached_property
    def _curve(self) -> PchipInterpolator:
        return PchipInterpolator(self.knots_g_dl, self.log_ratio, axis=0)

    @cached_property
    def _slope(self) -> PchipInterpolator:
        return self._curve.derivative()

    @cached_property
    def _end_slopes(self) -> NDArray[np.float64]:
        # Over the outermost two intervals: the cubic's own end slope is too lively to follow.
        k, x = self.knots_g_dl, self.log_ratio
        step = min(2, len(k) - 1)
        first, last = (
            (x[step] - x[0]) / (k[step] - k[0]),
            (x[-1] - x[-1 - step]) / (k[-1] - k[-1 - step]),
        )
        return np.array([first, last])

    def at(self, hb_g_dl: ArrayLike) -> NDArray[np.float64]:
        """Log-ratio at haemoglobin (n,) -> (n, 3); straight beyond the knots."""
        hb = np.asarray(hb_g_dl, dtype=float)
        inside = np.clip(hb, self.knots_g_dl[0], self.knots_g_dl[-1])
        beyond = (hb - inside)[..., None]
        return self._curve(inside) + np.where(beyond < 0, *self._end_slopes[:, None]) * beyond

    def slope(self, hb_g_dl: ArrayLike) -> NDArray[np.float64]:
        """Change of the log-ratio per g/dL at (n,) -> (n, 3)."""
        hb = np.asarray(hb_g_dl, dtype=float)
        low, high = self.knots_g_dl[[0, -1]]
        inside = np.asarray(self._slope(np.clip(hb, low, high)))
        below, above = (hb < low)[..., None], (hb > high)[..., None]
        return np.where(below, self._end_slopes[0], np.where(above, self._end_slopes[1], inside))

    def extended(self, low_g_dl: float, high_g_dl: float, step_g_dl: float = 0.5) -> Locus:
        """The same curve on even knots over a wider range."""
        n = max(2, int(np.ceil((high_g_dl - low_g_dl) / step_g_dl)) + 1)
        knots = np.linspace(low_g_dl, high_g_dl, n)
        # Rounding must not let a flat part rise.
        return Locus(knots, np.minimum.accumulate(self.at(knots), axis=0))

    def nearest(
        self, log_ratio: ArrayLike, covariance: ArrayLike
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Haemoglobin of the nearest point of the curve, and its standard uncertainty.

        Parameters
        ----------
        log_ratio : (n, 3) array_like
        covariance : (n, 3, 3) array_like
            Metric of "nearest"; what it holds is what the uncertainty holds.

        Returns
        -------
        hb_g_dl, sd_g_dl : (n,) arrays
        """
        x = np.atleast_2d(np.asarray(log_ratio, dtype=float))
        sigma = np.asarray(covariance, dtype=float) + FLOOR_VARIANCE * np.eye(3)
        weight = np.linalg.inv(sigma)
        low = max(LOWEST_G_DL, self.knots_g_dl[0] - MARGIN_G_DL)
        grid = np.arange(low, self.knots_g_dl[-1] + MARGIN_G_DL, GRID_G_DL)
        points = self.at(grid)
        outer = (points[:, :, None] * points[:, None, :]).reshape(len(grid), 9)
        # |x - m|^2 in the metric W, up to the part that does not depend on the grid.
        distance = weight.reshape(-1, 9) @ outer.T
        distance -= 2 * np.einsum("ni,nij->nj", x, weight) @ points.T
        hb = grid[np.argmin(distance, axis=1)]
        slope = self.slope(hb)
        pull = np.einsum("ni,nij->nj", slope, weight)
        gain = np.maximum(np.einsum("nj,nj->n", pull, slope), 1e-12)
        step = np.einsum("nj,nj->n", pull, x - self.at(hb)) / gain
        hb = np.clip(hb + np.clip(step, -GRID_G_DL, GRID_G_DL), low, grid[-1])
        return hb, 1 / np.sqrt(gain)
