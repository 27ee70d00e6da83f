"""PatchSamples -> ColourCorrection: from one phone's numbers to CIE colour.

Prints that are spoiled are told from their twins and replaced first. Then two steps,
in the order the light took backwards.

1. The neutral scale, printed on all four sides of the bay, gives per channel the
   inverse of whatever the phone did to brightness (tone curve, exposure, white
   balance, veiling glare), and over the card the field of light: a smooth
   log-polynomial, with the bands of a pulsing lamp if there are any. All are fitted
   together, with weak priors that only matter where the patches say nothing.
2. All patches together give a 3x3 matrix from there to XYZ under D50,
   weighted towards the shades of blood.

What the fit leaves over at the patches is kept: it gates the photo and feeds the
uncertainty.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache, cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray

from cardreader.card import layout
from cardreader.card.layout import Kind
from cardreader.card.lot import Lot
from cardreader.colour.cielab import XYZ_TO_SRGB, delta_e_2000, xyz_to_lab
from cardreader.core.refusal import Reason, Refusal
from cardreader.read.banding import DEPTH_IN_LIGHT, EVEN, Banding
from cardreader.read.sample import SAMPLED_MM, PatchSamples
from cardreader.read.spoiled import (
    mended,
    spoiled_prints,
    suspect_pairs,
    too_many,
    what_lies_on_them,
)
from cardreader.read.twins import compare_twins

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

_CELLS = layout.cells()
_AT_MM: Array = np.array([(c.x_mm, c.y_mm) for c in _CELLS])
_NEUTRAL = np.array([c.kind is Kind.NEUTRAL for c in _CELLS])
_RAMP = np.array([c.kind is Kind.RAMP for c in _CELLS])
_ALL = np.ones(len(_CELLS), bool)

# Prior spreads of the fit. All are about what phones and rooms do, in natural
# logarithms of light; the data outweigh them wherever there are data.
_TONE_PRIOR: Array = np.array([3.0, 0.25, 0.10, 0.04])
_TONE_CHANNEL_PRIOR: Array = np.array([0.03, 0.015, 0.01])
_GLARE_PRIOR = 0.02
_FIELD_PRIOR: Array = np.array([0.30, 0.30, 0.15, 0.15, 0.15])
_FIELD_CHANNEL_PRIOR = 0.02
_BANDS_PRIOR = 0.7

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

_LEFT_OUT_SD = 0.025
"""Log ratio by which a left-out shade misses on an ordinary photo, at most."""

MAX_LEFT_OUT = 0.065
"""The same, root mean square: beyond it this card's ramp is not its lot's."""

MAX_GLARE = 0.08
"""Veiling glare relative to a perfect diffuser; the darkest neutral reflects 0.05."""

MAX_LIGHT_RATIO = 3.0
"""Brightest to dimmest place of the card."""

MAX_BANDS = 0.18
"""Amplitude of bands in ln light: 0.14 was tried with good readings, 0.29 went astray."""


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
    bands : (3,) array
        Per channel, how much deeper the bands are in light than white card shows
        them: near white a phone's tone curve is flat.
    covariance : (27, 27) array
        Of all of these, in the order tone, glare, field, field_channel, bands: wide
        where the neutrals say little, as below the darkest of them.
    banding : Banding
        Shape of the bands.
    """

    tone: Array
    glare: float
    field: Array
    field_channel: Array
    bands: Array
    covariance: Array
    banding: Banding = EVEN

    def log_light(self, at_mm: ArrayLike) -> Array:
        """Log of relative light at card positions (N, 2), shape (N, 3).

        Mean over as much of the card as is sampled of a patch: bands may be little wider.
        """
        basis = _field_basis(np.asarray(at_mm, float))
        light = (basis @ self.field)[:, None] + basis[:, :2] @ self.field_channel
        return np.asarray(light + self.bands * self.banding.log_light(at_mm, SAMPLED_MM))

    def log_brightness(self, linear: ArrayLike) -> Array:
        """Log of light received, glare removed, from nominal linear RGB (N, 3)."""
        return np.log(self._brightness(_powers(linear))[1])

    def brightness_jacobian(self, linear: ArrayLike) -> Array:
        """Derivative of `log_brightness` (N, 3) by tone and glare, shape (N, 3, 13)."""
        powers = _powers(linear)
        return _brightness_jacobian(powers, *self._brightness(powers))

    def _brightness(self, powers: Array) -> tuple[Array, Array]:
        """Light received with and without the glare, (N, 3) each."""
        # Clipped, so that a start far off can't overflow.
        received = np.exp(np.minimum(np.maximum((powers * self.tone).sum(axis=-1), -20), 5))
        return received, np.maximum(received - self.glare, _EPSILON)

    def reflectance(self, linear: ArrayLike, at_mm: ArrayLike) -> Array:
        """Reflectance-like RGB (N, 3): brightness over light."""
        return np.exp(self.log_brightness(linear) - self.log_light(at_mm))

    def tone_slope(self, linear: ArrayLike) -> Array:
        """Derivative of log brightness by log nominal RGB, shape (N, 3): positive if sound."""
        t = np.log(np.maximum(np.asarray(linear, float), _EPSILON))
        rise = self.tone[:, 1:] * np.arange(1, 4)
        return np.asarray((t[..., None] ** np.arange(3) * rise).sum(axis=-1))


