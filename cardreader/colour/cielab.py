"""XYZ, CIELAB and CIEDE2000 under D50 for the 2 degree observer, perfect diffuser Y = 1.

The formulas are CIE 015:2018, 8.2. They are written out here because the library
that the project otherwise takes its colour science from needs longer to import
than a photo needs to be read ten times; tests hold them against it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]


def _xy_to_xyz(x: float, y: float) -> Array:
    return np.array([x / y, 1.0, (1.0 - x - y) / y])


D50_XY: Array = np.array([0.3457, 0.3585])
D50: Array = _xy_to_xyz(0.3457, 0.3585)
_D65: Array = _xy_to_xyz(0.3127, 0.3290)

# Rows give X, Y and Z of linear sRGB under D65 (IEC 61966-2-1).
_SRGB_TO_XYZ = np.array(
    [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]
)
_BRADFORD = np.array(
    [[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]]
)
_D50_TO_D65 = np.linalg.solve(
    _BRADFORD, np.diag((_BRADFORD @ _D65) / (_BRADFORD @ D50)) @ _BRADFORD
)

XYZ_TO_SRGB: Array = np.linalg.inv(_SRGB_TO_XYZ) @ _D50_TO_D65
"""XYZ under D50 to linear sRGB, white to white by the Bradford transform, shape (3, 3)."""

_LINEAR_BELOW = (24 / 116) ** 3
_SLOPE, _OFFSET = 841 / 108, 16 / 116


def xyz_to_lab(xyz: ArrayLike) -> Array:
    """CIELAB of XYZ values (..., 3)."""
    t = np.asarray(xyz, np.float64) / D50
    f = np.where(t > _LINEAR_BELOW, np.cbrt(t), _SLOPE * t + _OFFSET)
    x, y, z = f[..., 0], f[..., 1], f[..., 2]
    return np.stack([116 * y - 16, 500 * (x - y), 200 * (y - z)], axis=-1)


def lab_to_xyz(lab: ArrayLike) -> Array:
    """XYZ of CIELAB values (..., 3)."""
    lab = np.asarray(lab, np.float64)
    y = (lab[..., 0] + 16) / 116
    f = np.stack([y + lab[..., 1] / 500, y, y - lab[..., 2] / 200], axis=-1)
    return np.asarray(D50 * np.where(f > 24 / 116, f**3, (f - _OFFSET) / _SLOPE))


def encode_srgb(linear: ArrayLike) -> Array:
    """Encoded sRGB of linear sRGB, any shape (IEC 61966-2-1); not clipped."""
    linear = np.asarray(linear, np.float64)
    curve = 1.055 * np.maximum(linear, 0) ** (1 / 2.4) - 0.055
    return np.asarray(np.where(linear <= 0.0031308, 12.92 * linear, curve))


def lab_to_srgb(lab: ArrayLike) -> Array:
    """Encoded sRGB of CIELAB values (..., 3), white to white; not clipped."""
    return encode_srgb(lab_to_xyz(lab) @ XYZ_TO_SRGB.T)


def delta_e_2000(lab: ArrayLike, other_lab: ArrayLike) -> Array:
    """CIEDE2000 colour difference (...,) of CIELAB values (..., 3), all three factors 1.

    ISO/CIE 11664-6:2022. Where a colour has no hue, its hue angle counts for nothing.
    """
    one, other = np.broadcast_arrays(np.asarray(lab, float), np.asarray(other_lab, float))
    light, a, b = np.moveaxis(np.stack([one, other]), -1, 0)
    chroma7 = np.hypot(a, b).mean(axis=0) ** 7
    a = a * (1.5 - 0.5 * np.sqrt(chroma7 / (chroma7 + 25.0**7)))
    chroma, hue = np.hypot(a, b), np.arctan2(b, a) % (2 * np.pi)
    coloured = (chroma > 0).all(axis=0)
    turn = np.where(coloured, hue[1] - hue[0], 0.0)
    turn = turn - 2 * np.pi * np.round(turn / (2 * np.pi))
    # Of two hues more than half a turn apart the middle lies on the short way between.
    far = coloured & (np.abs(hue[1] - hue[0]) > np.pi)
    middle = np.where(coloured, hue.mean(axis=0) + np.pi * far, hue.sum(axis=0))
    off_light, off_chroma = light[1] - light[0], chroma[1] - chroma[0]
    off_hue = 2 * np.sqrt(chroma[0] * chroma[1]) * np.sin(turn / 2)
    light50, chroma = (light.mean(axis=0) - 50) ** 2, chroma.mean(axis=0)
    t = (
        1
        - 0.17 * np.cos(middle - np.radians(30))
        + 0.24 * np.cos(2 * middle)
        + 0.32 * np.cos(3 * middle + np.radians(6))
        - 0.20 * np.cos(4 * middle - np.radians(63))
    )
    by_light = off_light / (1 + 0.015 * light50 / np.sqrt(20 + light50))
    by_chroma = off_chroma / (1 + 0.045 * chroma)
    by_hue = off_hue / (1 + 0.015 * chroma * t)
    # In the blues, where a difference of chroma and one of hue look alike.
    blue = np.exp(-((((np.degrees(middle) % 360) - 275) / 25) ** 2))
    twist = np.sin(np.radians(60) * blue) * 2 * np.sqrt(chroma**7 / (chroma**7 + 25.0**7))
    squared = by_light**2 + by_chroma**2 + by_hue**2 - twist * by_chroma * by_hue
    return np.asarray(np.sqrt(np.maximum(squared, 0.0)))
