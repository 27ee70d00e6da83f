"""Neutral prints -> LightModel: undo what the phone did to brightness, and the light over the card.

The neutral scale, printed on all four sides of the bay, gives per channel the inverse
of whatever the phone did to brightness (tone curve, exposure, white balance, veiling
glare), and over the card the field of light: a smooth log-polynomial, with the bands
of a pulsing lamp if there are any. All are fitted together, with weak priors that
only matter where the patches say nothing.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache, cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray

from cardreader.card import layout
from cardreader.card.layout import Kind
from cardreader.card.lot import Lot
from cardreader.colour.cielab import XYZ_TO_SRGB
from cardreader.core.robust import Loss, birge_ratio2, cauchy, parameters_spent, pseudo_huber
from cardreader.read.banding import DEPTH_IN_LIGHT, EVEN, Banding
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
_PRINT_SD = 0.012
"""Relative scatter of ink amount assumed between a card and its lot's measurement."""

_KNEE = 2.5
"""Residuals beyond this many standard deviations lose weight (dirt, reflections)."""
_CONVEX, _LETTING_GO = pseudo_huber(_KNEE), cauchy(_KNEE)

EPSILON = 1e-4
"""Light below which logarithms are not taken: a hundredth of black ink."""


class _At:
    """Where each of the model's parameters lies in the vector that is fitted."""

    TONE = np.arange(12).reshape(3, 4)  # channel, power
    GLARE = 12
    FIELD = slice(13, 18)
    FIELD_CHANNEL = np.arange(18, 24).reshape(2, 3)  # slope along x and y, channel
    BANDS = np.arange(24, 27)  # channel
    N = 27
    SEEN_ALIKE = slice(13)
    """Tone and glare: what two colours at one place have in common."""


def _run(indices: NDArray[np.intp]) -> slice:
    """The same indices, which follow on each other: a view is quicker than a choice."""
    return slice(int(indices.flat[0]), int(indices.flat[-1]) + 1)


_TONES = tuple(_run(of_channel) for of_channel in _At.TONE)
_TONE, _FIELD_CHANNEL, _BANDS = (_run(at) for at in (_At.TONE, _At.FIELD_CHANNEL, _At.BANDS))


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
        return np.log(_brightness(_powers(linear), self.tone, self.glare)[1])

    def brightness_jacobian(self, linear: ArrayLike) -> Array:
        """Derivative of `log_brightness` (N, 3) by tone and glare, shape (N, 3, 13)."""
        powers = _powers(linear)
        received, net = _brightness(powers, self.tone, self.glare)
        out = np.zeros((*net.shape, _At.SEEN_ALIKE.stop))
        _put(out, powers * (received / net)[..., None], -1 / net)
        return out

    def log_brightness_and_slope(self, linear: ArrayLike) -> tuple[Array, Array]:
        """`log_brightness` (N, 3) and its derivative by the log of nominal linear RGB."""
        powers = _powers(linear)
        received, net = _brightness(powers, self.tone, self.glare)
        return np.log(net), self._tone_slope(powers) * received / net

    def ratio_covariance(self, linear: ArrayLike, reference: ArrayLike, by_log: Array) -> Array:
        """Of a function of two colours seen at one place, (3, 3), from tone and glare.

        ``linear`` and ``reference`` (3,) are nominal RGB; ``by_log`` (2, 3, 3) is the
        function's derivative by the log brightness of each. The field of light cancels.
        """
        rgb = np.stack([np.asarray(linear, float), np.asarray(reference, float)])
        first, second = by_log @ self.brightness_jacobian(rgb)
        difference = first - second
        known = self.covariance[_At.SEEN_ALIKE, _At.SEEN_ALIKE]
        return np.asarray(difference @ known @ difference.T)

    def reflectance(self, linear: ArrayLike, at_mm: ArrayLike) -> Array:
        """Reflectance-like RGB (N, 3): brightness over light."""
        return np.exp(self.log_brightness(linear) - self.log_light(at_mm))

    def tone_slope(self, linear: ArrayLike) -> Array:
        """Derivative of log brightness by log nominal RGB, shape (N, 3): positive if sound."""
        return self._tone_slope(_powers(linear))

    def _tone_slope(self, powers: Array) -> Array:
        rise = self.tone[:, 1:] * np.arange(1, 4)
        return np.asarray((powers[..., :3] * rise).sum(axis=-1))


