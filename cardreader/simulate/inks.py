"""What a printer puts on the card: four transparent inks on matt stock.

Absorbance adds (Beer-Lambert on the double pass), the surface reflects a
little. The dyes' curves are invented, smooth and plausible; none is a measured
product. Because they are not haemoglobin, a ramp shade matches a blot under
D50 and no further: the pair is metameric, as on a real card.
"""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import least_squares

from cardreader.card.layout import NEUTRAL_L, RAMP_HB_G_DL
from cardreader.simulate.blood import SURFACE, WAVELENGTHS_NM, blot_reflectance
from cardreader.simulate.colorimetry import lab

CHROMATIC_LAB = (
    (38.0, 48.0, 30.0),
    (58.0, 46.0, 40.0),
    (72.0, 24.0, 14.0),
    (66.0, 34.0, 58.0),
    (82.0, 8.0, 62.0),
    (48.0, 26.0, 18.0),
    (34.0, 20.0, 12.0),
    (50.0, 44.0, -8.0),
    (44.0, 18.0, -34.0),
    (56.0, -18.0, -28.0),
    (58.0, -34.0, 20.0),
    (74.0, 2.0, 26.0),
)
"""CIELAB (D50) asked of the chromatic patches: most near blood, some to span the gamut."""


def stock_reflectance() -> NDArray[np.float64]:
    """Unprinted matt card, shape (n,)."""
    return 0.90 - 0.04 / (1 + np.exp((WAVELENGTHS_NM - 430) / 15))


@cache
def _dyes() -> NDArray[np.float64]:
    w = WAVELENGTHS_NM

    def bump(peak: float, width: float) -> NDArray[np.float64]:
        return np.exp(-0.5 * ((w - peak) / width) ** 2)

    cyan = bump(640, 55) + 0.12 * bump(450, 40) + 0.10 * bump(560, 40)
    magenta = bump(548, 36) + 0.25 * bump(515, 25) + 0.18 * bump(420, 40)
    yellow = bump(430, 38) + 0.35 * bump(465, 22)
    black = 1.0 - 0.06 * (w - 550) / 180
    return np.stack([cyan, magenta, yellow, black])


def print_reflectance(ink: ArrayLike) -> NDArray[np.float64]:
    """Reflectance, shape (..., n), of amounts of cyan, magenta, yellow, black (..., 4)."""
    absorbance = np.asarray(ink, float) @ _dyes()
    return SURFACE + (stock_reflectance() - SURFACE) * 10.0**-absorbance


def _solve(target_lab: ArrayLike) -> NDArray[np.float64]:
    target = np.asarray(target_lab, float)

    def miss(cmy: NDArray[np.float64]) -> NDArray[np.float64]:
        return lab(print_reflectance([*cmy, 0.0])) - target

    cmy = least_squares(miss, [0.2, 0.5, 0.5], bounds=(0, 3)).x
    return np.array([*cmy, 0.0])


def _solve_neutral(lightness: float) -> NDArray[np.float64]:
    # Black ink alone: a grey mixed from colours would change with the lamp.
    def miss(k: NDArray[np.float64]) -> NDArray[np.float64]:
        return lab(print_reflectance([0.0, 0.0, 0.0, k[0]]))[:1] - lightness

    return np.array([0.0, 0.0, 0.0, least_squares(miss, [0.3], bounds=(0, 3)).x[0]])


@cache
def recipe() -> NDArray[np.float64]:
    """Ink asked for each patch, shape (72, 4), in the order of `layout.cells`."""
    neutral = [_solve_neutral(lightness) for lightness in NEUTRAL_L]
    ramp = [_solve(lab(blot_reflectance(hb))) for hb in RAMP_HB_G_DL]
    chromatic = [_solve(target) for target in CHROMATIC_LAB]
    shades = [*neutral, *neutral, *ramp, *chromatic]
    return np.repeat(np.array(shades), 2, axis=0)
