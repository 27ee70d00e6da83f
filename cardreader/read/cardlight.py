"""White of the card -> CardLight: the smooth light over it, and how that bends over the bay.

A lamp close by, a lens or a window makes light fall off over all of the card, over bare card
and blotting paper alike. White card between the prints shows it in the file's own values, in
which paper is about as bright, so that no tone curve stands between the two.

How light falls off towards the corners is not known, and the white near the bay is covered by
prints and paper: one shape may make a wide reflection on the bay pass for light that falls off.
So it bends over the bay by the lesser of what two shapes say.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cardreader.card import layout
from cardreader.core.order import median, quantile
from cardreader.core.robust import EACH, RobustFit, huber, reweighted_fit
from cardreader.read.banding import EVEN, Banding
from cardreader.read.bay import SIDE_MM
from cardreader.read.locate import CardPose
from cardreader.read.photo import Photo
from cardreader.read.whitespots import light_of_spots, spots_mm

Array = NDArray[np.float64]

MAX_FALL_OFF_UNEVEN = 0.025
"""What a smooth field leaves of light that only falls off, ln light."""
MAX_FALL_OFF_PEAK = 0.026
"""Ln light from the middle of the bay to its sides, beyond which no fall-off was tried."""

_KNEE = 0.02
_ROUNDS = 30
_DARK, _LIGHT = 0.1, 0.9
"""Quantiles of the spots between which unevenness is counted."""
_LEAST_LIGHT = 1e-3
_BAY_SHARE = SIDE_MM / layout.WIDTH_MM


@dataclass(frozen=True)
class CardLight:
    """The card's own light.

    Attributes
    ----------
    over_bay : (5,)
        Ln light over the bay, by x, y, x², x y and y², each -1 to 1 over it: that of two
        shapes of fall-off which bends less.
    peak : float
        Ln light from the middle of the bay to its sides, by the shape which bends more.
    rest : (n,)
        What a field of second degree leaves of the white spots, ln light.
    """

    over_bay: Array
    peak: float
    rest: Array

    @property
    def unevenness(self) -> float:
        """Ln light that the field leaves between the darkest and the brightest tenth."""
        ordered = np.sort(self.rest)
        return float(quantile(ordered, _LIGHT) - quantile(ordered, _DARK))

    @property
    def is_fall_off(self) -> bool:
        """Whether it is smooth, and bends no further than was tried with right readings."""
        return self.unevenness <= MAX_FALL_OFF_UNEVEN and self.peak <= MAX_FALL_OFF_PEAK


def peak_of(over_bay: Array) -> float:
    """Ln light from the middle of the bay to its sides, of a field as `CardLight.over_bay`."""
    return -float(over_bay[2] + over_bay[4]) / 2


def card_light(photo: Photo, pose: CardPose, banding: Banding = EVEN) -> CardLight:
    """Of a photo's white spots, bands of light off."""
    seen = log_light_of_spots(photo, pose)
    return smooth_light(seen - banding.log_light(spots_mm()) if banding.found else seen)


def log_light_of_spots(photo: Photo, pose: CardPose) -> Array:
    """Ln of nominal linear RGB (n, 3) of the spots of `whitespots.spots_mm`."""
    return np.asarray(np.log(np.maximum(light_of_spots(photo, pose), _LEAST_LIGHT)))


def smooth_light(log_light: Array) -> CardLight:
    """A field that bends, fitted to the spots' ln light (n, 3)."""
    terms = field_terms()
    fit = fitted(terms, log_light)
    towards_corners = ((terms[:, 1:3] ** 2).sum(axis=1) ** 2)[:, None]
    steeper = fitted(np.hstack([terms, towards_corners]), log_light)
    less, more = sorted((_over_bay(f.coefficients) for f in (fit, steeper)), key=peak_of)
    return CardLight(over_bay=less, peak=peak_of(more), rest=median(fit.residual))


def _over_bay(coefficients: Array) -> Array:
    """Of a field's coefficients (k, 3) over the card; a fourth power adds nothing so near."""
    scale = np.array([_BAY_SHARE] * 2 + [_BAY_SHARE**2] * 3)
    # Of three channels the middle one: in coloured light one may be all grain.
    return np.asarray(median(coefficients[1:6]) * scale)


def field_terms() -> Array:
    """1, x, y, x², x y and y² of the spots (n, 6), in half widths of the card from its middle."""
    x, y = ((spots_mm() - layout.CENTRE_MM) / (layout.WIDTH_MM / 2)).T
    return np.column_stack([np.ones(len(x)), x, y, x * x, x * y, y * y])


def fitted(terms: Array, log_light: Array) -> RobustFit:
    """Fit of terms (n, k) to the spots' ln light (n, 3): what lies on some of them is let go of."""
    return reweighted_fit(terms, log_light, huber(1.0), EACH, known_sd=_KNEE, rounds=_ROUNDS)