def _powers(linear: ArrayLike) -> Array:
    """Powers 0 to 3 of the log of nominal linear RGB, shape (N, 3, 4)."""
    t = np.log(np.maximum(np.asarray(linear, float), _EPSILON))
    return np.stack([np.ones_like(t), t, t * t, t * t * t], axis=-1)


def _brightness_jacobian(powers: Array, received: Array, net: Array) -> Array:
    out = np.zeros((*net.shape, _N_TONE + 1))
    slope = powers * (received / net)[..., None]
    for c in range(3):
        out[:, c, 4 * c : 4 * c + 4] = slope[:, c]
    out[..., _GLARE] = -1 / net
    return out


def _field_basis(at_mm: Array) -> Array:
    u, v = ((at_mm - layout.CENTRE_MM) / (layout.WIDTH_MM / 2)).T
    return np.stack([u, v, u * u, v * v, u * v], axis=1)


_N_TONE = 12
_GLARE = 12
_FIELD = slice(13, 18)
_FIELD_CHANNEL = slice(18, 24)
_BANDS = slice(24, 27)
_N = 27


_UNKNOWN: Array = np.zeros((_N, _N))


def _unpack(p: Array, covariance: Array = _UNKNOWN, banding: Banding = EVEN) -> LightModel:
    return LightModel(
        p[:_N_TONE].reshape(3, 4),
        float(p[_GLARE]),
        p[_FIELD],
        p[_FIELD_CHANNEL].reshape(2, 3),
        p[_BANDS],
        covariance,
        banding,
    )


@cache
def _prior() -> tuple[Array, Array]:
    """The priors as linear equations in the parameters, matrix (m, 27) and right side (m,)."""
    shape_rows = np.zeros((4, _N))
    channel_rows = np.zeros((9, _N))
    for k in range(4):
        shape_rows[k, k:_N_TONE:4] = 1 / 3
    for channel in range(3):
        for k in range(1, 4):
            row = channel_rows[3 * channel + k - 1]
            row[4 * channel + k] = 1
            row -= shape_rows[k]
    shape_rows /= _TONE_PRIOR[:, None]
    channel_rows /= np.tile(_TONE_CHANNEL_PRIOR, 3)[:, None]
    rest = np.eye(_N)[_GLARE:]
    rest[0] /= _GLARE_PRIOR
    rest[1:6] /= _FIELD_PRIOR[:, None]
    rest[6:12] /= _FIELD_CHANNEL_PRIOR
    rest[12:] /= _BANDS_PRIOR
    matrix = np.vstack([shape_rows, channel_rows, rest])
    return matrix, matrix @ _start(np.zeros(3))


def _start(level: Array) -> Array:
    p = np.zeros(_N)
    p[0:_N_TONE:4] = level
    p[1:_N_TONE:4] = 1.0
    p[_BANDS] = DEPTH_IN_LIGHT
    return p


