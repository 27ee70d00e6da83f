"""How a blot's colour drifts across its core -> how far light added by a reflection may be in it.

A faint reflection adds the lamp's own light, as much of white to every channel, and makes a
blot look thinner. One wider than the blot leaves no bright place to be refused for, but it is
seldom quite even: across the core it changes by some thousandths of white. More or less
blood changes the channels in proportion to what they are, along the line of the card's
shades of blood; added light changes most the channel that is darkest. So the drift of the colour
over the core, less its part along that line, says how fast added light changes there. How
much of it there is in all the photo can't say: a reflection as wide as the blot holds
about what it changes by over half of it, and as much the colour is in doubt, towards white.
Nothing is taken off the colour itself.

Blood lies unevenly in more ways than the shades know: it pools to one side, or leaves
fibres bare. A drift counts only where it is beyond the scatter of the core and
beyond what a drift of blood itself would be mistaken for.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cardreader.card import layout
from cardreader.card.layout import Kind
from cardreader.card.lot import Lot
from cardreader.colour.cielab import lab_to_xyz

Array = NDArray[np.float64]

MIN_TILES = 15
MIN_SIGMAS = 2.5
"""Of the drift towards white, beyond which it is taken for added light."""
BLOOD_MISTAKEN = 0.35
"""Of a drift of blood, ln Y, that may look like added light: its line is not quite the shades'."""
REACH_MM = 6.0
"""Half a blot: over so much a reflection changes by about what there is of it."""
STEEPEST_PER_MM = 0.0015
"""Standard deviation of how fast faint reflections change, in shares of white."""
_LIGHT_SD = 0.01
"""Of the light on one place of the core (ln, all channels alike) against the paper's field."""
_LEAST_SD = 0.002
"""Of one place of the core (ln, each channel), which rounding to codes leaves."""

_NOTHING = 1e-6
_DARKEST_PAPER = 1e-3
_RAMP = layout.of_kind(Kind.RAMP)


@dataclass(frozen=True)
class Drift:
    """How the colour changes across a core, in natural logarithms of three channels.

    Attributes
    ----------
    per_mm : (2, 3)
        Slope along x and y, of each channel.
    scatter : (3, 3)
        Covariance of single places about a surface of second degree.
    moment_mm2 : float
        Sum of the places' squared distances from their middle, along one direction.
    """

    per_mm: Array
    scatter: Array
    moment_mm2: float

    def carried(self, by_log: Array) -> Drift:
        """The same in channels of which ``by_log`` (3, 3) is the derivative by these."""
        return Drift(self.per_mm @ by_log.T, by_log @ self.scatter @ by_log.T, self.moment_mm2)


def drift_of(log_light: Array, at_mm: Array) -> Drift | None:
    """Of places (k, 3) in ln light at (k, 2) mm; None for fewer than `MIN_TILES`.

    The slope is that of a plane, by least squares; about a blot's middle a ring has none.
    """
    if len(at_mm) < MIN_TILES:
        return None
    x, y = (at_mm - at_mm.mean(axis=0)).T
    terms = np.stack([x, y, np.ones_like(x), x * x, x * y, y * y], axis=1)
    change = log_light - log_light.mean(axis=0)
    left = change - terms @ np.linalg.lstsq(terms, change, rcond=None)[0]
    plane = terms[:, :2]
    return Drift(
        per_mm=np.linalg.lstsq(plane, change, rcond=None)[0],
        scatter=left.T @ left / (len(left) - terms.shape[1]),
        moment_mm2=float((plane**2).sum()) / 2,
    )


@dataclass(frozen=True)
class AddedLight:
    """How fast light added to a blot changes across it.

    Attributes
    ----------
    per_mm : float
        Change a millimetre, along the steepest way, as a share of blank paper.
    sd_per_mm : float
        What scatter and uneven blood alone may make of it.
    """

    per_mm: float
    sd_per_mm: float

    @property
    def seen(self) -> bool:
        """Whether it is more than scatter and uneven blood explain."""
        return self.per_mm > MIN_SIGMAS * self.sd_per_mm

    @property
    def doubt(self) -> float:
        """How much added light may be in the blot's colour, as a share of blank paper: 0 where none
        is seen; what a faint reflection hardly does is believed the less.
        """
        if not self.seen:
            return 0.0
        believed = 1 / (1 + (self.sd_per_mm / STEEPEST_PER_MM) ** 2)
        return REACH_MM * self.per_mm * believed


def added_light(drift: Drift, log_ratio: Array, lot: Lot) -> AddedLight:
    """Part of a drift of ln XYZ that goes towards white.

    Generalised least squares of the slope on two directions, that of added light and
    that of the shades of blood.

    Parameters
    ----------
    drift : Drift
        Of ln XYZ.
    log_ratio : (3,)
        ln(XYZ of blot / XYZ of paper).
    lot : Lot
        Whose shades of blood say what more of it does.
    """
    white = towards_white(log_ratio)
    directions = np.stack([white, towards_blood(log_ratio, lot)], axis=1)
    noise = drift.scatter + _LEAST_SD**2 * np.eye(3) + _LIGHT_SD**2
    weighted = np.linalg.solve(noise, directions)
    # Where the two directions are one, all of the slope is in doubt, not an error.
    known = np.linalg.inv(directions.T @ weighted + _NOTHING * np.eye(2))
    light, blood = np.linalg.norm(known @ weighted.T @ drift.per_mm.T, axis=1)
    by_scatter = math.sqrt(known[0, 0] / drift.moment_mm2)
    by_blood = BLOOD_MISTAKEN * float(blood) / float(white[1])
    return AddedLight(float(light), math.hypot(by_scatter, by_blood))


def towards_white(log_ratio: Array) -> Array:
    """Derivative of ln XYZ of the blot (3,) by light added, as a share of blank paper."""
    return np.asarray(np.exp(-log_ratio))


def towards_blood(log_ratio: Array, lot: Lot) -> Array:
    """Derivative of ln XYZ (3,) by ln Y along the lot's shades of blood, at a blot as deep."""
    shades = np.log(lot.xyz[_RAMP])
    deep = shades[:, 1]
    paper = max(float(lab_to_xyz(lot.paper_lab)[1]), _DARKEST_PAPER)
    y = float(log_ratio[1]) + math.log(paper)
    middle = float(deep.mean())
    from_middle = deep - middle
    terms = np.stack([from_middle**n for n in range(4)], axis=1)
    fit = np.linalg.lstsq(terms, shades, rcond=None)[0]
    at = min(max(y, float(deep.min())), float(deep.max())) - middle
    return np.asarray(fit[1] + 2 * at * fit[2] + 3 * at * at * fit[3])
