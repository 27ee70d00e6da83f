"""Neutral prints -> LightModel: undo what the phone did to brightness, and the light over the card.

The neutral scale, printed on all four sides of the bay, tells the tone curve of each channel,
the veiling glare and the field of light apart. All are fitted together, with weak priors that
only matter where the patches say nothing.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache, cached_property

import numpy as np
from numpy.typing import NDArray

from cardreader.card import layout
from cardreader.card.layout import Kind
from cardreader.card.lot import Lot
from cardreader.colour.cielab import XYZ_TO_SRGB
from cardreader.core.robust import Loss, birge_ratio2, cauchy, parameters_spent, pseudo_huber
from cardreader.read.banding import DEPTH_IN_LIGHT, EVEN, Banding
from cardreader.read.light import (
    EPSILON,
    LightModel,
    brightness,
    field_basis,
    powers_of,
    put_slopes,
)
from cardreader.read.light import LightParameters as At
from cardreader.read.sample import SAMPLED_MM

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

# Prior spreads of the fit. All are about what phones and rooms do, in natural
# logarithms of light; the data outweigh them wherever there are data.
_TONE_PRIOR: Array = np.array([3.0, 0.25, 0.10, 0.04])
_TONE_CHANNEL_PRIOR: Array = np.array([0.03, 0.015, 0.01])
_GLARE_PRIOR = 0.02
_FIELD_PRIOR: Array = np.array([0.30, 0.30, 0.15, 0.15, 0.15])
_FIELD_CHANNEL_PRIOR = 0.02
_BANDS_PRIOR = 0.7

_SAMPLING_LOG_SD = 0.003
PRINT_SD = 0.012
"""Relative scatter of ink amount assumed between a card and its lot's measurement."""

_KNEE = 2.5
"""Residuals beyond this many standard deviations lose weight (dirt, reflections)."""
_CONVEX, _LETTING_GO = pseudo_huber(_KNEE), cauchy(_KNEE)


@cache
def _prior() -> tuple[Array, Array]:
    """The priors as linear equations in the parameters, matrix (m, 27) and right side (m,).

    The mean of the three tone curves has one prior and what a channel's curve departs
    from it another, tighter one; all others are about single parameters.
    """
    mean_curve = np.zeros((4, At.N))
    np.put_along_axis(mean_curve, At.TONE.T, 1 / 3, axis=1)
    own_curve = np.zeros((3, 3, At.N))  # channel, power from 1
    for channel, power in np.ndindex(3, 3):
        own_curve[channel, power, At.TONE[channel, power + 1]] = 1
    own_curve -= mean_curve[1:]
    single = np.eye(At.N)
    matrix = np.vstack(
        [
            mean_curve / _TONE_PRIOR[:, None],
            (own_curve / _TONE_CHANNEL_PRIOR[:, None]).reshape(-1, At.N),
            single[[At.GLARE]] / _GLARE_PRIOR,
            single[At.FIELD] / _FIELD_PRIOR[:, None],
            single[At.FIELD_CHANNEL.ravel()] / _FIELD_CHANNEL_PRIOR,
            single[At.BANDS] / _BANDS_PRIOR,
        ]
    )
    return matrix, matrix @ _start(np.zeros(3))


@cache
def _prior_gram() -> Array:
    prior, _ = _prior()
    return np.asarray(prior.T @ prior)


def _start(level: Array) -> Array:
    p = np.zeros(At.N)
    p[At.TONE[:, 0]] = level
    p[At.TONE[:, 1]] = 1.0
    p[At.BANDS] = DEPTH_IN_LIGHT
    return p


@dataclass(frozen=True, eq=False)
class _Seen:
    """What a set of parameters makes of the neutral prints.

    Light received and what of it is no glare, (n, 3) each, the residuals (3 n,), and how far
    the parameters are from their priors (m,).
    """

    received: Array
    net: Array
    residual: Array
    off_prior: Array

    def cost(self, loss: Loss) -> float:
        """Of prints and priors together."""
        return float(loss.cost(self.residual).sum() + (self.off_prior**2).sum())