@dataclass(frozen=True, eq=False)
class _NeutralFit:
    """Misfit of n neutral prints and its derivatives, in standard deviations."""

    powers: Array
    basis: Array
    bands: Array
    wanted: Array
    sd: Array

    def residual(self, p: Array) -> Array:
        """Residuals (3 n,)."""
        model = _unpack(p)
        return self._residual(model, model._brightness(self.powers)[1])

    def misfit(self, p: Array) -> tuple[Array, Array]:
        """Residuals (3 n,) and Jacobian (3 n, 27)."""
        model = _unpack(p)
        received, net = model._brightness(self.powers)
        jacobian = self._field_jacobian.copy()
        jacobian[..., : _GLARE + 1] = _brightness_jacobian(self.powers, received, net)
        jacobian /= self.sd[..., None]
        return self._residual(model, net), jacobian.reshape(-1, _N)

    def _residual(self, model: LightModel, net: Array) -> Array:
        light = (self.basis @ model.field)[:, None] + self.basis[:, :2] @ model.field_channel
        light += self.bands * model.bands
        return np.asarray((np.log(net) - light - self.wanted) / self.sd).ravel()

    @cached_property
    def _field_jacobian(self) -> Array:
        """The part of the Jacobian that doesn't change, (n, 3, 27): that of the light."""
        out = np.zeros((*self.wanted.shape, _N))
        out[..., _FIELD] = -self.basis[:, None, :]
        for c in range(3):
            out[:, c, 18 + c] = -self.basis[:, 0]
            out[:, c, 21 + c] = -self.basis[:, 1]
            out[:, c, 24 + c] = -self.bands[:, c]
        return out


def fit_light(linear: Array, lot: Lot, keep: Mask = _ALL, banding: Banding = EVEN) -> LightModel:
    """Fit the light model to the twenty neutral prints, or those of them to keep.

    Gauss-Newton by reweighted least squares, the step shortened until the cost
    falls: first with a convex cost (pseudo-Huber), which finds the basin from
    anywhere, then from there with one that lets go of a dirty print (Cauchy).

    Parameters
    ----------
    linear : (72, 3) array
        Nominal linear RGB of all patches.
    keep : (72,) array of bool
        Patches that may be used.
    banding : Banding
        Bands over the photo, whose depth is then fitted too.
    """
    chosen = _NEUTRAL & keep
    wanted = np.log(np.maximum(lot.xyz[chosen] @ XYZ_TO_SRGB.T, _EPSILON))
    t = np.log(np.maximum(linear[chosen], _EPSILON))
    fit = _NeutralFit(
        powers=_powers(linear[chosen]),
        basis=_field_basis(_AT_MM[chosen]),
        bands=banding.log_light(_AT_MM[chosen], SAMPLED_MM),
        wanted=wanted,
        sd=np.hypot(_SAMPLING_LOG_SD, _PRINT_SD * np.maximum(-wanted, 0)),
    )
    p = _descend(fit, _HUBER, _start((wanted - t).mean(axis=0)))
    p = _descend(fit, _CAUCHY, p)
    return _unpack(p, _covariance(fit, p), banding)


@dataclass(frozen=True)
class _Loss:
    """Cost of residuals z in standard deviations, and the weight that it gives each."""

    cost: Callable[[Array], Array]
    weight: Callable[[Array], Array]


_HUBER = _Loss(
    lambda z: 2 * _KNEE**2 * (np.sqrt(1 + (z / _KNEE) ** 2) - 1),
    lambda z: 1 / np.sqrt(1 + (z / _KNEE) ** 2),
)
_CAUCHY = _Loss(
    lambda z: _KNEE**2 * np.log1p((z / _KNEE) ** 2),
    lambda z: 1 / (1 + (z / _KNEE) ** 2),
)


def _cost(fit: _NeutralFit, loss: _Loss, p: Array) -> float:
    prior, aim = _prior()
    return float(loss.cost(fit.residual(p)).sum() + ((prior @ p - aim) ** 2).sum())


