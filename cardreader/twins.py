"""PatchSamples -> Twins: the two prints of every shade compared, to find light gone wrong.

Shades are printed in pairs mirrored about the bay. Even light, and light that
falls off smoothly, makes the two differ by a gradient alone; a reflection adds
light to one of them, most visibly where it should be dark, and the edge of a
shadow takes the same share from every colour on one side.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cardreader import layout

Array = NDArray[np.float64]

MIN_RATIO = 0.25
"""Least difference (ln) in one channel, beyond the gradient, that a pair is judged by."""
MIN_ADDED = 0.012
"""Least light added in all three channels (linear, full scale 1) that two pairs must show."""
MIN_ADDED_ALONE = 0.03
"""The same where a single pair shows it."""
MIN_SHADOW = 0.12
"""Least share (ln) taken from all three channels alike that three pairs must show."""
_ALIKE = 0.6
"""A shadow takes alike from all channels: the least change is at least this part of the most."""

_FLOOR = 0.005
"""Added before taking logarithms, so that noise near black counts for little."""

_AT_MM = np.array([(cell.x_mm, cell.y_mm) for cell in layout.cells()])
_APART = (_AT_MM[0::2] - _AT_MM[1::2]) / layout.WIDTH_MM
_PRODUCTS = (_APART[:, :, None] * _APART[:, None, :]).reshape(-1, 4)
_ROUNDS = 30


@dataclass(frozen=True)
class Twins:
    """What is left between the prints of each shade once a gradient of light is taken out.

    Attributes
    ----------
    log_ratio : (36, 3) array
        ln(first / second) of linear RGB, less the gradient.
    added : (36,) array
        Light that one print has more than the other in every channel; 0 where
        the channels disagree which one.
    """

    log_ratio: Array
    added: Array

    @property
    def glare_pairs(self) -> int:
        """Number of pairs one of which has light added; 0 when no more than chance."""
        seen = self._lit
        n = int(seen.sum())
        return n if n >= 2 or (self.added[seen] > MIN_ADDED_ALONE).any() else 0

    @property
    def shadow_pairs(self) -> int:
        """Number of pairs one of which lies in a shadow; 0 when that isn't what is wrong."""
        least = np.abs(self.log_ratio).min(axis=1)
        n = int(((least > MIN_SHADOW) & self._alike & (self.added > 0)).sum())
        # Added light changes dark colours more than bright ones: that is no shadow.
        return n if n >= 3 and n >= int((self._lit & ~self._alike).sum()) else 0

    @property
    def _lit(self) -> NDArray[np.bool_]:
        change = np.abs(self.log_ratio).max(axis=1)
        return np.asarray((change > MIN_RATIO) & (self.added > MIN_ADDED), bool)

    @property
    def _alike(self) -> NDArray[np.bool_]:
        change = np.abs(self.log_ratio)
        return np.asarray(change.min(axis=1) > _ALIKE * change.max(axis=1), bool)


def compare_twins(linear: Array) -> Twins:
    """Compare the prints of each shade, from linear RGB (72, 3) in the order of the layout."""
    first, second = linear[0::2] + _FLOOR, linear[1::2] + _FLOOR
    ratio = np.log(first / second)
    left = _less_gradient(ratio)
    agree = np.abs(np.sign(left).sum(axis=1)) == 3
    added = np.abs(first - second * np.exp(ratio - left)).min(axis=1) * agree
    return Twins(left, added)


def _less_gradient(ratio: Array) -> Array:
    """Differences (36, 3) less the best plane of each channel.

    Least absolute values, so that outliers stay out; the two slopes of a plane
    come from their normal equations, all channels at once.
    """
    weight = np.ones_like(ratio)
    left = ratio
    for _ in range(_ROUNDS):
        moments = (weight.T @ _PRODUCTS).reshape(-1, 2, 2)
        slopes = np.linalg.solve(moments, ((weight * ratio).T @ _APART)[..., None])[..., 0]
        left = ratio - _APART @ slopes.T
        weight = 1 / np.maximum(np.abs(left), 0.02)
    return np.asarray(left, np.float64)
