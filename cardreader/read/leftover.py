"""Corrected prints -> Leftover: what the correction is still off by at colours like these.

No tone curve, rendering and matrix are quite a phone's own. What they leave at one print they
leave, much the same, at colours near it; so it is foretold from all prints by a Gaussian
process over CIELAB and taken off blot and paper (Rasmussen and Williams, Gaussian Processes
for Machine Learning, 2006, 2.2; as simple kriging does over the ground). Far from all prints
nothing is taken off. What lamps leave at inks and not at blood is in it too: the calibration
knows that by the card's signature, which is of the prints as they were before.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from cardreader.colour.cielab import xyz_to_lab

Array = NDArray[np.float64]

REACH_LAB = 25.0
"""Distance in CIELAB over which what is left changes."""
PRIOR_SD = 0.08
"""Of what is left, in ln XYZ."""
PRINT_SD = 0.04
"""Of what a shade is off by for itself alone, in ln XYZ."""

_LEAST_SOUND = 1e-3
_EPSILON = 1e-4


@dataclass(frozen=True, eq=False)
class Leftover:
    """Log ratio of seen to measured XYZ, smooth over colour.

    Attributes
    ----------
    seen, measured : (n, 3) arrays
        Corrected and measured XYZ of the prints, D50, the two of a shade adjacent.
    sound : (n,) array
        What each print counts for, from 1 to about 0 for one whose colour is lost.
    """

    seen: Array
    measured: Array
    sound: Array

    def at(self, xyz: Array) -> Array:
        """Log ratio (n, 3) expected at corrected XYZ (n, 3)."""
        return np.asarray(_likeness(_lab(xyz), self._shades) @ self._pull)

    def taken_off(self, xyz: Array) -> Array:
        """Corrected XYZ (n, 3) without it."""
        return np.asarray(xyz * np.exp(-self.at(xyz)))

    @cached_property
    def _weight(self) -> Array:
        """Of the two prints of each shade, (n / 2, 2)."""
        return np.maximum(np.reshape(self.sound, (-1, 2)), _LEAST_SOUND)

    @cached_property
    def _shades(self) -> Array:
        """CIELAB of the shades as seen, (n / 2, 3)."""
        return _lab(np.exp(self._mean(np.log(np.maximum(self.seen, _EPSILON)))))

    @cached_property
    def _pull(self) -> Array:
        """What each shade adds at a colour like it, (n / 2, 3)."""
        ratio = self._mean(np.log(np.maximum(self.seen, _EPSILON) / self.measured))
        noise = (PRINT_SD / PRIOR_SD) ** 2 * 2 / self._weight.sum(axis=1)
        alike = _likeness(self._shades, self._shades)
        return np.asarray(np.linalg.solve(alike + np.diag(noise), ratio))

    def _mean(self, values: Array) -> Array:
        weight = self._weight[..., None]
        return np.asarray((values.reshape(-1, 2, 3) * weight).sum(axis=1) / weight.sum(axis=1))


def _lab(xyz: Array) -> Array:
    return np.asarray(xyz_to_lab(np.maximum(xyz, _EPSILON)))


def _likeness(one: Array, other: Array) -> Array:
    """Correlation (n, m) of what is left at colours (n, 3) and (m, 3)."""
    apart = (one[:, None] - other[None]) / REACH_LAB
    return np.asarray(np.exp(-(apart**2).sum(axis=-1) / 2))
