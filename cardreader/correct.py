"""PatchSamples -> ColourCorrection: from one phone's numbers to CIE colour.

Two steps, in the order the light took backwards.

1. The neutral scale, printed on all four sides of the bay, gives per channel the
   inverse of whatever the phone did to brightness (tone curve, exposure, white
   balance, veiling glare), and over the card the field of light: a smooth
   log-polynomial. Both are fitted together, with weak priors that only matter
   where the patches say nothing.
2. All patches together give a 3x3 matrix from there to XYZ under D50,
   weighted towards the shades of blood.

What the fit leaves over at the patches is kept: it gates the photo and feeds the
uncertainty.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import colour
import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import least_squares

from cardreader import layout
from cardreader.card import Lot
from cardreader.layout import Kind
from cardreader.refusal import Reason, Refusal
from cardreader.sample import PatchSamples

Array = NDArray[np.float64]

_CELLS = layout.cells()
_AT_MM: Array = np.array([(c.x_mm, c.y_mm) for c in _CELLS])
_NEUTRAL = np.array([c.kind is Kind.NEUTRAL for c in _CELLS])
_RAMP = np.array([c.kind is Kind.RAMP for c in _CELLS])
_D50_XY = colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D50"]

# XYZ under D50 to linear sRGB: a convenient neutral-preserving basis, no more.
_XYZ_TO_RGB: Array = np.asarray(
    np.linalg.inv(colour.RGB_COLOURSPACES["sRGB"].matrix_RGB_to_XYZ)
    @ colour.adaptation.matrix_chromatic_adaptation_VonKries(
        colour.xy_to_XYZ(_D50_XY),
        colour.xy_to_XYZ(colour.RGB_COLOURSPACES["sRGB"].whitepoint),
        transform="Bradford",
    )
)

# Prior spreads of the fit. All are about what phones and rooms do, in natural
# logarithms of light; the data outweigh them wherever there are data.
_TONE_PRIOR: Array = np.array([3.0, 0.25, 0.10, 0.04])
_TONE_CHANNEL_PRIOR: Array = np.array([0.03, 0.015, 0.01])
_GLARE_PRIOR = 0.02
_FIELD_PRIOR: Array = np.array([0.30, 0.30, 0.15, 0.15, 0.15])
_FIELD_CHANNEL_PRIOR = 0.02

_SAMPLING_LOG_SD = 0.003
_PRINT_SD = 0.012
"""Relative scatter of ink amount assumed between a card and its lot's measurement."""

_KNEE = 2.5
"""Residuals beyond this many standard deviations lose weight (dirt, reflections)."""

_EPSILON = 1e-4

CRUSHED_LINEAR = 0.003
"""Nominal linear RGB below which 8 bits and a clipped colour matrix leave nothing to invert."""

MAX_MEAN_DE00 = 2.6
MAX_RAMP_DE00 = 3.0
"""Mean CIEDE2000 left over, at all patches and at the ramp: beyond it the card isn't itself."""

MAX_GLARE = 0.08
"""Veiling glare relative to a perfect diffuser; the darkest neutral reflects 0.05."""

MAX_LIGHT_RATIO = 3.0
"""Brightest to dimmest place of the card."""


@dataclass(frozen=True)
class LightModel:
    """Inverse of a phone's rendering of brightness, and the light over the card.

    Attributes
    ----------
    tone : (3, 4) array
        Per channel, ascending coefficients of the cubic that takes the log of
        nominal linear RGB to the log of light plus glare.
    glare : float
        Veiling glare relative to a perfect diffuser in mean light.
    field, field_channel : (5,), (2, 3) arrays
        Log-polynomial of light over the card, and what single channels add to
        its slopes (light of two colours from two sides).
    """

    tone: Array
    glare: float
    field: Array
    field_channel: Array

    def log_light(self, at_mm: ArrayLike) -> Array:
        """Log of relative light at card positions (N, 2), shape (N, 3)."""
        basis = _field_basis(np.asarray(at_mm, float))
        return np.asarray((basis @ self.field)[:, None] + basis[:, :2] @ self.field_channel)

    def log_brightness(self, linear: ArrayLike) -> Array:
        """Log of light received, glare removed, from nominal linear RGB (N, 3)."""
        t = np.log(np.maximum(np.asarray(linear, float), _EPSILON))
        powers = t[..., None] ** np.arange(4)
        received = np.exp((powers * self.tone).sum(axis=-1))
        return np.asarray(np.log(np.maximum(received - self.glare, _EPSILON)))

    def reflectance(self, linear: ArrayLike, at_mm: ArrayLike) -> Array:
        """Reflectance-like RGB (N, 3): brightness over light."""
        return np.exp(self.log_brightness(linear) - self.log_light(at_mm))

    def tone_slope(self, linear: ArrayLike) -> Array:
        """Derivative of log brightness by log nominal RGB, shape (N, 3): positive if sound."""
        t = np.log(np.maximum(np.asarray(linear, float), _EPSILON))
        rise = self.tone[:, 1:] * np.arange(1, 4)
        return np.asarray((t[..., None] ** np.arange(3) * rise).sum(axis=-1))


