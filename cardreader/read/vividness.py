"""All prints -> Vividness: what the phone did to colour after its tone curve, and its inverse.

Phones make colour livelier, or duller, in the encoded values of the file, and what is
done there no matrix in linear light takes back. Three ways are common, and the inverse
takes a share of each: in Oklab, whose chroma is scaled; about the brightest channel, as
hue-saturation-value has it; about luma. With e the encoded values once Oklab's chroma is
scaled by exp(-c),

    e' = e + a (Y' - e) + b (max e - e).

Greys stay as they are, so the neutral scale still shows the tone curve alone. The shares are
fitted together with the matrix to XYZ, by Gauss-Newton, and go into the card's signature.
They must not take up what a lamp leaves at the prints, by which the calibration knows the
lamp: misfits along the directions of `lampmisfit` count for little (generalised least
squares; Aitken 1936).

Where encoded values end at 0 a colour has lost its saturation for good; see `correctable`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from cardreader.colour.icc import SRGB_CURVE
from cardreader.colour.oklab import chroma_scaled, chroma_scaled_and_slope
from cardreader.core.robust import NORM, huber
from cardreader.read.light import EPSILON, LightModel
from cardreader.read.matrix import LEAST_XYZ

Array = NDArray[np.float64]

LUMA: Array = np.array([0.2126, 0.7152, 0.0722])
"""ITU-R BT.709."""

N_PARAMETERS = 3
_MATRIX = N_PARAMETERS + np.arange(9).reshape(3, 3)
_N_FITTED = _MATRIX.size + N_PARAMETERS

SPREAD: Array = np.array([0.3, 0.3, 0.3])
"""Of each of the shares by which phones change colour."""
SPREAD_BY_DESIGN: Array = np.array([0.3, 0.03, 0.03])
"""Beside a lot known by its design alone, whose prints miss it by what looks like a phone's way
with colour: luma is told from that, the other two are not."""

_MISFIT_SD = 0.02
"""By how much a sound print misses, in XYZ^(1/3) times three: about 0.8 of L*."""
_KNEE = 2.5
"""Prints that miss by more than this many standard deviations lose weight."""
_LOSS = huber(_KNEE)
_ROUNDS = 5
_SETTLED = 3e-3

_DARK = 0.02
_DARK_LINEAR = 0.001
"""Encoded and linear values below which the inverse bends away from 0 in place of crossing it."""


@dataclass(frozen=True)
class Vividness:
    """Inverse of a phone's rendering of colour; each number 0 for one that leaves colour alone.

    Attributes
    ----------
    towards_luma, towards_brightest : float
        Shares a and b by which encoded values are moved towards their luma and towards the
        brightest of their channels; below 0 for phones that dull colour.
    paler : float
        c, the log of the factor by which Oklab's chroma is scaled down.
    """

    towards_luma: float = 0.0
    towards_brightest: float = 0.0
    paler: float = 0.0

    @property
    def parameters(self) -> Array:
        """The numbers that go into a signature, (3,): all shares together, then the last two."""
        shares = (self.towards_luma, self.towards_brightest, self.paler)
        return np.array([sum(shares), *shares[1:]])

    @property
    def saturation(self) -> float:
        """Share by which the phone made colour livelier; below 0 if duller."""
        left = 1 - self.towards_luma - self.towards_brightest
        return float(np.exp(self.paler)) / max(left, _DARK) - 1

    def undone(self, linear: ArrayLike) -> Array:
        """Nominal linear RGB (n, 3) as a phone that leaves colour alone would have given it."""
        safe, _ = _bent(encoded_srgb(np.asarray(linear, float)), _DARK)
        paler, _ = _bent(chroma_scaled(SRGB_CURVE(safe), np.exp(-self.paler)), _DARK_LINEAR)
        return self._moved_back(encoded_srgb(paler))

    def undone_past_nothing(self, encoded: Array) -> Array:
        """Like `undone`, of encoded values (n, 3) as they would be if codes went on below 0."""
        paler = chroma_scaled(SRGB_CURVE(encoded), np.exp(-self.paler))
        return self._moved_back(encoded_srgb(paler))

    def _moved_back(self, encoded: Array) -> Array:
        """Linear values of encoded ones (n, 3) moved towards their luma and their brightest."""
        to_luma, to_brightest = _ways(encoded)
        moved = encoded + self.towards_luma * to_luma + self.towards_brightest * to_brightest
        return np.maximum(SRGB_CURVE(_bent(moved, _DARK)[0]), EPSILON)


PLAIN = Vividness()


def misfit_unit(xyz: Array) -> Array:
    """What a misfit of XYZ (n, 3) is measured in: by how much a sound print misses."""
    return np.asarray(np.maximum(xyz, LEAST_XYZ) ** (2 / 3) * _MISFIT_SD)


def fit_vividness(
    linear: Array,
    light: LightModel,
    at_mm: Array,
    xyz: Array,
    weight: Array,
    lamps: Array,
    spread: Array = SPREAD,
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
    lamps : (n, 3, k) array
        Directions in which lamps make them miss, see `lampmisfit`; k may be 0.
    spread : (3,) array
        Of the shares, in the order of `Vividness`: standard deviations of their prior.
    """
    encoded, log_light = encoded_srgb(linear), light.log_light(at_mm)
    unit = misfit_unit(xyz)
    shares = np.arange(N_PARAMETERS)
    prior = np.zeros((_N_FITTED, _N_FITTED))
    prior[shares, shares] = 1 / spread**2
    p = np.zeros(_N_FITTED)
    root = weight
    for _ in range(_ROUNDS):
        plain, slopes = undone_and_slopes(encoded, Vividness(*p[shares]))
        log_brightness, rise = light.log_brightness_and_slope(plain)
        rgb = np.exp(log_brightness - log_light)
        if not p.any():
            first = weight[:, None]
            p[_MATRIX] = np.linalg.lstsq(rgb * first, xyz * first, rcond=None)[0].T
        matrix = p[_MATRIX]
        misfit = (rgb @ matrix.T - xyz) / unit
        jacobian = np.zeros((*xyz.shape, _N_FITTED))
        jacobian[..., shares] = np.moveaxis((rgb * rise * slopes) @ matrix.T, 0, -1)
        for k in range(3):
            jacobian[:, k, _MATRIX[k]] = rgb
        jacobian *= (root[:, None] / unit)[..., None]
        design = jacobian.reshape(-1, _N_FITTED)
        by_lamps = (lamps * root[:, None, None]).reshape(len(design), -1)
        # Woodbury: the inverse of (1 + by_lamps by_lamps') is 1 - by_lamps share.
        share = np.linalg.solve(np.eye(by_lamps.shape[1]) + by_lamps.T @ by_lamps, by_lamps.T)
        told = design - by_lamps @ (share @ design)
        off = (misfit * root[:, None]).ravel()
        step = np.linalg.solve(told.T @ design + prior, told.T @ off + prior @ p)
        p = p - step
        sizes = NORM.of(misfit - lamps @ (share @ off))
        # Prints that miss by more than they should say less against the prior (Birge ratio).
        scale = max(NORM.sd(sizes, 3), 1.0)
        root = weight * np.sqrt(_LOSS.weight(sizes / scale)[:, 0]) / scale
        if np.abs(step[shares]).max() < _SETTLED:
            break
    return Vividness(*(float(share) for share in p[shares]))


