"""What a phone did to brightness, and the light over the card, as a model to be undone.

Per channel the inverse of whatever the phone did to brightness (tone curve, exposure, white
balance, veiling glare), and over the card the field of light: a smooth log-polynomial, with the
bands of a pulsing lamp if there are any. `cardreader.read.lightfit` fits it to the neutral prints.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from cardreader.card import layout
from cardreader.read.banding import EVEN, Banding
from cardreader.read.sample import SAMPLED_MM

Array = NDArray[np.float64]

EPSILON = 1e-4
"""Light below which logarithms are not taken: a hundredth of black ink."""


def _run(indices: NDArray[np.intp]) -> slice:
    """The same indices, which follow on each other: a view is quicker than a choice."""
    return slice(int(indices.flat[0]), int(indices.flat[-1]) + 1)


class LightParameters:
    """Where each of the model's parameters lies in a vector of all of them, (27,)."""

    TONE = np.arange(12).reshape(3, 4)  # channel, power
    GLARE = 12
    FIELD = slice(13, 18)
    FIELD_CHANNEL = np.arange(18, 24).reshape(2, 3)  # slope along x and y, channel
    BANDS = np.arange(24, 27)  # channel
    N = 27
    SEEN_ALIKE = slice(13)
    """Tone and glare: what two colours at one place have in common."""

    @staticmethod
    def tone(p: Array) -> Array:
        """View of the tone curves (3, 4) in a vector of all."""
        return p[_TONE].reshape(LightParameters.TONE.shape)

    @staticmethod
    def field_channel(p: Array) -> Array:
        """View of what single channels add to the field's slopes, (2, 3)."""
        return p[_FIELD_CHANNEL].reshape(LightParameters.FIELD_CHANNEL.shape)

    @staticmethod
    def bands(p: Array) -> Array:
        """View of how deep the bands are, (3,)."""
        return p[_BANDS]


_TONE, _FIELD_CHANNEL, _BANDS = (
    _run(at) for at in (LightParameters.TONE, LightParameters.FIELD_CHANNEL, LightParameters.BANDS)
)
_TONES = tuple(_run(of_channel) for of_channel in LightParameters.TONE)
_UNKNOWN: Array = np.zeros((LightParameters.N, LightParameters.N))


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

    @classmethod
    def of_parameters(
        cls, p: Array, covariance: Array = _UNKNOWN, banding: Banding = EVEN
    ) -> LightModel:
        """The model of all parameters in one vector (27,), as `LightParameters` has them."""
        return cls(
            tone=LightParameters.tone(p),
            glare=float(p[LightParameters.GLARE]),
            field=p[LightParameters.FIELD],
            field_channel=LightParameters.field_channel(p),
            bands=LightParameters.bands(p),
            covariance=covariance,
            banding=banding,
        )

    def parameters(self) -> Array:
        """All parameters in one vector (27,)."""
        p = np.zeros(LightParameters.N)
        p[LightParameters.TONE], p[LightParameters.GLARE] = self.tone, self.glare
        p[LightParameters.FIELD], p[LightParameters.FIELD_CHANNEL] = self.field, self.field_channel
        p[LightParameters.BANDS] = self.bands
        return p

    def log_light(self, at_mm: ArrayLike) -> Array:
        """Log of relative light at card positions (N, 2), shape (N, 3).

        Mean over as much of the card as is sampled of a patch: bands may be little wider.
        """
        basis = field_basis(np.asarray(at_mm, float))
        light = (basis @ self.field)[:, None] + basis[:, :2] @ self.field_channel
        return np.asarray(light + self.bands * self.banding.log_light(at_mm, SAMPLED_MM))

    def log_brightness(self, linear: ArrayLike) -> Array:
        """Log of light received, glare removed, from nominal linear RGB (N, 3)."""
        return np.log(brightness(powers_of(linear), self.tone, self.glare)[1])

    def brightness_jacobian(self, linear: ArrayLike) -> Array:
        """Derivative of `log_brightness` (N, 3) by tone and glare, shape (N, 3, 13)."""
        powers = powers_of(linear)
        received, net = brightness(powers, self.tone, self.glare)
        out = np.zeros((*net.shape, LightParameters.SEEN_ALIKE.stop))
        put_slopes(out, powers * (received / net)[..., None], -1 / net)
        return out

    def log_brightness_and_slope(self, linear: ArrayLike) -> tuple[Array, Array]:
        """`log_brightness` (N, 3) and its derivative by the log of nominal linear RGB."""
        powers = powers_of(linear)
        received, net = brightness(powers, self.tone, self.glare)
        return np.log(net), self._tone_slope(powers) * received / net

    def ratio_covariance(self, linear: ArrayLike, reference: ArrayLike, by_log: Array) -> Array:
        """Of a function of two colours seen at one place, (3, 3), from tone and glare.

        ``linear`` and ``reference`` (3,) are nominal RGB; ``by_log`` (2, 3, 3) is the
        function's derivative by the log brightness of each. The field of light cancels.
        """
        rgb = np.stack([np.asarray(linear, float), np.asarray(reference, float)])
        first, second = by_log @ self.brightness_jacobian(rgb)
        difference = first - second
        known = self.covariance[LightParameters.SEEN_ALIKE, LightParameters.SEEN_ALIKE]
        return np.asarray(difference @ known @ difference.T)

    def reflectance(self, linear: ArrayLike, at_mm: ArrayLike) -> Array:
        """Reflectance-like RGB (N, 3): brightness over light."""
        return np.exp(self.log_brightness(linear) - self.log_light(at_mm))

    def tone_slope(self, linear: ArrayLike) -> Array:
        """Derivative of log brightness by log nominal RGB, shape (N, 3): positive if sound."""
        return self._tone_slope(powers_of(linear))

    def _tone_slope(self, powers: Array) -> Array:
        rise = self.tone[:, 1:] * np.arange(1, 4)
        return np.asarray((powers[..., :3] * rise).sum(axis=-1))


def powers_of(linear: ArrayLike) -> Array:
    """Powers 0 to 3 of the log of nominal linear RGB, shape (N, 3, 4)."""
    t = np.log(np.maximum(np.asarray(linear, float), EPSILON))
    powers = np.empty((*t.shape, 4))
    square = t * t
    powers[..., 0], powers[..., 1], powers[..., 2], powers[..., 3] = 1.0, t, square, square * t
    return powers


def brightness(powers: Array, tone: Array, glare: float) -> tuple[Array, Array]:
    """Light received with and without the glare, (N, 3) each."""
    # Clipped, so that a start far off can't overflow.
    received = np.exp(np.minimum(np.maximum((powers * tone).sum(axis=-1), -20), 5))
    return received, np.maximum(received - glare, EPSILON)


def put_slopes(out: Array, by_tone: Array, by_glare: Array) -> None:
    """Write derivatives by a channel's own tone (N, 3, 4) and by glare (N, 3) where they belong
    among all (N, 3, 13 or more).
    """
    for channel, tone in enumerate(_TONES):
        out[:, channel, tone] = by_tone[:, channel]
    out[..., LightParameters.GLARE] = by_glare


def field_basis(at_mm: Array) -> Array:
    """Terms of the field of light at card positions (N, 2), shape (N, 5): slopes, then bends."""
    u, v = ((at_mm - layout.CENTRE_MM) / (layout.WIDTH_MM / 2)).T
    basis = np.empty((len(u), 5))
    basis[:, 0], basis[:, 1], basis[:, 2], basis[:, 3], basis[:, 4] = u, v, u * u, v * v, u * v
    return basis
