"""The normal distribution, where Python's own error function will do."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray


def normal_cdf(z: ArrayLike) -> NDArray[np.float64]:
    """Chance (...) that a standard normal number lies below z (...)."""
    flat = [0.5 * math.erfc(-value / math.sqrt(2)) for value in np.ravel(z)]
    return np.reshape(np.array(flat, np.float64), np.shape(z))
