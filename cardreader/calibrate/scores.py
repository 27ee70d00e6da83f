"""Conformity scores: how far an interval must be stretched to hold the laboratory value."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from cardreader.hb.distribution import mass_below
from cardreader.hb.estimate import Estimates

Array = NDArray[np.float64]

LEAST_STRETCH_TRIED, LARGEST_STRETCH_TRIED = 0.02, 20.0
_HALVINGS = 18


def needed_factor(
    found: Estimates, lab_g_dl: ArrayLike, volume_cv: float, coverage: float
) -> Array:
    """Smallest stretching factor (n,) whose interval holds the laboratory value (n,).

    Intervals grow with the factor. Infinite where not even the widest that can be
    used holds it.
    """
    lab = np.asarray(lab_g_dl, dtype=float)
    low = np.full(lab.shape, LEAST_STRETCH_TRIED)
    high = np.full(lab.shape, LARGEST_STRETCH_TRIED)
    # The interval holds what neither tail holds: one probability, in place of both its ends.
    counts = mass_below(found.raw.grid_g_dl, lab, volume_cv)
    tail = (1 - coverage) / 2
    for _ in range(_HALVINGS):
        middle = np.sqrt(low * high)
        below = np.einsum("ng,ng->n", found.image(middle).density, counts)
        held = (tail <= below) & (below <= 1 - tail)
        high, low = np.where(held, middle, high), np.where(held, low, middle)
    return np.where(high < LARGEST_STRETCH_TRIED * 0.99, high, np.inf)
