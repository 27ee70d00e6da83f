"""Oklab of linear sRGB, and back: a space in which colour may be made paler without a turn of hue.

The matrices are B. Ottosson's ("A perceptual color space for image processing", 2020). They
stand here for the reason given in `cielab`; a test holds them against the library.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

_SRGB_TO_CONES = np.array(
    [
        [0.4122214708, 0.5363325363, 0.0514459929],
        [0.2119034982, 0.6806995451, 0.1073969566],
        [0.0883024619, 0.2817188376, 0.6299787005],
    ]
)
_ROOTS_TO_LAB = np.array(
    [
        [0.2104542553, 0.7936177850, -0.0040720468],
        [1.9779984951, -2.4285922050, 0.4505937099],
        [0.0259040371, 0.7827717662, -0.8086757660],
    ]
)
_CONES_TO_SRGB, _LAB_TO_ROOTS = np.linalg.inv(_SRGB_TO_CONES), np.linalg.inv(_ROOTS_TO_LAB)
_CHROMA = np.array([0.0, 1.0, 1.0])


def oklab(linear: ArrayLike) -> Array:
    """Oklab (n, 3) of linear sRGB (n, 3)."""
    return np.asarray(np.cbrt(np.asarray(linear, float) @ _SRGB_TO_CONES.T) @ _ROOTS_TO_LAB.T)


def chroma_scaled(linear: ArrayLike, factor: float) -> Array:
    """Linear sRGB (n, 3) with Oklab's chroma times a factor."""
    roots = _scaled(linear, factor) @ _LAB_TO_ROOTS.T
    return np.asarray(roots**3 @ _CONES_TO_SRGB.T)


def chroma_scaled_and_slope(linear: ArrayLike, factor: float) -> tuple[Array, Array]:
    """The same, and its derivative by the factor's log."""
    lab = _scaled(linear, factor)
    roots = lab @ _LAB_TO_ROOTS.T
    rise = 3 * roots**2 * ((lab * _CHROMA) @ _LAB_TO_ROOTS.T)
    return roots**3 @ _CONES_TO_SRGB.T, rise @ _CONES_TO_SRGB.T


def _scaled(linear: ArrayLike, factor: float) -> Array:
    return oklab(linear) * np.where(_CHROMA, factor, 1.0)