def _descend(fit: _NeutralFit, loss: _Loss, p: Array) -> Array:
    prior, aim = _prior()
    cost = _cost(fit, loss, p)
    for _ in range(40):
        residual, jacobian = fit.misfit(p)
        weighted = jacobian * loss.weight(residual)[:, None]
        gram = weighted.T @ jacobian + prior.T @ prior
        step = np.linalg.solve(gram, weighted.T @ residual + prior.T @ (prior @ p - aim))
        for scale in (1.0, 0.5, 0.25, 0.1, 0.03):
            trial = p - scale * step
            trial_cost = _cost(fit, loss, trial)
            if trial_cost < cost:
                break
        else:
            return p
        settled = cost - trial_cost < 1e-9 * (1 + cost)
        p, cost = trial, trial_cost
        if settled:
            break
    return p


def _covariance(fit: _NeutralFit, p: Array) -> Array:
    """Of the parameters; neutrals that scatter more than expected widen all (Birge ratio)."""
    prior, _ = _prior()
    residual, jacobian = fit.misfit(p)
    weight = _CAUCHY.weight(residual)
    # A prior pays for half a parameter; the bands' count only where there are bands.
    spent = _N - len(prior) / 2 - (0.0 if fit.bands.any() else 1.5)
    excess = float(weight @ residual**2) / (len(residual) - spent)
    gram = (jacobian * weight[:, None]).T @ jacobian + prior.T @ prior
    return np.asarray(np.linalg.inv(gram) * max(1.0, excess), float)


