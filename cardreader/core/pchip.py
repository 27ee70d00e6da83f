"""A monotone curve through points: piecewise cubic Hermite, shape-preserving (PCHIP).

The slope at a point is the weighted harmonic mean of its neighbours' (Fritsch and Butland
1984), at the ends a one-sided estimate that keeps the shape (Moler 2004). Tests hold it to
scipy's, whose import takes longer than all else that a reading imports.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]


def pchip(x: ArrayLike, y: ArrayLike, at: ArrayLike) -> Array:
    """Values (k, m) at ``at`` (k,) of the curves through y (n, m) over increasing x (n,).

    Two points or more; beyond the ends the outermost cubics go on.
    """
    x, y, at = (np.asarray(a, np.float64) for a in (x, y, at))
    width = np.diff(x)[:, None]
    rise = np.diff(y, axis=0) / width
    slope = _slopes(width, rise)
    bend = (slope[:-1] + slope[1:] - 2 * rise) / width
    cell = np.clip(np.searchsorted(x, at, side="right") - 1, 0, len(x) - 2)
    s = (at - x[cell])[:, None]
    second = (rise - slope[:-1]) / width - bend
    third = bend / width
    return np.asarray(
        y[cell] + slope[cell] * s + second[cell] * (s * s) + third[cell] * (s * s * s)
    )


def _slopes(width: Array, rise: Array) -> Array:
    """Slope (n, m) at each point of cells that are ``width`` (n - 1, 1) and rise so steeply."""
    if len(rise) == 1:
        return np.repeat(rise, 2, axis=0)
    before, after = 2 * width[1:] + width[:-1], width[1:] + 2 * width[:-1]
    turns = np.sign(rise[1:]) * np.sign(rise[:-1]) <= 0  # a peak, a dip or a level stretch
    with np.errstate(divide="ignore", invalid="ignore"):
        inner = 1 / ((before / rise[:-1] + after / rise[1:]) / (before + after))
    first = _end(width[0], width[1], rise[0], rise[1])
    last = _end(width[-1], width[-2], rise[-1], rise[-2])
    return np.vstack([first, np.where(turns, 0.0, inner), last])


def _end(width: Array, next_width: Array, rise: Array, next_rise: Array) -> Array:
    slope = ((2 * width + next_width) * rise - width * next_rise) / (width + next_width)
    overshoots = (np.sign(rise) != np.sign(next_rise)) & (np.abs(slope) > 3 * np.abs(rise))
    slope = np.where(overshoots, 3 * rise, slope)
    return np.where(np.sign(slope) != np.sign(rise), 0.0, slope)