def undone_and_slopes(encoded: Array, vividness: Vividness) -> tuple[Array, Array]:
    """`Vividness.undone` of encoded values (n, 3), and its log's derivatives by the shares,
    (3, n, 3).
    """
    safe, _ = _bent(encoded, _DARK)
    paler, by_log = chroma_scaled_and_slope(SRGB_CURVE(safe), np.exp(-vividness.paler))
    paler, bend = _bent(paler, _DARK_LINEAR)
    e = encoded_srgb(paler)
    by_c = -by_log * bend / _curve_slope(e)
    (to_luma, to_brightest), brightest = _ways(e), e.argmax(axis=1)[:, None]
    a, b = vividness.towards_luma, vividness.towards_brightest
    moved = e + a * to_luma + b * to_brightest
    by_c = (
        (1 - a - b) * by_c + a * (by_c @ LUMA)[:, None] + b * np.take_along_axis(by_c, brightest, 1)
    )
    moved, bend = _bent(moved, _DARK)
    linear = np.maximum(SRGB_CURVE(moved), EPSILON)
    slope = _curve_slope(moved) / linear * bend
    return linear, slope * np.stack([to_luma, to_brightest, by_c])


def _ways(encoded: Array) -> tuple[Array, Array]:
    """From encoded values (n, 3) to their luma, and to the brightest of their channels."""
    return (encoded @ LUMA)[:, None] - encoded, encoded.max(axis=1, keepdims=True) - encoded


def encoded_srgb(linear: Array) -> Array:
    """The nominal sRGB encoding, not cut off above 1."""
    bright = 1.055 * np.maximum(linear, 0.003) ** (1 / 2.4) - 0.055
    return np.asarray(np.where(linear <= 0.0031308, 12.92 * linear, bright))


def _curve_slope(encoded: Array) -> Array:
    """Derivative of linear by encoded values."""
    bright = 2.4 / 1.055 * ((np.maximum(encoded, 0.04) + 0.055) / 1.055) ** 1.4
    return np.asarray(np.where(encoded <= 0.04045, 1 / 12.92, bright))


def _bent(values: Array, dark: float) -> tuple[Array, Array]:
    """Values that approach 0 from ``dark`` on and never cross it, and the derivative."""
    slope = np.exp(np.minimum(np.maximum(values / dark - 1, -8), 0))  # 1 from ``dark`` upwards
    return np.where(values < dark, dark * slope, values), slope