@dataclass(frozen=True, eq=False)
class Neutrals:
    """Neutral prints as a photo shows them, and what they are known to be.

    Attributes
    ----------
    powers : (n, 3, 4) array
        Of the log of their nominal linear RGB (`cardreader.read.light.powers_of`).
    basis : (n, 5) array
        Of the field of light where they lie (`cardreader.read.light.field_basis`).
    bands : (n, 3) array
        Log of light there by the bands of a pulsing lamp.
    wanted : (n, 3) array
        Log of their reflectance in linear sRGB's primaries.
    sd : (n, 3) array
        Standard deviation of one to the other.
    """

    powers: Array
    basis: Array
    bands: Array
    wanted: Array
    sd: Array

    @cached_property
    def level(self) -> Array:
        """What brings each channel (3,) to the wanted in the mean, as a log."""
        return np.asarray((self.wanted - self.powers[..., 1]).mean(axis=0))

    def seen(self, p: Array) -> _Seen:
        """The prints as parameters (27,) have them."""
        tone, channels = At.tone(p), At.field_channel(p)
        received, net = brightness(self.powers, tone, p[At.GLARE])
        light = (self.basis @ p[At.FIELD])[:, None]
        light = light + self.basis[:, :2] @ channels
        light += self.bands * At.bands(p)
        residual = ((np.log(net) - light - self.wanted) / self.sd).ravel()
        prior, aim = _prior()
        return _Seen(received, net, residual, prior @ p - aim)

    def jacobian(self, seen: _Seen) -> Array:
        """Derivative of the residuals by the parameters, (3 n, 27)."""
        out = self._field_jacobian.copy()
        by_tone = self.powers * (seen.received / seen.net)[..., None] / self.sd[..., None]
        put_slopes(out, by_tone, -1 / seen.net / self.sd)
        return out.reshape(-1, At.N)

    @cached_property
    def _field_jacobian(self) -> Array:
        """The part of the Jacobian that doesn't change, (n, 3, 27): that of the light."""
        out = np.zeros((*self.wanted.shape, At.N))
        out[..., At.FIELD] = -self.basis[:, None, :]
        for channel in range(3):
            out[:, channel, At.FIELD_CHANNEL[:, channel]] = -self.basis[:, :2]
            out[:, channel, At.BANDS[channel]] = -self.bands[:, channel]
        return np.asarray(out / self.sd[..., None])


def fit_light(
    linear: Array,
    lot: Lot,
    keep: Mask | None = None,
    banding: Banding = EVEN,
    *,
    roughly: bool = False,
    near: LightModel | None = None,
) -> LightModel:
    """Fit the light model to the twenty neutral prints, or those of them to keep.

    Parameters
    ----------
    linear : (72, 3) array
        Nominal linear RGB of all patches.
    keep : (72,) array of bool
        Patches that may be used.
    banding : Banding
        Bands over the photo, whose depth is then fitted too.
    roughly, near
        As `fit_neutrals` has them.
    """
    chosen = layout.of_kind(Kind.NEUTRAL)
    if keep is not None:
        chosen = chosen & keep
    at_mm = layout.centres_mm()[chosen]
    wanted = np.log(np.maximum(lot.xyz[chosen] @ XYZ_TO_SRGB.T, EPSILON))
    neutrals = Neutrals(
        powers=powers_of(linear[chosen]),
        basis=field_basis(at_mm),
        bands=banding.log_light(at_mm, SAMPLED_MM),
        wanted=wanted,
        sd=np.hypot(_SAMPLING_LOG_SD, PRINT_SD * np.maximum(-wanted, 0)),
    )
    return fit_neutrals(neutrals, banding, roughly=roughly, near=near)


def fit_neutrals(
    neutrals: Neutrals,
    banding: Banding = EVEN,
    *,
    roughly: bool = False,
    near: LightModel | None = None,
) -> LightModel:
    """Fit the light model to neutral prints of any card or chart.

    Gauss-Newton by reweighted least squares, the step shortened until the cost
    falls: first with a convex cost (pseudo-Huber), which finds the basin from
    anywhere, then from there with one that lets go of a dirty print (Cauchy).

    Parameters
    ----------
    banding : Banding
        Bands over the photo, to stand in the model.
    roughly : bool
        Whether the basin is enough: no print is let go of.
    near : LightModel, optional
        A fit to nearly the same numbers, in whose basin this one lies.
    """
    p = near.parameters() if near else _descend(neutrals, _CONVEX, _start(neutrals.level))
    if not roughly:
        p = _descend(neutrals, _LETTING_GO, p)
    return LightModel.of_parameters(p, _covariance(neutrals, p), banding)


def _descend(neutrals: Neutrals, loss: Loss, p: Array) -> Array:
    prior, _ = _prior()
    known = _prior_gram()
    seen = neutrals.seen(p)
    cost = seen.cost(loss)
    for _ in range(40):
        jacobian = neutrals.jacobian(seen)
        weighted = jacobian * loss.weight(seen.residual)[:, None]
        gram = weighted.T @ jacobian + known
        step = np.linalg.solve(gram, weighted.T @ seen.residual + prior.T @ seen.off_prior)
        for scale in (1.0, 0.5, 0.25, 0.1, 0.03):
            trial = p - scale * step
            trial_seen = neutrals.seen(trial)
            trial_cost = trial_seen.cost(loss)
            if trial_cost < cost:
                break
        else:
            return p
        settled = cost - trial_cost < 1e-9 * (1 + cost)
        p, seen, cost = trial, trial_seen, trial_cost
        if settled:
            break
    return p


def _covariance(neutrals: Neutrals, p: Array) -> Array:
    """Of the parameters; neutrals that scatter more than expected widen all (Birge ratio)."""
    seen = neutrals.seen(p)
    jacobian = neutrals.jacobian(seen)
    weight = _LETTING_GO.weight(seen.residual)
    from_data = (jacobian * weight[:, None]).T @ jacobian
    gram = from_data + _prior_gram()
    excess = birge_ratio2(weight, seen.residual, parameters_spent(gram, from_data))
    return np.asarray(np.linalg.inv(gram) * excess, float)
