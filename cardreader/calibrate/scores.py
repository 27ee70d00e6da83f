"""Conformity scores: how far an interval must be stretched to hold the laboratory value."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from cardreader.hb.estimate import Estimates

Array = NDArray[np.float64]

LEAST_FACTOR, LARGEST_FACTOR = 0.02, 20.0
_HALVINGS = 18


def needed_factor(
    found: Estimates, lab_g_dl: ArrayLike, volume_cv: float, coverage: float
) -> Array:
    """Smallest stretching factor (n,) whose interval holds the laboratory value (n,).

    Intervals grow with the factor. Infinite where not even the widest that can be
    used holds it.
    """
    lab = np.asarray(lab_g_dl, dtype=float)
    low = np.full(lab.shape, LEAST_FACTOR)
    high = np.full(lab.shape, LARGEST_FACTOR)
    for _ in range(_HALVINGS):
        middle = np.sqrt(low * high)
        start, end = found.final(middle, volume_cv).interval(coverage)
        held = (start <= lab) & (lab <= end)
        high, low = np.where(held, middle, high), np.where(held, low, middle)
    return np.where(high < LARGEST_FACTOR * 0.99, high, np.inf)
