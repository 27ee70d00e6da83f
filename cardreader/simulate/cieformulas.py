"""What the simulator needs of CIE colour, worked out as colour-science does, to the last bit.

That library needs longer to import than most of what is simulated takes to draw, and each
process of a study imported it for these few formulas. Tests hold every one of them to the
library's own values, bit for bit. Its tables are those of `librarytables`.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from cardreader.simulate.librarytables import columns

Array = NDArray[np.float64]

D50_XY: Array = np.array([0.3457, 0.3585])
D65_XY: Array = np.array([0.3127, 0.3290])
SRGB_TO_XYZ: Array = np.array(
    [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]
)
"""Linear sRGB to XYZ under D65 (IEC 61966-2-1)."""

# B. Ottosson, "A perceptual color space for image processing", 2020.
_XYZ_TO_CONES = np.array(
    [
        [0.8189330101, 0.3618667424, -0.1288597137],
        [0.0329845436, 0.9293118715, 0.0361456387],
        [0.0482003018, 0.2643662691, 0.6338517070],
    ]
)
_ROOTS_TO_OKLAB = np.array(
    [
        [0.2104542553, 0.7936177850, -0.0040720468],
        [1.9779984951, -2.4285922050, 0.4505937099],
        [0.0259040371, 0.7827717662, -0.8086757660],
    ]
)
_CONES_TO_XYZ, _OKLAB_TO_ROOTS = np.linalg.inv(_XYZ_TO_CONES), np.linalg.inv(_ROOTS_TO_OKLAB)


def xyz_to_lab(xyz: ArrayLike, white_xy: Array = D65_XY) -> Array:
    """CIELAB (CIE 015:2018, 8.2.1) of XYZ values (..., 3), of the white's Y = 1."""
    t = np.asarray(xyz, float) / _white(white_xy)
    f = np.where(t > (24 / 116) ** 3, _power(t, 1 / 3), (841 / 108) * t + 16 / 116)
    x, y, z = f[..., 0], f[..., 1], f[..., 2]
    return np.stack([116 * y - 16, 500 * (x - y), 200 * (y - z)], axis=-1)


def lab_to_xyz(lab: ArrayLike, white_xy: Array = D65_XY) -> Array:
    """XYZ of CIELAB values (..., 3)."""
    lab, white = np.asarray(lab, float), _white(white_xy)
    y = (lab[..., 0] + 16) / 116
    f = np.stack([lab[..., 1] / 500 + y, y, y - lab[..., 2] / 200], axis=-1)
    dark = white * (f - 16 / 116) * (108 / 841)
    return np.asarray(np.where(f > 24 / 116, white * f**3, dark))


def xyz_to_oklab(xyz: ArrayLike) -> Array:
    """Oklab of XYZ values (..., 3) under D65."""
    return _times(_ROOTS_TO_OKLAB, _power(_times(_XYZ_TO_CONES, np.asarray(xyz, float)), 1 / 3))


def oklab_to_xyz(lab: ArrayLike) -> Array:
    """XYZ under D65 of Oklab values (..., 3)."""
    return _times(_CONES_TO_XYZ, _power(_times(_OKLAB_TO_ROOTS, np.asarray(lab, float)), 3.0))


def linear_of_srgb(encoded: ArrayLike) -> Array:
    """Linear values of encoded sRGB, any shape (IEC 61966-2-1)."""
    encoded = np.asarray(encoded, float)
    curve = _power((encoded + 0.055) / 1.055, 2.4)
    return np.asarray(np.where(encoded <= 0.0031308 * 12.92, encoded / 12.92, curve))


def srgb_of_linear(linear: ArrayLike) -> Array:
    """Encoded sRGB of linear values, any shape (IEC 61966-2-1)."""
    linear = np.asarray(linear, float)
    curve = 1.055 * _power(linear, 1 / 2.4) - 0.055
    return np.asarray(np.where(linear <= 0.0031308, linear * 12.92, curve))


def daylight(kelvin: float, wavelengths_nm: Array) -> Array:
    """Power of daylight of 4000 to 25000 K (CIE 015:2018, 4.1.2), not scaled, shape (n,)."""
    t, t2, t3 = kelvin, kelvin**2, kelvin**3
    if kelvin <= 7000:
        x = -4.607 * 10**9 / t3 + 2.9678 * 10**6 / t2 + 0.09911 * 10**3 / t + 0.244063
    else:
        x = -2.0064 * 10**9 / t3 + 1.9018 * 10**6 / t2 + 0.24748 * 10**3 / t + 0.23704
    y = -3.000 * x**2 + 2.870 * x - 0.275
    m = 0.0241 + 0.2562 * x - 0.7341 * y
    m1 = np.around((-1.3515 - 1.7703 * x + 5.9114 * y) / m, 3)
    m2 = np.around((0.0300 - 31.4424 * x + 30.0717 * y) / m, 3)
    nm, s0, s1, s2 = columns("cie_daylight", "nm", "S0", "S1", "S2").T
    return np.interp(wavelengths_nm, nm, s0 + m1 * s1 + m2 * s2)


def _white(xy: Array) -> Array:
    x, y = xy
    return np.array([x * (1 / y), 1.0, (1 - (x + y)) * (1 / y)])


def _power(value: Array, power: float) -> Array:
    """Of what is below 0, the power of its amount with its sign."""
    return np.asarray(np.sign(value) * np.abs(value) ** power)


def _times(matrix: Array, vectors: Array) -> Array:
    return np.asarray(np.matmul(matrix, vectors[..., None]).squeeze(-1))
