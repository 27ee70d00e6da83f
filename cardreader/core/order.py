"""Medians and quantiles of values put in order: as NumPy gives them, at a part of its price.

NumPy's own find their way through axes, methods and missing numbers first, which for rows of a
few dozen numbers takes longer than the rest. Tests hold these to them: to the last digit, but
for a rounding of quantiles in single precision.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[Any]


def median(values: Array) -> Array:
    """Median along the last axis of values (..., n) without NaN."""
    n = values.shape[-1]
    ordered = np.sort(values, axis=-1)
    if n % 2:
        return np.asarray(ordered[..., n // 2])
    return np.asarray((ordered[..., n // 2 - 1] + ordered[..., n // 2]) / 2)


def quantile(ordered: Array, share: float) -> Array:
    """Quantile along the last axis of values (..., n) in ascending order, between neighbours
    in proportion (Hyndman and Fan 1996, definition 7) and in the values' own precision.
    """
    n = ordered.shape[-1]
    at = (n - 1) * share
    first = int(at)
    below, above = ordered[..., first], ordered[..., min(first + 1, n - 1)]
    part = ordered.dtype.type(at - first)
    # From the nearer of the two, so that both ends come out exactly.
    if part < 0.5:
        return np.asarray(below + (above - below) * part)
    return np.asarray(above - (above - below) * (1 - part))
