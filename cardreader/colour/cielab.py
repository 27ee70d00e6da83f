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
    """CIEDE2000 colour difference (...,) of CIELAB values (..., 3)."""
    from skimage.color import deltaE_ciede2000  # only where colours are judged

    one, other = np.asarray(lab), np.asarray(other_lab)
    return np.asarray(deltaE_ciede2000(one, other), np.float64)  # type: ignore[no-untyped-call]