def _powers(linear: ArrayLike) -> Array:
    """Powers 0 to 3 of the log of nominal linear RGB, shape (N, 3, 4)."""
    t = np.log(np.maximum(np.asarray(linear, float), EPSILON))
    powers = np.empty((*t.shape, 4))
    square = t * t
    powers[..., 0], powers[..., 1], powers[..., 2], powers[..., 3] = 1.0, t, square, square * t
    return powers


def _brightness(powers: Array, tone: Array, glare: float) -> tuple[Array, Array]:
    """Light received with and without the glare, (N, 3) each."""
    # Clipped, so that a start far off can't overflow.
    received = np.exp(np.minimum(np.maximum((powers * tone).sum(axis=-1), -20), 5))
    return received, np.maximum(received - glare, EPSILON)


def _put(out: Array, by_tone: Array, by_glare: Array) -> None:
    """Write derivatives by a channel's own tone (N, 3, 4) and by glare (N, 3) where they belong
    among all (N, 3, 13 or more).
    """
    for channel, tone in enumerate(_TONES):
        out[:, channel, tone] = by_tone[:, channel]
    out[..., _At.GLARE] = by_glare


def _field_basis(at_mm: Array) -> Array:
    u, v = ((at_mm - layout.CENTRE_MM) / (layout.WIDTH_MM / 2)).T
    basis = np.empty((len(u), 5))
    basis[:, 0], basis[:, 1], basis[:, 2], basis[:, 3], basis[:, 4] = u, v, u * u, v * v, u * v
    return basis


_UNKNOWN: Array = np.zeros((_At.N, _At.N))


def _unpack(p: Array, covariance: Array = _UNKNOWN, banding: Banding = EVEN) -> LightModel:
    return LightModel(
        tone=p[_TONE].reshape(_At.TONE.shape),
        glare=float(p[_At.GLARE]),
        field=p[_At.FIELD],
        field_channel=p[_FIELD_CHANNEL].reshape(_At.FIELD_CHANNEL.shape),
        bands=p[_BANDS],
        covariance=covariance,
        banding=banding,
    )


def _packed(model: LightModel) -> Array:
    p = np.zeros(_At.N)
    p[_At.TONE], p[_At.GLARE], p[_At.FIELD] = model.tone, model.glare, model.field
    p[_At.FIELD_CHANNEL], p[_At.BANDS] = model.field_channel, model.bands
    return p


@cache
def _prior() -> tuple[Array, Array]:
    """The priors as linear equations in the parameters, matrix (m, 27) and right side (m,).

    The mean of the three tone curves has one prior and what a channel's curve departs
    from it another, tighter one; all others are about single parameters.
    """
    mean_curve = np.zeros((4, _At.N))
    np.put_along_axis(mean_curve, _At.TONE.T, 1 / 3, axis=1)
    own_curve = np.zeros((3, 3, _At.N))  # channel, power from 1
    for channel, power in np.ndindex(3, 3):
        own_curve[channel, power, _At.TONE[channel, power + 1]] = 1
    own_curve -= mean_curve[1:]
    single = np.eye(_At.N)
    matrix = np.vstack(
        [
            mean_curve / _TONE_PRIOR[:, None],
            (own_curve / _TONE_CHANNEL_PRIOR[:, None]).reshape(-1, _At.N),
            single[[_At.GLARE]] / _GLARE_PRIOR,
            single[_At.FIELD] / _FIELD_PRIOR[:, None],
            single[_At.FIELD_CHANNEL.ravel()] / _FIELD_CHANNEL_PRIOR,
            single[_At.BANDS] / _BANDS_PRIOR,
        ]
    )
    return matrix, matrix @ _start(np.zeros(3))


@cache
def _prior_gram() -> Array:
    prior, _ = _prior()
    return np.asarray(prior.T @ prior)


