"""Local tone mapping: what phones do to brightness by what lies around it.

A phone lifts dark neighbourhoods and holds bright ones back, so that a photo shows both. Prints
amid dark prints come out brighter than the same prints amid white, which is how the blot lies;
no tone curve, matrix or smooth field of light is that.

As with renderings, two families differ in functional form. Fitting: the picture's values times
a power of the luma about them (as Chiu et al. 1993 divided by it, from memory). Held out: two
exposures, of which each place takes more of the brighter one the darker it lies (a fusion in
the manner of Mertens, Kautz and Van Reeth 2007, from memory, with one smooth weight).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

LOCAL_SHARE = 0.3
"""Phones of the fitting family that map tone locally. With half of them, and powers up to 0.2,
phones that don't were read with 1.2 % more error (fits of seed 9101, judged on 664001), with this
0.4 %."""
MOST_POWER = 0.15
"""Of the luma about a place, in the fitting family: 0.05 and 0.125 are what the hard photos, made
by yet another form, call mild and moderate. Photographs of charts by others come to 0.06 at most
(docs/hard.md)."""
MOST_LIFT = 0.2
"""By how much the held-out family's exposures differ from the picture, as a factor on e (1 - e):
a print of code 0.1 amid dark ones gets up to 18 % more of it, 40 % in light."""
NEAREST_MM, FARTHEST_MM = 4.0, 25.0
"""Standard deviation of the neighbourhood, on the card."""
_MIDDLE = 0.5
_SOFT = 0.12
_LEAST = 0.03


@dataclass(frozen=True)
class LocalTone:
    """One phone's local tone mapping.

    Attributes
    ----------
    name : str
        Of its kind.
    reach_mm : float
        Standard deviation of the Gaussian neighbourhood, in millimetres of the card.
    apply : callable
        Encoded values 0..1 (..., 3) and the luma about them (...) to encoded values 0..1.
    """

    name: str
    reach_mm: float
    apply: Callable[[Array, Array], Array]


def draw_by_power(rng: np.random.Generator) -> LocalTone | None:
    """Of the fitting family; None for a phone that leaves tone as it is."""
    local, reach, power = rng.random() < LOCAL_SHARE, _reach(rng), rng.uniform(0, MOST_POWER)
    if not local:
        return None

    def apply(encoded: Array, about: Array) -> Array:
        gain = (_MIDDLE / np.maximum(about, _LEAST)) ** power
        return np.asarray(np.clip(encoded * gain[..., None], 0, 1))

    return LocalTone("power", reach, apply)


def draw_by_fusing(rng: np.random.Generator) -> LocalTone:
    """Of the held-out family."""
    reach, lift = _reach(rng), rng.uniform(0, MOST_LIFT)

    def apply(encoded: Array, about: Array) -> Array:
        bend = lift * encoded * (1 - encoded)
        dark = 1 / (1 + np.exp((about - _MIDDLE) / _SOFT))
        return np.asarray(encoded + (2 * dark - 1)[..., None] * bend)

    return LocalTone("fused by place", reach, apply)


def _reach(rng: np.random.Generator) -> float:
    return float(np.exp(rng.uniform(np.log(NEAREST_MM), np.log(FARTHEST_MM))))