def _field_basis(at_mm: Array) -> Array:
    u, v = ((at_mm - layout.CENTRE_MM) / (layout.WIDTH_MM / 2)).T
    return np.stack([u, v, u * u, v * v, u * v], axis=1)


def _unpack(p: Array) -> LightModel:
    return LightModel(p[:12].reshape(3, 4), p[12], p[13:18], p[18:24].reshape(2, 3))


def _prior(p: Array) -> Array:
    tone = p[:12].reshape(3, 4)
    shape = tone.mean(axis=0)
    return np.concatenate(
        [
            (shape - [0.0, 1.0, 0.0, 0.0]) / _TONE_PRIOR,
            ((tone - shape)[:, 1:] / _TONE_CHANNEL_PRIOR).ravel(),
            [p[12] / _GLARE_PRIOR],
            p[13:18] / _FIELD_PRIOR,
            p[18:24] / _FIELD_CHANNEL_PRIOR,
        ]
    )


def fit_light(linear: Array, lot: Lot) -> LightModel:
    """Fit the light model to the twenty neutral prints.

    Parameters
    ----------
    linear : (72, 3) array
        Nominal linear RGB of all patches.
    """
    wanted = np.log(np.maximum(lot.xyz[_NEUTRAL] @ _XYZ_TO_RGB.T, _EPSILON))
    sd = np.hypot(_SAMPLING_LOG_SD, _PRINT_SD * np.maximum(-wanted, 0))
    t = np.log(np.maximum(linear[_NEUTRAL], _EPSILON))
    powers = t[..., None] ** np.arange(4)
    basis = _field_basis(_AT_MM[_NEUTRAL])

    def misfit(p: Array) -> Array:
        tone = p[:12].reshape(3, 4)
        received = np.exp(np.clip((powers * tone).sum(axis=-1), -20, 5))
        light = (basis @ p[13:18])[:, None] + basis[:, :2] @ p[18:24].reshape(2, 3)
        brightness = np.log(np.maximum(received - p[12], _EPSILON))
        data = _soft((brightness - light - wanted) / sd)
        return np.concatenate([data.ravel(), _prior(p)])

    start = np.zeros(24)
    start[:12].reshape(3, 4)[:, 0] = (wanted - t).mean(axis=0)
    start[[1, 5, 9]] = 1.0
    return _unpack(least_squares(misfit, start, method="trf", max_nfev=60).x)


def _soft(z: Array) -> Array:
    """Residuals whose square grows only linearly beyond the knee (pseudo-Huber)."""
    return np.sign(z) * _KNEE * np.sqrt(2 * (np.sqrt(1 + (z / _KNEE) ** 2) - 1))


