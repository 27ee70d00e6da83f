"""Renderings: what phones do to colour after the tone curve, in encoded values.

Livelier or duller colour that is made in linear light is one more 3x3 matrix, and a
reader's matrix takes it back exactly. Phones make it later, in the numbers of the
file, about a luma or in a perceptual space, often by hue and with skin spared, and
no matrix takes that back. They also end their whites below the highest code, and
those that fuse several exposures press brightness without touching the ratio of
the channels. What a place gets for what lies around it is in `localtone`.

As with sensors, two families differ in functional form. Fitting: away from a weighted
power mean of the channels, which lies between luma and the brightest channel, in some
power of the code; more for some hues than others; brightness pressed by a power of
luma. Held out: in Oklab with skin spared, in hue-saturation-value, or with a rational
curve on luma. Of those the reader undoes the first two by their own formulas, so a third
family has none that it knows: in CIELAB, about the middle of the brightest and darkest
channel, or pale colours more than strong ones.
Strengths follow photographs of colour charts by others: a third of those are
livelier by 0.15 or more (tests/hard/test_real_phones.py).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import colour
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Rendering:
    """One phone's treatment of colour.

    ``apply`` takes encoded 0..1 to encoded 0..1, (..., 3) in and out; greys stay grey.
    ``name`` is of its kind, for grouping.
    """

    name: str
    apply: Callable[[Array], Array]

    def __call__(self, encoded: Array) -> Array:
        """As `apply`."""
        return self.apply(encoded)


BT601_LUMA: Array = np.array([0.299, 0.587, 0.114])
BT709_LUMA: Array = np.array([0.2126, 0.7152, 0.0722])

PLAIN_SHARE = 0.35
"""Phones that leave colour as it is."""
DULLEST, LIVELIEST = -0.15, 0.50
"""Change of saturation of the others, as a share."""
MOST_BY_HUE = 0.12
"""How much livelier than the mean one hue may be made, as a share of saturation."""
LOW_WHITE_SHARE, LOWEST_WHITE = 0.3, 0.96
"""Phones whose whites end below the highest code, and where."""

OTHER_SPACE_SHARE = 0.5
"""Phones of the fitting family that work in another space than the code's own."""
_POWERS, _MEANS = (0.7, 1.2), (1.0, 8.0)

PRESSED_SHARE = 0.3
"""Phones that press brightness by luma and not by channel."""
_LEAST_POWER, _MOST_LIFT = 0.85, 0.35

_SKIN_RAD, _SKIN_WIDTH_RAD = 0.8, 0.5
"""Oklab hue of skin, whatever its depth, and how far round it colour is spared."""


def saturate_about_luma(encoded: Array, gain: float | Array, luma: Array = BT709_LUMA) -> Array:
    """Move encoded values (..., 3) away from their luma by a gain, 1 for none."""
    grey = (encoded @ luma)[..., None]
    return np.asarray(np.clip(grey + gain * (encoded - grey), 0, 1))


def saturate_in_power(
    encoded: Array, gain: float | Array, weights: Array, power: float, mean: float
) -> Array:
    """Move a power of the code away from its power mean; a mean of 1 is a luma, a great one
    the brightest channel.
    """
    code = np.maximum(encoded, 1e-6) ** power
    grey = ((code**mean) @ weights)[..., None] ** (1 / mean)
    return np.asarray(np.clip(grey + gain * (code - grey), 0, 1) ** (1 / power))


def saturate_in_hsv(encoded: Array, gain: float) -> Array:
    """Raise saturation as HSV has it: the brightest channel stays, the others move from it."""
    value = encoded.max(axis=-1, keepdims=True)
    return np.asarray(np.clip(value + gain * (encoded - value), 0, 1))


def saturate_in_oklab(encoded: Array, gain: float | Array, turn_rad: float = 0.0) -> Array:
    """Scale Oklab's chroma by a gain and turn its hue."""
    a, b = np.moveaxis(_oklab(encoded)[..., 1:], -1, 0)
    cos, sin = np.cos(turn_rad), np.sin(turn_rad)
    turned = np.stack([a * cos - b * sin, a * sin + b * cos], axis=-1)
    if np.ndim(gain):
        gain = np.asarray(gain)[..., None]
    lab = np.concatenate([_oklab(encoded)[..., :1], gain * turned], axis=-1)
    return _from_oklab(lab)


def draw_about_grey(rng: np.random.Generator) -> Rendering:
    """Of the fitting family: about a power mean, more for some hues than others."""
    weights = (BT601_LUMA, BT709_LUMA, rng.dirichlet((2.0, 2.0, 2.0)))[int(rng.integers(3))]
    gain = 1 + _strength(rng)
    ripple, phase = rng.uniform(0, MOST_BY_HUE), rng.uniform(0, 2 * np.pi)
    order = int(rng.integers(1, 3))
    white = _white(rng)
    pressed, pressing = rng.random() < PRESSED_SHARE, rng.uniform(_LEAST_POWER, 1.0)
    elsewhere, power = rng.random() < OTHER_SPACE_SHARE, rng.uniform(*_POWERS)
    mean = float(np.exp(rng.uniform(*np.log(_MEANS))))
    power, mean = (power, mean) if elsewhere else (1.0, 1.0)
    if gain == 1:
        ripple = 0.0

    def render(encoded: Array) -> Array:
        code = _pressed(encoded, pressing) if pressed else encoded
        by_hue = (ripple * np.cos(order * _hue(code) - phase))[..., None]
        return white * saturate_in_power(code, gain + by_hue, weights, power, mean)

    if pressed:
        return Rendering("pressed", render)
    kind = "plain" if gain == 1 else "power mean" if elsewhere else "luma"
    return Rendering(kind, render)


