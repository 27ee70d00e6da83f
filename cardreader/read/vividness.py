"""All prints -> Vividness: what the phone did to colour after its tone curve, and its inverse.

Phones make colour livelier, or duller, in the encoded values of the file: away from
a luma, by hue-saturation-value, in a perceptual space. What is done there no matrix
in linear light takes back. Two things together come near to the inverse of all of
them over the colours of a card:

    e' = A e                    encoded values; the rows of A add up to 1
    t' = t + k (ln Y - t)       logarithms of linear values; Y their luma

Both leave greys as they are, so the neutral scale still shows the tone curve alone.
A about a luma undoes saturation about that luma; its other directions undo what is
about the brightest channel, or differs by hue; k is where brightness was pressed by
luma and not by channel. The seven numbers are fitted together with the matrix to XYZ,
by Gauss-Newton, with priors that keep a plain phone plain. They go into the card's
signature: what they take up of a lamp's own traces is not lost to the calibration.

Where encoded values end at 0 a colour has lost its saturation for good; see `correctable`.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from cardreader.colour.icc import SRGB_CURVE
from cardreader.core.robust import NORM, huber
from cardreader.read.light import EPSILON, LightModel
from cardreader.read.matrix import LEAST_XYZ

Array = NDArray[np.float64]

LUMA: Array = np.array([0.2126, 0.7152, 0.0722])
"""ITU-R BT.709."""

N_PARAMETERS = 7
_N_FITTED = N_PARAMETERS + 9
_MATRIX = N_PARAMETERS + np.arange(9).reshape(3, 3)
_ROW, _COLUMN = np.nonzero(~np.eye(3, dtype=bool))

_SATURATION_PRIOR = 0.3
"""Spread of the share by which phones move colour away from luma."""
_OTHER_PRIOR = 0.05
"""Of each element of A in all other directions."""
_BY_LUMA_PRIOR = 0.1

_MISFIT_SD = 0.02
"""By how much a sound print misses, in XYZ^(1/3) times three: about 0.8 of L*."""
_KNEE = 2.5
"""Prints that miss by more than this many standard deviations lose weight."""
_LOSS = huber(_KNEE)
_ROUNDS = 5
_SETTLED = 3e-3

_DARK = 0.02
"""Encoded value below which the inverse bends away from 0 in place of crossing it."""


@dataclass(frozen=True, eq=False)
class Vividness:
    """Inverse of a phone's rendering of colour.

    ``parameters`` (7,): the off-diagonal elements of A by rows, then k; all 0 for a
    phone that leaves colour as it is.
    """

    parameters: Array

    @property
    def mixing(self) -> Array:
        """A, (3, 3)."""
        return _mixing(self.parameters)

    @property
    def saturation(self) -> float:
        """Share by which the phone made colour livelier about its luma; below 0 if duller."""
        direction = _about_luma()
        gain = 1 + float(self.parameters[:6] @ direction / (direction @ direction))
        return 1 / max(gain, _DARK) - 1

    def undone(self, linear: ArrayLike) -> Array:
        """Nominal linear RGB (n, 3) as a phone that leaves colour alone would have given it."""
        return undone_and_slopes(encoded_srgb(np.asarray(linear, float)), self.parameters)[0]


PLAIN = Vividness(np.zeros(N_PARAMETERS))


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
    prior[:N_PARAMETERS, :N_PARAMETERS] = _prior_precision()
    p = np.zeros(_N_FITTED)
    root = weight
    for _ in range(_ROUNDS):
        plain, slopes = undone_and_slopes(encoded, p[:N_PARAMETERS])
        rgb = np.exp(light.log_brightness(plain) - log_light)
        if not p.any():
            first = weight[:, None]
            p[_MATRIX] = np.linalg.lstsq(rgb * first, xyz * first, rcond=None)[0].T
        matrix = p[_MATRIX]
        misfit = (rgb @ matrix.T - xyz) / unit
        by_parameter = (rgb * light.brightness_slope(plain))[..., None] * slopes
        jacobian = np.zeros((*xyz.shape, _N_FITTED))
        jacobian[..., :N_PARAMETERS] = matrix @ by_parameter
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
        if np.abs(step[:N_PARAMETERS]).max() < _SETTLED:
            break
    return Vividness(p[:N_PARAMETERS])


def undone_and_slopes(encoded: Array, parameters: Array) -> tuple[Array, Array]:
    """Linear (n, 3) from encoded (n, 3), and the derivative of its log by the parameters,
    (n, 3, 7).
    """
    mixed = encoded @ _mixing(parameters).T
    dark = mixed < _DARK
    bent = np.where(dark, _DARK * np.exp(np.clip(mixed / _DARK - 1, -8, 0)), mixed)
    linear = np.maximum(SRGB_CURVE(bent), EPSILON)
    luma = linear @ LUMA
    log, log_luma = np.log(linear), np.log(luma)[:, None]
    by_luma = parameters[6]
    out = np.exp(log + by_luma * (log_luma - log))

    # d ln linear / d mixed; the two branches of the encoding differ by little in slope.
    slope = 2.4 / (bent + 0.055) * np.where(dark, bent / _DARK, 1.0)
    by_element = np.zeros((*encoded.shape, N_PARAMETERS))
    for k, (row, column) in enumerate(zip(_ROW, _COLUMN, strict=True)):
        by_element[:, row, k] = slope[:, row] * (encoded[:, column] - encoded[:, row])
    share = (linear * LUMA / luma[:, None])[:, None, :]
    by_parameter = (1 - by_luma) * by_element + by_luma * (share @ by_element)
    by_parameter[..., 6] = log_luma - log
    return out, by_parameter


def encoded_srgb(linear: Array) -> Array:
    """The nominal sRGB encoding, not cut off above 1."""
    bright = 1.055 * np.maximum(linear, 0.003) ** (1 / 2.4) - 0.055
    return np.asarray(np.where(linear <= 0.0031308, 12.92 * linear, bright))


def _mixing(parameters: Array) -> Array:
    out = np.zeros((3, 3))
    out[_ROW, _COLUMN] = parameters[:6]
    np.fill_diagonal(out, 1 - out.sum(axis=1))
    return out


def _about_luma() -> Array:
    """The six numbers of A that raise saturation about luma by a share of 1."""
    return np.asarray(-LUMA[_COLUMN])


@cache
def _prior_precision() -> Array:
    direction = _about_luma()
    unit = direction / np.linalg.norm(direction)
    along = np.outer(unit, unit)
    precision = np.zeros((N_PARAMETERS, N_PARAMETERS))
    precision[:6, :6] = along / (_SATURATION_PRIOR * np.linalg.norm(direction)) ** 2
    precision[:6, :6] += (np.eye(6) - along) / _OTHER_PRIOR**2
    precision[6, 6] = 1 / _BY_LUMA_PRIOR**2
    return precision