def fit_matrix(reflectance: Array, lot: Lot, ramp_weight: float = 2.0) -> Array:
    """3x3 matrix from reflectance-like RGB (72, 3) to the lot's XYZ, robustly.

    Least squares on residuals divided by XYZ^(2/3), which is what a difference of
    lightness sees (CIE 1976 cube root); patches that disagree lose weight.
    """
    scale = np.maximum(lot.xyz, 0.01) ** (2 / 3)
    base = np.where(_RAMP, ramp_weight, 1.0)[:, None] / scale
    robust = np.ones(len(_CELLS))
    matrix = np.zeros((3, 3))
    for _ in range(4):
        for k in range(3):
            w = base[:, k] * np.sqrt(robust)
            matrix[k] = np.linalg.lstsq(reflectance * w[:, None], lot.xyz[:, k] * w, rcond=None)[0]
        miss = np.linalg.norm((reflectance @ matrix.T - lot.xyz) / scale, axis=1)
        z = miss / max(1.4826 * float(np.median(miss)), 1e-6)
        robust = 1 / np.maximum(1, z / _KNEE)
    return matrix


@dataclass(frozen=True, eq=False)
class ColourCorrection:
    """How to get from nominal RGB anywhere on this card to XYZ.

    Attributes
    ----------
    light : LightModel
    matrix : (3, 3) array
        Reflectance-like RGB to XYZ under D50.
    samples : PatchSamples
    lot : Lot
    """

    light: LightModel
    matrix: Array
    samples: PatchSamples
    lot: Lot

    def xyz(self, linear: ArrayLike, at_mm: ArrayLike) -> Array:
        """XYZ under D50 (N, 3), perfect diffuser Y = 1, of nominal RGB (N, 3) at (N, 2) mm."""
        return np.asarray(self.light.reflectance(linear, at_mm) @ self.matrix.T)

    @cached_property
    def patch_xyz(self) -> Array:
        """Corrected XYZ of the 72 patches, shape (72, 3)."""
        return self.xyz(self.samples.linear, _AT_MM)

    @cached_property
    def residual_de00(self) -> Array:
        """CIEDE2000 between corrected and measured colour of each patch, shape (72,)."""
        seen = colour.XYZ_to_Lab(np.maximum(self.patch_xyz, 0), _D50_XY)
        return np.asarray(colour.delta_E(seen, self.lot.lab, method="CIE 2000"))


def correct(samples: PatchSamples, lot: Lot) -> ColourCorrection | Refusal:
    """Fit the correction of one photo, or refuse when the card's colours don't come out.

    Refusals: COLOUR_NOT_CORRECTABLE, GLARE_ON_PATCHES, SHADOW_EDGE.
    """
    light = fit_light(samples.linear, lot)
    matrix = fit_matrix(light.reflectance(samples.linear, _AT_MM), lot)
    correction = ColourCorrection(light, matrix, samples, lot)
    refusal = _refusal(correction)
    return correction if refusal is None else refusal  # not "or": a refusal is falsy


def _refusal(correction: ColourCorrection) -> Refusal | None:
    samples, light = correction.samples, correction.light
    crushed = samples.linear[_NEUTRAL | _RAMP].min()
    mean, ramp = correction.residual_de00.mean(), correction.residual_de00[_RAMP].mean()
    field = light.log_light(_AT_MM)
    ratio = float(np.exp(np.ptp(field, axis=0).max()))
    tone = light.tone_slope(samples.linear[_NEUTRAL]).min()
    for fails, reason, detail in (
        (
            light.glare > MAX_GLARE,
            Reason.GLARE_ON_PATCHES,
            f"veil of {light.glare:.3f} > {MAX_GLARE}",
        ),
        (
            crushed < CRUSHED_LINEAR,
            Reason.COLOUR_NOT_CORRECTABLE,
            f"a shade came out at {crushed:.4f} < {CRUSHED_LINEAR} in one channel",
        ),
        (tone <= 0, Reason.COLOUR_NOT_CORRECTABLE, "brighter greys came out darker"),
        (
            ratio > MAX_LIGHT_RATIO,
            Reason.SHADOW_EDGE,
            f"light falls off {ratio:.1f} to 1 over the card > {MAX_LIGHT_RATIO:g}",
        ),
        (
            mean > MAX_MEAN_DE00 or ramp > MAX_RAMP_DE00,
            Reason.COLOUR_NOT_CORRECTABLE,
            f"mean dE00 {mean:.1f} at the patches (limit {MAX_MEAN_DE00:g}), "
            f"{ramp:.1f} at the shades (limit {MAX_RAMP_DE00:g})",
        ),
    ):
        if fails:
            return Refusal(reason, "correct", detail)
    return None
