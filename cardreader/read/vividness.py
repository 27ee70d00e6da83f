"""All prints -> Vividness: what the phone did to colour after its tone curve, and its inverse.

Phones make colour livelier, or duller, in the encoded values of the file, and what is
done there no matrix in linear light takes back. The inverse is taken to be one number:
encoded values moved towards their luma by a share a,

    e' = e + a (Y' - e).

Greys stay as they are, so the neutral scale still shows the tone curve alone. For phones
that work about another grey or in a perceptual space it is near enough over the shades
of blood, and the matrix takes up most of the rest. More numbers fit a vivid card better
and read it worse: they take up what a lamp leaves at the prints, by which the
calibration knows the lamp. The share is fitted together with the matrix to XYZ, by
Gauss-Newton, and goes into the card's signature.

Where encoded values end at 0 a colour has lost its saturation for good; see `correctable`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from cardreader.colour.icc import SRGB_CURVE
from cardreader.core.robust import NORM, huber
from cardreader.read.light import EPSILON, LightModel
from cardreader.read.matrix import LEAST_XYZ

Array = NDArray[np.float64]

LUMA: Array = np.array([0.2126, 0.7152, 0.0722])
"""ITU-R BT.709."""

N_PARAMETERS = 1
_MATRIX = N_PARAMETERS + np.arange(9).reshape(3, 3)
_N_FITTED = _MATRIX.size + N_PARAMETERS

_PRIOR = 0.3
"""Spread of the share by which phones move colour away from luma."""

_MISFIT_SD = 0.02
"""By how much a sound print misses, in XYZ^(1/3) times three: about 0.8 of L*."""
_KNEE = 2.5
"""Prints that miss by more than this many standard deviations lose weight."""
_LOSS = huber(_KNEE)
_ROUNDS = 5
_SETTLED = 3e-3

_DARK = 0.02
"""Encoded value below which the inverse bends away from 0 in place of crossing it."""


@dataclass(frozen=True)
class Vividness:
    """Inverse of a phone's rendering of colour.

    ``towards_luma`` is the share a by which encoded values are moved towards their
    luma: 0 for a phone that leaves colour as it is, below 0 for one that dulls it.
    """

    towards_luma: float

    @property
    def parameters(self) -> Array:
        """The numbers that go into a signature, (1,)."""
        return np.array([self.towards_luma])

    @property
    def saturation(self) -> float:
        """Share by which the phone made colour livelier about its luma; below 0 if duller."""
        return 1 / max(1 - self.towards_luma, _DARK) - 1

    def undone(self, linear: ArrayLike) -> Array:
        """Nominal linear RGB (n, 3) as a phone that leaves colour alone would have given it."""
        return undone_and_slope(encoded_srgb(np.asarray(linear, float)), self.towards_luma)[0]


PLAIN = Vividness(0.0)


def fit_vividness(
    linear: Array, light: LightModel, at_mm: Array, xyz: Array, weight: Array
) -> Vividness:
    """Fit to prints of known colour, given the light.

    Parameters
    ----------
    linear : (n, 3) array
        Nominal linear RGB of the prints.
    light : LightModel
        As fitted to the greys.
    at_mm, xyz, weight : (n, 2), (n, 3), (n,) arrays
        Where the prints lie, their measured XYZ, what each print's residual counts for.
    """
    encoded, log_light = encoded_srgb(linear), light.log_light(at_mm)
    unit = np.maximum(xyz, LEAST_XYZ) ** (2 / 3) * _MISFIT_SD
    prior = np.zeros((_N_FITTED, _N_FITTED))
    prior[0, 0] = 1 / _PRIOR**2
    p = np.zeros(_N_FITTED)
    root = weight
    for _ in range(_ROUNDS):
        plain, slope = undone_and_slope(encoded, p[0])
        log_brightness, rise = light.log_brightness_and_slope(plain)
        rgb = np.exp(log_brightness - log_light)
        if not p.any():
            first = weight[:, None]
            p[_MATRIX] = np.linalg.lstsq(rgb * first, xyz * first, rcond=None)[0].T
        matrix = p[_MATRIX]
        misfit = (rgb @ matrix.T - xyz) / unit
        jacobian = np.zeros((*xyz.shape, _N_FITTED))
        jacobian[..., 0] = (rgb * rise * slope) @ matrix.T
        for k in range(3):
            jacobian[:, k, _MATRIX[k]] = rgb
        jacobian *= (root[:, None] / unit)[..., None]
        design = jacobian.reshape(-1, _N_FITTED)
        gradient = design.T @ (misfit * root[:, None]).ravel() + prior @ p
        step = np.linalg.solve(design.T @ design + prior, gradient)
        p = p - step
        sizes = NORM.of(misfit)
        # Prints that miss by more than they should say less against the prior (Birge ratio).
        scale = max(NORM.sd(sizes, 3), 1.0)
        root = weight * np.sqrt(_LOSS.weight(sizes / scale)[:, 0]) / scale
        if abs(step[0]) < _SETTLED:
            break
    return Vividness(float(p[0]))


def undone_and_slope(encoded: Array, towards_luma: float) -> tuple[Array, Array]:
    """Linear (n, 3) from encoded (n, 3), and the derivative of its log by the share."""
    off = (encoded @ LUMA)[:, None] - encoded
    moved = encoded + towards_luma * off
    dark = moved < _DARK
    bent = np.where(dark, _DARK * np.exp(np.clip(moved / _DARK - 1, -8, 0)), moved)
    # The two branches of the encoding differ by little in slope.
    slope = 2.4 / (bent + 0.055) * np.where(dark, bent / _DARK, 1.0)
    return np.maximum(SRGB_CURVE(bent), EPSILON), slope * off


def encoded_srgb(linear: Array) -> Array:
    """The nominal sRGB encoding, not cut off above 1."""
    bright = 1.055 * np.maximum(linear, 0.003) ** (1 / 2.4) - 0.055
    return np.asarray(np.where(linear <= 0.0031308, 12.92 * linear, bright))
