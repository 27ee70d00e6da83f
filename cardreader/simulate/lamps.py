"""Lamps of our own making, for fitting: as many as one likes, none of them tabulated.

A calibration must see the variety of real light, but the lights in the CIE
tables are wanted for testing. So the fitting family draws its lamps here: black
bodies, daylight by the CIE D-series formula, phosphor LEDs, fluorescent tubes
of both kinds, and mixtures of two. The forms are standard, their constants
invented within what such lamps do.
"""

from __future__ import annotations

import colour
import numpy as np
from numpy.typing import NDArray

from cardreader.simulate.blood import WAVELENGTHS_NM

Array = NDArray[np.float64]
_MERCURY_NM = (404.7, 435.8, 546.1, 578.0)


def draw_lamp(rng: np.random.Generator) -> tuple[str, Array]:
    """Draw a lamp: its kind and its relative spectral power, shape (n,), mean 1."""
    kind = str(rng.choice(KINDS, p=(0.10, 0.18, 0.20, 0.07, 0.07, 0.24, 0.14)))
    power = _DRAW[kind](rng)
    if rng.random() < 0.25:
        other = str(rng.choice(KINDS))
        share = rng.uniform(0.1, 0.5)
        power = (1 - share) * power + share * _DRAW[other](rng)
        kind = "mixed"
    return kind, power / power.mean()


def _unit(power: Array) -> Array:
    return power / power.mean()


def _band(peak_nm: float, width_nm: float) -> Array:
    return np.exp(-0.5 * ((WAVELENGTHS_NM - peak_nm) / width_nm) ** 2)


def _black_body(rng: np.random.Generator) -> Array:
    second_radiation_constant_nm_k = 1.4388e7
    x = second_radiation_constant_nm_k / (WAVELENGTHS_NM * rng.uniform(2500, 3300))
    return _unit(WAVELENGTHS_NM**-5.0 / np.expm1(x))


def _daylight(rng: np.random.Generator) -> Array:
    xy = colour.temperature.CCT_to_xy_CIE_D(rng.uniform(4200, 9000))
    series = colour.sd_CIE_illuminant_D_series(xy)
    return _unit(np.interp(WAVELENGTHS_NM, series.wavelengths, series.values))


def _led(rng: np.random.Generator) -> Array:
    blue = _band(rng.uniform(440, 465), rng.uniform(7, 12))
    peak, width = rng.uniform(545, 605), rng.uniform(38, 62)
    phosphor = _band(peak, width) + rng.uniform(0, 0.6) * _band(
        rng.uniform(610, 640), rng.uniform(20, 45)
    )
    return _unit(phosphor + rng.uniform(0.25, 1.6) * blue)


def _violet_led(rng: np.random.Generator) -> Array:
    pump = rng.uniform(0.2, 1.5) * _band(rng.uniform(405, 425), rng.uniform(6, 11))
    blue = rng.uniform(0.5, 1.1) * _band(rng.uniform(455, 475), rng.uniform(14, 24))
    green = _band(rng.uniform(520, 560), rng.uniform(30, 50))
    red = rng.uniform(0.6, 1.6) * _band(rng.uniform(600, 650), rng.uniform(30, 50))
    return _unit(pump + blue + green + red)


def _rgb_led(rng: np.random.Generator) -> Array:
    blue = rng.uniform(0.4, 1.4) * _band(rng.uniform(450, 472), rng.uniform(8, 13))
    green = rng.uniform(0.5, 1.3) * _band(rng.uniform(515, 540), rng.uniform(12, 20))
    return _unit(blue + green + _band(rng.uniform(620, 640), rng.uniform(7, 11)))


def _mercury(rng: np.random.Generator) -> Array:
    lines = sum(
        weight * _band(nm, 2.5)
        for nm, weight in zip(_MERCURY_NM, (0.35, 1.0, 0.55, 0.15), strict=True)
    )
    return np.asarray(lines * rng.uniform(0.6, 1.8))


def _halophosphate(rng: np.random.Generator) -> Array:
    blue = rng.uniform(0.05, 1.1) * _band(rng.uniform(475, 492), rng.uniform(38, 55))
    yellow = _band(rng.uniform(574, 592), rng.uniform(32, 44))
    deep = max(rng.uniform(-0.4, 0.4), 0) * _band(rng.uniform(620, 660), rng.uniform(25, 45))
    return _unit(blue + yellow + deep + _mercury(rng))


def _three_band(rng: np.random.Generator) -> Array:
    blue = rng.uniform(0.1, 0.7) * _band(rng.uniform(448, 456), rng.uniform(18, 26))
    cyan = rng.uniform(0.1, 0.35) * _band(rng.uniform(486, 492), rng.uniform(6, 11))
    green = rng.uniform(0.9, 1.5) * _band(rng.uniform(542, 546), rng.uniform(4, 8))
    orange = rng.uniform(0.2, 0.4) * _band(rng.uniform(582, 592), rng.uniform(8, 14))
    red = _band(rng.uniform(609, 613), rng.uniform(4, 8))
    return _unit(blue + cyan + green + orange + red + 0.5 * _mercury(rng))


_DRAW = {
    "black body": _black_body,
    "daylight": _daylight,
    "LED": _led,
    "violet LED": _violet_led,
    "three-colour LED": _rgb_led,
    "halophosphate tube": _halophosphate,
    "three-band tube": _three_band,
}

KINDS = tuple(_DRAW)
