"""Cameras: spectral sensitivities, the phone's colour matrix, tone curve and rendering.

No openly licensed set of measured phone sensitivities is at hand, so phones are
synthetic: smooth curves with the overlap and the infrared cut of real sensors.
Two families differ in functional form, so that a calibration made on one can be
tried on cameras of another build; the measured Bayer-type camera that colour-science
ships joins the second family.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from functools import cache

import colour
import numpy as np
from numpy.typing import NDArray

from cardreader.simulate.blood import WAVELENGTHS_NM
from cardreader.simulate.colorimetry import xyz
from cardreader.simulate.inks import print_reflectance
from cardreader.simulate.localtone import LocalTone, draw_by_fusing, draw_by_power
from cardreader.simulate.rendering import Rendering, draw_about_grey, draw_otherwise

Array = NDArray[np.float64]


class Family(StrEnum):
    """Which build of cameras to draw from."""

    FITTING = "fitting"
    HELD_OUT = "held_out"


@dataclass(frozen=True)
class Camera:
    """One camera and its processing.

    Attributes
    ----------
    name : str
        For grouping in tables.
    sensitivity : (n, 3) array
        Spectral response of red, green and blue pixels.
    saturation : float
        Strength of colour the maker prefers; 1 is faithful.
    matrix_error : (3, 3) array
        What is added to the ideal colour matrix; rows sum to 0, so greys stay grey.
    tone : callable
        Linear 0..1 to encoded 0..1, monotone, same shape in and out.
    rendering : callable, optional
        What is done to colour after the tone curve; None for a plain phone.
    local : LocalTone, optional
        What is done to brightness by what lies around it; None for a phone that looks at
        each place alone.
    """

    name: str
    sensitivity: Array
    saturation: float
    matrix_error: Array
    tone: Callable[[Array], Array]
    rendering: Rendering | None = None
    local: LocalTone | None = None

    def encode(self, linear: Array, about: Array | None = None) -> Array:
        """Display-linear 0..1 to the encoded values of the file, (..., 3).

        ``about`` (...) is the luma round each place, after the tone curve; None where the
        phone looks at each place alone.
        """
        return self.after_tone(self.tone(linear), about)

    def after_tone(self, encoded: Array, about: Array | None) -> Array:
        """What is done to encoded values (..., 3) once the tone curve has made them."""
        if self.local is not None and about is not None:
            encoded = self.local.apply(encoded, about)
        return encoded if self.rendering is None else self.rendering(encoded)

    def raw(self, reflectance: Array, power: Array) -> Array:
        """Raw response (..., 3) to reflectance (..., n) under light of power (n,)."""
        return np.asarray(reflectance @ (self.sensitivity * power[:, None]))

    def matrix(self, power: Array) -> Array:
        """White-balanced raw to linear sRGB, shape (3, 3), as the maker would fit it.

        Fitted under the light itself on a set of smooth reflectances, then
        bent by the maker's taste and error.
        """
        surfaces = _training_surfaces()
        raw = self.raw(surfaces, power)
        raw /= self.raw(np.ones_like(power), power)
        wanted = _linear_srgb(surfaces)
        fit = np.linalg.lstsq(raw, wanted, rcond=None)[0].T
        fit /= fit.sum(axis=1, keepdims=True)
        grey = np.full((3, 3), 1 / 3)
        taste = grey + self.saturation * (np.eye(3) - grey)
        return np.asarray(taste @ fit + self.matrix_error)


@cache
def _training_surfaces() -> Array:
    rng = np.random.default_rng(20260101)
    ink = rng.uniform(0, 0.9, (80, 4)) * (rng.random((80, 4)) < 0.6)
    return print_reflectance(ink)


def _linear_srgb(reflectance: Array) -> Array:
    # Colours are taken under D65, whatever the light: the maker aims at white balance.
    to_srgb = np.linalg.inv(colour.RGB_COLOURSPACES["sRGB"].matrix_RGB_to_XYZ)
    white = xyz(np.ones_like(WAVELENGTHS_NM), "D65")
    rgb = xyz(reflectance, "D65") @ to_srgb.T
    return np.asarray(rgb / (white @ to_srgb.T))


def draw_rendering(rng: np.random.Generator, family: Family) -> Rendering:
    """Draw what phones of a family do to colour after the tone curve; some leave it alone."""
    return draw_about_grey(rng) if family is Family.FITTING else draw_otherwise(rng)


def draw_local_tone(rng: np.random.Generator, family: Family) -> LocalTone | None:
    """Draw how a phone of a family maps tone locally; None for one that doesn't, as many of the
    fitting family."""
    return draw_by_power(rng) if family is Family.FITTING else draw_by_fusing(rng)


def draw_camera(rng: np.random.Generator, family: Family) -> Camera:
    """Draw one camera of a family, of plain rendering."""
    if family is Family.FITTING:
        name, draw = _FITTING[int(rng.integers(len(_FITTING)))]
        sensitivity = draw(rng)
    elif rng.random() < 0.25:
        sensitivity, name = _measured_sensitivity(rng)
    else:
        sensitivity, name = _cosine_sensitivity(rng), "cosine"
    error = rng.normal(0, 0.03, (3, 3))
    error -= error.mean(axis=1, keepdims=True)
    tone = _s_curve(rng) if family is Family.FITTING else _film_curve(rng)
    return Camera(name, sensitivity, float(rng.uniform(0.9, 1.2)), error, tone)


def _infrared_cut(rng: np.random.Generator) -> Array:
    return np.asarray(1 / (1 + np.exp((WAVELENGTHS_NM - rng.uniform(640, 670)) / 8)))


def _gaussian_sensitivity(rng: np.random.Generator) -> Array:
    def skewed(peak: float, left: float, right: float) -> Array:
        width = np.where(peak > WAVELENGTHS_NM, left, right)
        return np.asarray(np.exp(-0.5 * ((WAVELENGTHS_NM - peak) / width) ** 2))

    red = skewed(rng.normal(600, 8), rng.uniform(22, 38), rng.uniform(36, 65))
    green = skewed(rng.normal(535, 7), rng.uniform(30, 48), rng.uniform(30, 48))
    blue = skewed(rng.normal(460, 7), rng.uniform(24, 38), rng.uniform(22, 38))
    leak = rng.uniform(0.01, 0.12, (3, 3)) * (1 - np.eye(3))
    curves = np.stack([red, green, blue], axis=1)
    return np.asarray((curves + curves @ leak.T) * _infrared_cut(rng)[:, None])


def _edged_sensitivity(rng: np.random.Generator) -> Array:
    def band(edges: tuple[float, float], soft_low: float, soft_high: float) -> Array:
        low, high = rng.normal(edges, 6)
        rise = 1 / (1 + np.exp((low - WAVELENGTHS_NM) / soft_low))
        return np.asarray(rise / (1 + np.exp((WAVELENGTHS_NM - high) / soft_high)))

    red = band((574, 640), rng.uniform(6, 14), rng.uniform(10, 20))
    green = band((494, 572), rng.uniform(9, 18), rng.uniform(9, 18))
    blue = band((428, 496), rng.uniform(6, 14), rng.uniform(8, 16))
    curves = np.stack([red, green, blue], axis=1) + rng.uniform(0.005, 0.05, 3)
    return np.asarray(curves * _infrared_cut(rng)[:, None])


def _cosine_sensitivity(rng: np.random.Generator) -> Array:
    def lobe(centre: float, half_width: float, power: float) -> Array:
        phase = np.clip((WAVELENGTHS_NM - centre) / half_width, -1, 1)
        return np.asarray(np.cos(phase * np.pi / 2) ** power)

    red = lobe(rng.uniform(592, 612), rng.uniform(85, 110), rng.uniform(1.6, 2.6))
    red += rng.uniform(0.02, 0.08) * lobe(450, 40, 2)
    green = lobe(rng.uniform(525, 542), rng.uniform(90, 115), rng.uniform(1.6, 2.6))
    blue = lobe(rng.uniform(452, 470), rng.uniform(65, 90), rng.uniform(1.6, 2.6))
    blue += rng.uniform(0.02, 0.08) * lobe(540, 60, 2)
    curves = np.stack([red, green, blue], axis=1)
    return np.asarray(curves * _infrared_cut(rng)[:, None])


def _measured_sensitivity(rng: np.random.Generator) -> tuple[Array, str]:
    measured = list(colour.MSDS_CAMERA_SENSITIVITIES.values())
    index = int(rng.integers(len(measured)))
    curves = measured[index]
    columns = [
        np.interp(WAVELENGTHS_NM, curves.wavelengths, column, left=0, right=0)
        for column in curves.values.T
    ]
    return np.maximum(np.stack(columns, axis=1), 0), f"measured-{index + 1}"


_FITTING = (("gaussian", _gaussian_sensitivity), ("edged", _edged_sensitivity))


def _srgb_encode(linear: Array) -> Array:
    v = np.clip(linear, 0, 1)
    return np.where(v <= 0.0031308, 12.92 * v, 1.055 * v ** (1 / 2.4) - 0.055)


def _s_curve(rng: np.random.Generator) -> Callable[[Array], Array]:
    """The standard encoding bent by a smooth contrast curve, one for all channels."""
    contrast, lift = rng.uniform(-0.05, 0.25), rng.uniform(-0.06, 0.06)

    def tone(linear: Array) -> Array:
        p = _srgb_encode(linear)
        bend = contrast * p * (1 - p) * (2 * p - 1) + lift * 4 * p * (1 - p)
        return np.clip(p + bend, 0, 1)

    return tone


def _film_curve(rng: np.random.Generator) -> Callable[[Array], Array]:
    """A shoulder and a toe as in film: a rational curve in place of a power law."""
    shoulder, toe = rng.uniform(0.6, 1.6), rng.uniform(0.0, 0.012)
    gamma = rng.uniform(2.0, 2.4)

    def tone(linear: Array) -> Array:
        v = np.clip(linear, 0, 1)
        lifted = v * v / (v + toe)
        rolled = lifted * (1 + shoulder) / (1 + shoulder * lifted) * (1 + toe)
        return np.clip(rolled, 0, 1) ** (1 / gamma)

    return tone