def fit_matrix(rgb: ArrayLike, xyz: ArrayLike, weight: ArrayLike = 1.0) -> Array:
    """3x3 matrix from reflectance-like RGB (N, 3) to XYZ (N, 3), robustly.

    Least squares on residuals divided by XYZ^(2/3), which is what a difference of
    lightness sees (CIE 1976 cube root); patches that disagree lose weight.
    ``weight`` (N,) is what each patch counts for to begin with.
    """
    seen, wanted = np.asarray(rgb, float), np.asarray(xyz, float)
    scale = np.maximum(wanted, 0.01) ** (2 / 3)
    base = np.broadcast_to(weight, len(wanted))[:, None] / scale
    robust = np.ones(len(wanted))
    matrix = np.zeros((3, 3))
    for _ in range(4):
        for k in range(3):
            w = base[:, k] * np.sqrt(robust)
            matrix[k] = np.linalg.lstsq(seen * w[:, None], wanted[:, k] * w, rcond=None)[0]
        miss = np.linalg.norm((seen @ matrix.T - wanted) / scale, axis=1)
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

    def blood_xyz(self, linear: ArrayLike, at_mm: ArrayLike) -> Array:
        """Like `xyz`, for shades of blood: what the ramp is still off by is taken off.

        A tone curve or matrix that fails at just these shades fails at the printed
        ramp too, by a like amount at a like depth.
        """
        seen = self.xyz(linear, at_mm)
        depth = np.log(np.maximum(seen[..., 1], _EPSILON))
        return np.asarray(seen * np.exp(-self.ramp_trend(depth)))

    def ramp_trend(self, depth: ArrayLike) -> Array:
        """Smooth log ratio of seen to measured XYZ along the ramp, (..., 3).

        ``depth`` (...) is ln Y as seen; beyond the ramp's ends the trend stays as it
        is there.
        """
        low, high, coefficients = self._ramp_fit
        t = 2 * (np.clip(depth, low, high) - low) / (high - low) - 1
        return np.asarray(t[..., None] ** np.arange(3) @ coefficients)

    @cached_property
    def _ramp_fit(self) -> tuple[float, float, Array]:
        low, high, design, ratio = self._ramp_data
        weight = self._ramp_weight[:, None]
        fit = np.linalg.lstsq(design * weight, ratio * weight, rcond=None)[0]
        return low, high, np.asarray(fit, float)

    @cached_property
    def _ramp_data(self) -> tuple[float, float, Array, Array]:
        """Ends of ln Y, and for each of the 28 prints the trend's terms and the log ratio."""
        seen = np.maximum(self.patch_xyz[_RAMP], _EPSILON)
        depth = np.log(seen[:, 1])
        low, high = depth.min(), max(depth.max(), depth.min() + 0.1)
        t = 2 * (depth - low) / (high - low) - 1
        ratio = np.log(seen / self.lot.xyz[_RAMP])
        return float(low), float(high), t[:, None] ** np.arange(3), ratio

    @cached_property
    def _ramp_weight(self) -> Array:
        """Root weights (28,): clipped prints count little, prints off the trend less."""
        _, _, design, ratio = self._ramp_data
        sound = 1.0 - 0.99 * self.samples.clipped_share[_RAMP]
        weight = sound
        for _ in range(4):
            w = weight[:, None]
            fit = np.linalg.lstsq(design * w, ratio * w, rcond=None)[0]
            miss = np.linalg.norm(ratio - design @ fit, axis=1)
            usual = max(1.4826 * float(np.median(miss)), _LEFT_OUT_SD)
            weight = sound / np.sqrt(1.0 + (miss / (_KNEE * usual)) ** 2)
        return weight

    @cached_property
    def left_out(self) -> Array:
        """Log ratio of each shade to the trend that all other shades foretell, (14, 3)."""
        _, _, design, ratio = self._ramp_data
        out = np.empty((len(ratio) // 2, 3))
        for k in range(len(out)):
            pair = slice(2 * k, 2 * k + 2)
            w = self._ramp_weight.copy()
            w[pair] = 0.0
            fit = np.linalg.lstsq(design * w[:, None], ratio * w[:, None], rcond=None)[0]
            out[k] = (ratio[pair] - design[pair] @ fit).mean(axis=0)
        return out

    @cached_property
    def left_out_rms(self) -> float:
        """Root mean square of `left_out`, one stray shade held back."""
        return float(np.sqrt((_held_back(self.left_out) ** 2).mean()))

    @cached_property
    def self_check_covariance(self) -> Array:
        """Of a log ratio to paper, (3, 3): how much worse than usual left-out shades come out.

        A blot is to the ramp what a left-out shade is. What prints ordinarily
        scatter is in the calibration already.
        """
        strayed = _held_back(self.left_out)
        size, axes = np.linalg.eigh(strayed.T @ strayed / len(strayed))
        excess = np.maximum(size - _LEFT_OUT_SD**2, 0.0)
        return np.asarray(axes * excess @ axes.T)

    def log_ratio_covariance(self, linear: ArrayLike, reference: ArrayLike) -> Array:
        """Of ln(XYZ / XYZ of reference), (3, 3), from tone, glare and self-check.

        Both colours (3,), nominal RGB, are seen at one place, so the field of light
        cancels.
        """
        rgb = np.stack([np.asarray(linear, float), np.asarray(reference, float)])
        brightness = np.exp(self.light.log_brightness(rgb))
        by_rgb = self.matrix * brightness[:, None, :]
        by_log_rgb = by_rgb / np.maximum(by_rgb.sum(axis=-1, keepdims=True), _EPSILON)
        jacobian = by_log_rgb @ self.light.brightness_jacobian(rgb)
        difference = jacobian[0] - jacobian[1]
        known = slice(0, _GLARE + 1)
        light = difference @ self.light.covariance[known, known] @ difference.T
        return np.asarray(light + self.self_check_covariance)

    @cached_property
    def patch_xyz(self) -> Array:
        """Corrected XYZ of the 72 patches, shape (72, 3)."""
        return self.xyz(self.samples.linear, _AT_MM)

    def miss(self, keep: Mask) -> Array:
        """How far (72,) each patch is off in ln XYZ; a shade of blood, from those kept."""
        ratio = np.log(np.maximum(self.patch_xyz, _EPSILON) / self.lot.xyz)
        ratio[_RAMP] -= np.median(ratio[_RAMP & keep], axis=0)
        return np.asarray(np.linalg.norm(ratio, axis=1))

    @property
    def spoiled_prints(self) -> tuple[str, ...]:
        """Names of the prints for which their twin stands in."""
        return tuple(_CELLS[i].name for i in np.flatnonzero(self.samples.spoiled))

    @cached_property
    def residual_de00(self) -> Array:
        """CIEDE2000 between corrected and measured colour of each patch, shape (72,)."""
        seen = xyz_to_lab(np.maximum(self.patch_xyz, 0))
        return delta_e_2000(seen, self.lot.lab)


def _held_back(left_out: Array) -> Array:
    """Left-out log ratios (n, 3) with none further out than three times the median."""
    size = np.linalg.norm(left_out, axis=1)
    limit = 3.0 * max(float(np.median(size)), _EPSILON)
    return np.asarray(left_out * np.minimum(1.0, limit / np.maximum(size, _EPSILON))[:, None])


def correct(samples: PatchSamples, lot: Lot, banding: Banding = EVEN) -> ColourCorrection | Refusal:
    """Fit the correction of one photo, or refuse when the card's colours don't come out.

    Spoiled prints are left out first, see `spoiled`. Refusals: SHADOW_EDGE,
    GLARE_ON_PATCHES, CARD_SOILED, COLOUR_NOT_CORRECTABLE.
    """
    clean = _without_spoiled(samples, lot, banding)
    if isinstance(clean, Refusal):
        return clean
    correction = _fit(clean, lot, _ALL, banding)
    refusal = _refusal(correction)
    return correction if refusal is None else refusal


def _fit(samples: PatchSamples, lot: Lot, keep: Mask, banding: Banding) -> ColourCorrection:
    light = fit_light(samples.linear, lot, keep, banding)
    # A clipped patch has lost its colour; a shade of blood counts double.
    weight = np.where(_RAMP, 2.0, 1.0) * (1.0 - 0.99 * samples.clipped_share)
    seen = light.reflectance(samples.linear, _AT_MM)
    matrix = fit_matrix(seen[keep], lot.xyz[keep], weight[keep])
    return ColourCorrection(light, matrix, samples, lot)


def _without_spoiled(samples: PatchSamples, lot: Lot, banding: Banding) -> PatchSamples | Refusal:
    # A pair may lie in a bright and a dark band; it is compared in even light.
    bands = np.exp(DEPTH_IN_LIGHT * banding.log_light(_AT_MM, SAMPLED_MM))
    even = replace(samples, linear=samples.linear / bands)
    twins = compare_twins(even.linear)
    suspect = suspect_pairs(twins, lot)
    if not suspect.any():
        return samples
    if too_many(suspect):
        return what_lies_on_them(even.linear, twins, suspect)
    keep = ~np.repeat(suspect, 2)
    spoiled = spoiled_prints(_fit(samples, lot, keep, banding).miss(keep), suspect)
    if isinstance(spoiled, Refusal):
        return spoiled
    made = mended(even, spoiled, twins)
    return replace(made, linear=made.linear * bands)


def _refusal(correction: ColourCorrection) -> Refusal | None:
    samples, light = correction.samples, correction.light
    crushed = samples.linear[_NEUTRAL | _RAMP].min()
    mean, ramp = correction.residual_de00.mean(), correction.residual_de00[_RAMP].mean()
    field = light.log_light(_AT_MM)
    ratio = float(np.exp(np.ptp(field, axis=0).max()))
    bands = float((light.bands * light.banding.amplitude).max())
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
            bands > MAX_BANDS,
            Reason.SHADOW_EDGE,
            f"bands of {bands:.0%} across the card > {MAX_BANDS:.0%}",
        ),
        (
            mean > MAX_MEAN_DE00 or ramp > MAX_RAMP_DE00,
            Reason.COLOUR_NOT_CORRECTABLE,
            f"mean dE00 {mean:.1f} at the patches (limit {MAX_MEAN_DE00:g}), "
            f"{ramp:.1f} at the shades (limit {MAX_RAMP_DE00:g})",
        ),
        (
            correction.left_out_rms > MAX_LEFT_OUT,
            Reason.COLOUR_NOT_CORRECTABLE,
            f"shades left out are foretold to {correction.left_out_rms:.1%} > {MAX_LEFT_OUT:.1%}",
        ),
    ):
        if fails:
            return Refusal(reason, "correct", detail)
    return None
