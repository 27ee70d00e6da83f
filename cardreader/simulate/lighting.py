"""Light that falls unevenly: the edge of a shadow, and reflections of a lamp."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from cardreader.simulate.view import ShadowEdge, Spot

Array = NDArray[np.float64]


def shadow_factor(edge: ShadowEdge, at_mm: Array) -> Array:
    """Share of the light left at card positions (..., 2) in mm, shape (...)."""
    a = np.radians(edge.angle_deg)
    into = (at_mm[..., 0] - edge.x_mm) * np.cos(a) + (at_mm[..., 1] - edge.y_mm) * np.sin(a)
    turn = np.clip(4 * into / max(edge.softness_mm, 1e-3), -30, 30)
    return np.asarray(1 - edge.depth / (1 + np.exp(-turn)))


def reflection(spot: Spot, at_mm: Array) -> Array:
    """Reflected light at card positions (..., 2) in mm, in shares of the stock, shape (...)."""
    square = ((at_mm - (spot.x_mm, spot.y_mm)) ** 2).sum(axis=-1) / spot.size_mm**2
    return np.asarray(spot.strength * np.exp(-0.5 * np.minimum(square, 60)))