def draw_otherwise(rng: np.random.Generator) -> Rendering:
    """Of the held-out family: in Oklab with skin spared, in HSV, or brightness alone pressed."""
    name, draw = _OTHERWISE[int(rng.integers(len(_OTHERWISE)))]
    render, white = draw(rng), _white(rng)
    return Rendering(name, lambda encoded: white * render(encoded))


def _draw_perceptual(rng: np.random.Generator) -> Callable[[Array], Array]:
    strength, spared = _strength(rng), rng.uniform(0, 0.6)
    turn = rng.normal(0, 0.03) if strength else 0.0

    def render(encoded: Array) -> Array:
        lab = _oklab(encoded)
        off = np.angle(np.exp(1j * (np.arctan2(lab[..., 2], lab[..., 1]) - _SKIN_RAD)))
        skin = spared * np.exp(-0.5 * (off / _SKIN_WIDTH_RAD) ** 2)
        return saturate_in_oklab(encoded, 1 + strength * (1 - skin), turn)

    return render


def _draw_hsv(rng: np.random.Generator) -> Callable[[Array], Array]:
    gain = 1 + _strength(rng)
    return lambda encoded: saturate_in_hsv(encoded, gain)


def _draw_fused(rng: np.random.Generator) -> Callable[[Array], Array]:
    """Exposures fused: one curve on luma, by which all channels are multiplied alike."""
    lift, gain = rng.uniform(0, _MOST_LIFT), 1 + _strength(rng)

    def render(encoded: Array) -> Array:
        luma = (encoded @ BT709_LUMA)[..., None]
        fused = encoded * (1 + lift * (1 - luma)) / (1 + lift * (1 - luma) * luma)
        return saturate_about_luma(np.clip(fused, 0, 1), gain, BT709_LUMA)

    return render


def draw_unlike_the_readers(rng: np.random.Generator) -> Rendering:
    """Of the third family: in CIELAB, about the channels' middle, or pale colours more."""
    name, draw = _UNLIKE[int(rng.integers(len(_UNLIKE)))]
    render, white = draw(rng), _white(rng)
    return Rendering(name, lambda encoded: white * render(encoded))


def _draw_cielab(rng: np.random.Generator) -> Callable[[Array], Array]:
    gain = 1 + _strength(rng)

    def render(encoded: Array) -> Array:
        lab = colour.XYZ_to_Lab(colour.models.eotf_sRGB(encoded) @ _TO_XYZ.T)
        linear = colour.Lab_to_XYZ(lab * [1, gain, gain]) @ _FROM_XYZ.T
        return np.asarray(colour.models.eotf_inverse_sRGB(np.clip(linear, 0, 1)))

    return render


def _draw_about_middle(rng: np.random.Generator) -> Callable[[Array], Array]:
    """As hue-saturation-lightness has it."""
    gain = 1 + _strength(rng)

    def render(encoded: Array) -> Array:
        middle = (encoded.max(axis=-1, keepdims=True) + encoded.min(axis=-1, keepdims=True)) / 2
        return np.asarray(np.clip(middle + gain * (encoded - middle), 0, 1))

    return render


def _draw_pale_first(rng: np.random.Generator) -> Callable[[Array], Array]:
    """What is pale becomes livelier, what is strong hardly."""
    strength = _strength(rng)

    def render(encoded: Array) -> Array:
        value = np.maximum(encoded.max(axis=-1), 1e-3)
        strong = (value - encoded.min(axis=-1)) / value
        return saturate_about_luma(encoded, (1 + strength * (1 - strong))[..., None])

    return render


_OTHERWISE = (("Oklab", _draw_perceptual), ("HSV", _draw_hsv), ("fused", _draw_fused))
_UNLIKE = (
    ("CIELAB", _draw_cielab),
    ("about the middle", _draw_about_middle),
    ("pale first", _draw_pale_first),
)


def _pressed(encoded: Array, power: float) -> Array:
    """Brightness by a power of luma, all channels alike."""
    luma = np.maximum(encoded @ BT709_LUMA, 1e-3)[..., None]
    return np.asarray(np.clip(encoded * luma ** (power - 1), 0, 1))


def _strength(rng: np.random.Generator) -> float:
    plain, strength = rng.random() < PLAIN_SHARE, rng.uniform(DULLEST, LIVELIEST)
    return 0.0 if plain else float(strength)


def _white(rng: np.random.Generator) -> float:
    low, white = rng.random() < LOW_WHITE_SHARE, rng.uniform(LOWEST_WHITE, 1.0)
    return float(white) if low else 1.0


def _hue(encoded: Array) -> Array:
    red, green, blue = np.moveaxis(encoded, -1, 0)
    return np.arctan2(np.sqrt(3) * (green - blue), 2 * red - green - blue)


def _oklab(encoded: Array) -> Array:
    linear = colour.models.eotf_sRGB(encoded)
    return np.asarray(colour.XYZ_to_Oklab(linear @ _TO_XYZ.T))


def _from_oklab(lab: Array) -> Array:
    linear = colour.Oklab_to_XYZ(lab) @ _FROM_XYZ.T
    return np.asarray(colour.models.eotf_inverse_sRGB(np.clip(linear, 0, 1)))


_TO_XYZ: Array = np.asarray(colour.RGB_COLOURSPACES["sRGB"].matrix_RGB_to_XYZ, np.float64)
_FROM_XYZ: Array = np.asarray(np.linalg.inv(_TO_XYZ), np.float64)
