"""A distribution of haemoglobin, or of many women's at once, on one grid."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from cardreader.core.normal import normal_cdf

Array = NDArray[np.float64]

GRID_STEP_G_DL = 0.05


@dataclass(frozen=True, eq=False)
class HbDistribution:
    """Probability of haemoglobin in cells about the points of a grid.

    Attributes
    ----------
    grid_g_dl : (g,) array
        Increasing, g/dL. One point alone is an exact value.
    density : (..., g) array
        Mass of each cell; sums to 1 over the last axis.
    """

    grid_g_dl: Array
    density: Array

    @classmethod
    def of_log_density(cls, grid_g_dl: Array, log_density: Array) -> HbDistribution:
        """From log densities (..., g) known up to a constant each."""
        density = np.exp(log_density - log_density.max(axis=-1, keepdims=True))
        return cls._normalised(grid_g_dl, density)

    @classmethod
    def normal(cls, hb_g_dl: float, sd_g_dl: float) -> HbDistribution:
        """A value with a normal error; ``sd_g_dl`` 0 is exact. ValueError for a negative sd."""
        if sd_g_dl < 0:
            raise ValueError(f"sd of {sd_g_dl} g/dL is negative")
        if sd_g_dl == 0:
            return cls(np.array([hb_g_dl]), np.array([1.0]))
        half = 5 * sd_g_dl
        edges = np.linspace(hb_g_dl - half, hb_g_dl + half, 402)
        mass = np.diff(normal_cdf((edges - hb_g_dl) / sd_g_dl))
        return cls._normalised((edges[:-1] + edges[1:]) / 2, mass)

    @classmethod
    def _normalised(cls, grid_g_dl: Array, density: Array) -> HbDistribution:
        return cls(grid_g_dl, density / density.sum(axis=-1, keepdims=True))

    def __len__(self) -> int:
        return len(self.density)

    def __getitem__(
        self, rows: int | slice | NDArray[np.bool_] | NDArray[np.intp]
    ) -> HbDistribution:
        """Some of many distributions."""
        return HbDistribution(self.grid_g_dl, self.density[rows])

    @cached_property
    def _below(self) -> Array:
        # Mass sits in cells: half of a cell's lies below its middle.
        return np.asarray(np.cumsum(self.density, axis=-1) - self.density / 2)

    def quantile(self, p: float) -> Array:
        """Haemoglobin (...) below which lies a share p of the mass, g/dL."""
        flat = self._below.reshape(-1, len(self.grid_g_dl))
        found = [np.interp(p, row, self.grid_g_dl) for row in flat]
        return np.reshape(found, self.density.shape[:-1])

    @cached_property
    def median(self) -> Array:
        """Median (...), g/dL."""
        return self.quantile(0.5)

    @property
    def hb_g_dl(self) -> float:
        """Median of a single distribution, g/dL."""
        return float(self.median)

    @property
    def mean(self) -> Array:
        """Mean (...), g/dL."""
        return np.asarray(self.density @ self.grid_g_dl)

    @property
    def sd(self) -> Array:
        """Standard deviation (...), g/dL."""
        variance = self.density @ self.grid_g_dl**2 - self.mean**2
        return np.asarray(np.sqrt(np.maximum(variance, 0.0)))

    def interval(self, level: float) -> tuple[Array, Array]:
        """Central interval holding a share ``level``: lower and upper end (...), g/dL."""
        tail = (1 - level) / 2
        return self.quantile(tail), self.quantile(1 - tail)

    def p_below(self, threshold_g_dl: float) -> float:
        """Probability that a single distribution's haemoglobin is below a threshold in g/dL."""
        return float(self.all_below(threshold_g_dl))

    def all_below(self, threshold_g_dl: float) -> Array:
        """Probability (...) that haemoglobin is below a threshold in g/dL."""
        if len(self.grid_g_dl) == 1:  # an exact value is not below itself
            return np.where(self.grid_g_dl[0] < threshold_g_dl, 1.0, 0.0 * self.density[..., 0])
        flat = self._below.reshape(-1, len(self.grid_g_dl))
        found = [np.interp(threshold_g_dl, self.grid_g_dl, row, left=0, right=1) for row in flat]
        return np.reshape(found, self.density.shape[:-1])

    def stretched(self, factor: ArrayLike) -> HbDistribution:
        """Each distribution stretched about its median by its factor (...)."""
        return self.moved(self.median, self.median, factor)

    def moved(self, start: ArrayLike, end: ArrayLike, factor: ArrayLike = 1.0) -> HbDistribution:
        """With what lay at ``start`` (...) put at ``end`` (...), stretched by a factor (...)."""
        shape, grid = self.density.shape[:-1], self.grid_g_dl
        from_, to, by = (np.broadcast_to(np.asarray(v, float), shape) for v in (start, end, factor))
        rows = self.density.reshape(-1, len(grid))
        out = [
            np.interp(a + (grid - b) / f, grid, row)
            for a, b, f, row in zip(from_.ravel(), to.ravel(), by.ravel(), rows, strict=True)
        ]
        return self._normalised(grid, np.reshape(out, self.density.shape))

    def mixed(self, share: float, other: HbDistribution) -> HbDistribution:
        """A share of another on the same grid mixed in."""
        return HbDistribution(self.grid_g_dl, (1 - share) * self.density + share * other.density)

    def spread_in_proportion(self, cv: float) -> HbDistribution:
        """Spread by normal scatter of standard deviation cv * Hb."""
        if cv == 0:
            return self
        kernel = _proportional_kernel(self.grid_g_dl.tobytes(), float(cv))
        return self._normalised(self.grid_g_dl, self.density @ kernel.T)


def mass_below(grid_g_dl: Array, hb_g_dl: Array, cv: float) -> Array:
    """What the mass of each cell of a grid (g,) counts for below haemoglobin (n,), (n, g).

    Once it is spread in proportion: the same as to spread distributions and to ask how much of
    them lies below, of which the spreading is the most work.
    """
    at = np.interp(hb_g_dl, grid_g_dl, np.arange(len(grid_g_dl)), left=-1.0, right=len(grid_g_dl))
    # Of the cell's middle half its mass is below, of the next cell's middle all of it.
    cells = np.arange(len(grid_g_dl))
    whole, part = np.floor(at)[:, None], (at % 1)[:, None]
    counts = np.where(cells < whole, 1.0, 0.0)
    counts += np.where(cells == whole, (1 + part) / 2, 0.0)
    counts += np.where(cells == whole + 1, part / 2, 0.0)
    return counts if cv == 0 else counts @ _proportional_kernel(grid_g_dl.tobytes(), float(cv))


@lru_cache(maxsize=16)
def _proportional_kernel(grid: bytes, cv: float) -> Array:
    """Where the scatter takes the mass of each grid point, (g, g); columns add up to 1.

    Kept: it is the same for all readings under one calibration.
    """
    at = np.frombuffer(grid)
    width = np.maximum(cv * at, 1e-3)
    kernel = np.exp(-0.5 * ((at[:, None] - at) / width) ** 2) / width
    return np.asarray(kernel / kernel.sum(axis=0))
