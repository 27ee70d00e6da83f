"""Linear RGB of the patches -> Twins: the two prints of every shade compared.

Shades are printed in pairs mirrored about the bay. Even light, and light that
falls off smoothly, makes the two differ by a gradient alone; whatever else lies
on one of them (dirt, a drop, a reflection, a shadow) shows in what is left.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cardreader.card import layout
from cardreader.core.robust import EACH, huber, reweighted_fit

Array = NDArray[np.float64]

_FLOOR = 0.005
"""Added before taking logarithms, so that noise near black counts for little."""

_PRINTS_MM = layout.by_shade(layout.centres_mm())
_APART = (_PRINTS_MM[:, 0] - _PRINTS_MM[:, 1]) / layout.WIDTH_MM
_KNEE = 0.02
"""Difference (ln) from which a pair counts by its size and no longer by its square."""
_ROUNDS = 30


@dataclass(frozen=True)
class Twins:
    """Differences between the prints of each shade, ln(first / second) of linear RGB.

    Attributes
    ----------
    log_ratio : (36, 3) array
        Less the gradient of light.
    gradient : (36, 3) array
        What the gradient makes of it.
    """

    log_ratio: Array
    gradient: Array


def compare_twins(linear: Array) -> Twins:
    """Compare the prints of each shade, from linear RGB (72, 3) in the order of the layout."""
    first, second = np.moveaxis(layout.by_shade(linear + _FLOOR), 1, 0)
    ratio = np.log(first / second)
    left = _less_gradient(ratio)
    return Twins(left, ratio - left)


def _less_gradient(ratio: Array) -> Array:
    """Differences (36, 3) less the best plane of each channel, all but least absolute values:
    a spoiled pair stays out of it.
    """
    fit = reweighted_fit(_APART, ratio, huber(1.0), EACH, known_sd=_KNEE, rounds=_ROUNDS)
    return fit.residual