def _start(level: Array) -> Array:
    p = np.zeros(_At.N)
    p[_At.TONE[:, 0]] = level
    p[_At.TONE[:, 1]] = 1.0
    p[_At.BANDS] = DEPTH_IN_LIGHT
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
class _NeutralFit:
    """Misfit of n neutral prints and its derivatives, in standard deviations."""

    powers: Array
    basis: Array
    bands: Array
    wanted: Array
    sd: Array

    def seen(self, p: Array) -> _Seen:
        """The prints as parameters (27,) have them."""
        tone, channels = p[_TONE].reshape(_At.TONE.shape), p[_FIELD_CHANNEL]
        received, net = _brightness(self.powers, tone, p[_At.GLARE])
        light = (self.basis @ p[_At.FIELD])[:, None]
        light = light + self.basis[:, :2] @ channels.reshape(_At.FIELD_CHANNEL.shape)
        light += self.bands * p[_BANDS]
        residual = ((np.log(net) - light - self.wanted) / self.sd).ravel()
        prior, aim = _prior()
        return _Seen(received, net, residual, prior @ p - aim)

    def jacobian(self, seen: _Seen) -> Array:
        """Derivative of the residuals by the parameters, (3 n, 27)."""
        out = self._field_jacobian.copy()
        by_tone = self.powers * (seen.received / seen.net)[..., None] / self.sd[..., None]
        _put(out, by_tone, -1 / seen.net / self.sd)
        return out.reshape(-1, _At.N)

    @cached_property
    def _field_jacobian(self) -> Array:
        """The part of the Jacobian that doesn't change, (n, 3, 27): that of the light."""
        out = np.zeros((*self.wanted.shape, _At.N))
        out[..., _At.FIELD] = -self.basis[:, None, :]
        for channel in range(3):
            out[:, channel, _At.FIELD_CHANNEL[:, channel]] = -self.basis[:, :2]
            out[:, channel, _At.BANDS[channel]] = -self.bands[:, channel]
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
    roughly : bool
        Whether the basin is enough: no print is let go of.
    near : LightModel, optional
        A fit to nearly the same numbers, in whose basin this one lies.
    """
    chosen = layout.of_kind(Kind.NEUTRAL)
    if keep is not None:
        chosen = chosen & keep
    at_mm = layout.centres_mm()[chosen]
    wanted = np.log(np.maximum(lot.xyz[chosen] @ XYZ_TO_SRGB.T, EPSILON))
    t = np.log(np.maximum(linear[chosen], EPSILON))
    fit = _NeutralFit(
        powers=_powers(linear[chosen]),
        basis=_field_basis(at_mm),
        bands=banding.log_light(at_mm, SAMPLED_MM),
        wanted=wanted,
        sd=np.hypot(_SAMPLING_LOG_SD, _PRINT_SD * np.maximum(-wanted, 0)),
    )
    start = (wanted - t).mean(axis=0)
    p = _packed(near) if near else _descend(fit, _CONVEX, _start(start))
    if not roughly:
        p = _descend(fit, _LETTING_GO, p)
    return _unpack(p, _covariance(fit, p), banding)


def _descend(fit: _NeutralFit, loss: Loss, p: Array) -> Array:
    prior, _ = _prior()
    known = _prior_gram()
    seen = fit.seen(p)
    cost = seen.cost(loss)
    for _ in range(40):
        jacobian = fit.jacobian(seen)
        weighted = jacobian * loss.weight(seen.residual)[:, None]
        gram = weighted.T @ jacobian + known
        step = np.linalg.solve(gram, weighted.T @ seen.residual + prior.T @ seen.off_prior)
        for scale in (1.0, 0.5, 0.25, 0.1, 0.03):
            trial = p - scale * step
            trial_seen = fit.seen(trial)
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


def _covariance(fit: _NeutralFit, p: Array) -> Array:
    """Of the parameters; neutrals that scatter more than expected widen all (Birge ratio)."""
    seen = fit.seen(p)
    jacobian = fit.jacobian(seen)
    weight = _LETTING_GO.weight(seen.residual)
    from_data = (jacobian * weight[:, None]).T @ jacobian
    gram = from_data + _prior_gram()
    excess = birge_ratio2(weight, seen.residual, parameters_spent(gram, from_data))
    return np.asarray(np.linalg.inv(gram) * excess, float)
