"""Lamps of our own making, for fitting: as many as one likes, none of them tabulated.

A calibration must see the variety of real light, but the lights in the CIE
tables are wanted for testing. So the fitting family draws its lamps here: black
bodies, daylight by the CIE D-series formula, phosphor LEDs, fluorescent tubes
of three kinds, and mixtures of two. The forms are standard. Constants of the tubes
span what the same forms give when fitted to tubes that were measured (colour-science's
light sources of NIST and the Rochester Institute of Technology, and CIE FL3.1 to FL3.6);
of the tables that tests read under none was looked at, though the trade's cool and warm
white are much alike whoever measures them. Constants of the other lamps are invented
within what such lamps do.
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
    kind = str(rng.choice(KINDS, p=_SHARES))
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


def _mercury(rng: np.random.Generator, strength: float) -> Array:
    """Mercury's lines, their mix as in measured tubes; ``strength`` is that at 435.8 nm."""
    weight = np.array([0.33, 1.0, 0.55, 0.11]) * np.exp(rng.normal(0, [0.2, 0.0, 0.12, 0.2]))
    lines = [share * _band(nm, 2.5) for share, nm in zip(weight, _MERCURY_NM, strict=True)]
    return strength * np.sum(lines, axis=0)


def _log_uniform(rng: np.random.Generator, low: float, high: float) -> float:
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def _halophosphate(rng: np.random.Generator) -> Array:
    """Antimony's blue band and manganese's yellow one, which has a shoulder towards red."""
    blue = _log_uniform(rng, 0.08, 1.4) * _band(rng.uniform(462, 492), rng.uniform(32, 55))
    yellow = _band(rng.uniform(570, 590), rng.uniform(24, 40))
    shoulder = rng.uniform(0, 0.8) * _band(rng.uniform(600, 625), rng.uniform(40, 60))
    bands = blue + yellow + shoulder
    strength = _log_uniform(rng, 1.2, 4.0) * (0.6 + 0.4 * bands.max())
    return _unit(bands + _mercury(rng, strength))


def _broad_band(rng: np.random.Generator) -> Array:
    """Tubes of better colour: broad blue-green and orange bands, and deep red."""
    blue = _log_uniform(rng, 0.3, 2.0) * _band(rng.uniform(482, 512), rng.uniform(42, 67))
    orange = _band(rng.uniform(596, 616), rng.uniform(36, 66))
    deep = rng.uniform(0, 1.3) * _band(rng.uniform(635, 675), rng.uniform(15, 60))
    return _unit(blue + orange + deep + _mercury(rng, _log_uniform(rng, 1.2, 5.0)))


def _three_band(rng: np.random.Generator) -> Array:
    """Rare earths: narrow bands with side lines; under half of them a coat of halophosphate."""
    blue = _log_uniform(rng, 0.03, 0.8) * _band(rng.uniform(446, 457), rng.uniform(13, 26))
    cyan = rng.uniform(0.1, 0.33) * _band(rng.uniform(486, 491), rng.uniform(4, 8))
    green = _log_uniform(rng, 0.7, 1.8) * _band(rng.uniform(542, 546), rng.uniform(3, 6))
    orange = rng.uniform(0.12, 0.4) * _band(rng.uniform(583, 590), rng.uniform(5, 11))
    red = _band(rng.uniform(609.5, 612.5), rng.uniform(2.3, 5.5))
    far = rng.uniform(0.08, 0.3) * _band(rng.uniform(622, 629), rng.uniform(4, 9))
    far += rng.uniform(0, 0.1) * _band(650, 4)
    far += rng.uniform(0.03, 0.17) * _band(rng.uniform(706, 711), rng.uniform(3, 6))
    under = np.zeros_like(red)
    if rng.random() < 0.5:
        yellow = _band(rng.uniform(570, 590), rng.uniform(30, 45))
        bluish = rng.uniform(0, 1) * _band(rng.uniform(475, 492), rng.uniform(38, 55))
        under = rng.uniform(0, 0.25) * (yellow + bluish)
    bands = blue + cyan + green + orange + red + far + under
    return _unit(bands + _mercury(rng, _log_uniform(rng, 0.25, 0.8)))


_DRAW = {
    "black body": _black_body,
    "daylight": _daylight,
    "LED": _led,
    "violet LED": _violet_led,
    "three-colour LED": _rgb_led,
    "halophosphate tube": _halophosphate,
    "broad-band tube": _broad_band,
    "three-band tube": _three_band,
}

KINDS = tuple(_DRAW)
_SHARES = (0.10, 0.17, 0.19, 0.06, 0.06, 0.18, 0.08, 0.16)
"""How often each is met: ours; no count of rooms' lamps stands behind it."""
