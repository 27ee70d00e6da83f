"""Linear RGB of the patches -> Twins: the two prints of every shade compared.

Shades are printed in pairs mirrored about the bay. Even light, and light that
falls off smoothly, makes the two differ by a gradient alone; whatever else lies
on one of them (dirt, a drop, a reflection, a shadow) shows in what is left.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cardreader.card import layout

Array = NDArray[np.float64]

_FLOOR = 0.005
"""Added before taking logarithms, so that noise near black counts for little."""

_AT_MM = np.array([(cell.x_mm, cell.y_mm) for cell in layout.cells()])
_APART = (_AT_MM[0::2] - _AT_MM[1::2]) / layout.WIDTH_MM
_PRODUCTS = (_APART[:, :, None] * _APART[:, None, :]).reshape(-1, 4)
_ROUNDS = 30


@dataclass(frozen=True)
class Twins:
    """Differences between the prints of each shade, ln(first / second) of linear RGB.

    Attributes
    ----------
    log_ratio : (36, 3) array
        Less the gradient of light.
    gradient : (36, 3) array
        What the gradient makes of it.
    """

    log_ratio: Array
    gradient: Array


def compare_twins(linear: Array) -> Twins:
    """Compare the prints of each shade, from linear RGB (72, 3) in the order of the layout."""
    ratio = np.log((linear[0::2] + _FLOOR) / (linear[1::2] + _FLOOR))
    left = _less_gradient(ratio)
    return Twins(left, ratio - left)


def _less_gradient(ratio: Array) -> Array:
    """Differences (36, 3) less the best plane of each channel.

    Least absolute values, so that outliers stay out; the two slopes of a plane
    come from their normal equations, all channels at once.
    """
    weight = np.ones_like(ratio)
    left = ratio
    for _ in range(_ROUNDS):
        moments = (weight.T @ _PRODUCTS).reshape(-1, 2, 2)
        slopes = np.linalg.solve(moments, ((weight * ratio).T @ _APART)[..., None])[..., 0]
        left = ratio - _APART @ slopes.T
        weight = 1 / np.maximum(np.abs(left), 0.02)
    return np.asarray(left, np.float64)
