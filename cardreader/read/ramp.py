"""Corrected shades of blood -> RampTrend: how well the ramp's shades foretell each other.

A tone curve or matrix that fails at just these shades fails at the printed ramp too, by
a like amount at a like depth. A blot is to the ramp what a shade is that was left out; so
each, foretold by all others, says how far to trust the correction.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from cardreader.core.order import median
from cardreader.core.robust import NORM, RobustFit, cauchy, reweighted_fit

Array = NDArray[np.float64]

LEFT_OUT_SD = 0.025
"""Log ratio by which a left-out shade misses on an ordinary photo, at most."""

_KNEE = 5.7
"""Prints further off the trend than this many standard deviations lose weight."""

_LEAST_SD = 0.011
"""Scatter about the trend below which no print is called off it."""

_FARTHEST_STRAY = 3.0
"""A stray shade counts no more than this many times the median left-out shade."""

_RIDGE = 1e-9
"""So that shades that all came out alike are told by what they miss, not by a failed fit."""
_LOST = 0.5
"""Root weight of a print below which its colour is lost: no end of the ramp, no test of it."""

_EPSILON = 1e-4
_TERMS = np.arange(3)


@dataclass(frozen=True, eq=False)
class RampTrend:
    """Smooth log ratio of seen to measured XYZ along the ramp: a quadratic in ln Y as seen.

    Attributes
    ----------
    seen, measured : (28, 3) arrays
        Corrected and measured XYZ of the ramp's prints, those of a shade adjacent.
    sound : (28,) array
        Root weight of each print; clipped prints count little.
    tolerance : float
        Factor on what shades may ordinarily miss by: above 1 for a lot known by its design.
    """

    seen: Array
    measured: Array
    sound: Array
    tolerance: float = 1.0

    @cached_property
    def left_out(self) -> Array:
        """Log ratio of each shade to the trend that all other shades foretell, (n, 3).

        Of the 14 shades those that kept their colour.
        """
        root = self.sound * np.sqrt(self._fit.weight)
        prints = np.arange(len(root)).reshape(-1, 2)
        prints = prints[self._kept[prints].any(axis=1)]
        others = np.repeat(root[None], len(prints), axis=0)
        np.put_along_axis(others, prints, 0.0, axis=1)
        w = others[..., None]
        # Of all shades at once: least squares one by one took a sixth of a correction.
        least = len(root) * np.finfo(float).eps  # as `lstsq` takes for nothing
        trend = np.linalg.pinv(self._design * w, rcond=least) @ (self._ratio * w)
        missed = self._ratio[prints] - self._design[prints] @ trend
        kept = self._kept[prints][..., None]
        return np.asarray((missed * kept).sum(axis=1) / kept.sum(axis=1))

    @cached_property
    def left_out_rms(self) -> float:
        """Root mean square of `left_out`, one stray shade held back."""
        return float(np.sqrt((_held_back(self.left_out) ** 2).mean()))

    @cached_property
    def covariance(self) -> Array:
        """Of a log ratio to paper, (3, 3): how much worse than usual left-out shades come out.

        A blot is to the ramp what a left-out shade is. What prints ordinarily
        scatter is in the calibration already.
        """
        strayed = _held_back(self.left_out)
        size, axes = np.linalg.eigh(strayed.T @ strayed / len(strayed))
        excess = np.maximum(size - (self.tolerance * LEFT_OUT_SD) ** 2, 0.0)
        return np.asarray(axes * excess @ axes.T)

    @cached_property
    def _kept(self) -> NDArray[np.bool_]:
        """Prints (28,) that kept their colour; all where too few did, and the fit will show it."""
        kept = self.sound > _LOST
        return kept if kept.sum() > len(_TERMS) else np.ones_like(kept)

    @cached_property
    def _depth(self) -> Array:
        return np.asarray(np.log(np.maximum(self.seen[:, 1], _EPSILON)))

    @cached_property
    def _ends(self) -> tuple[float, float]:
        depth = self._depth[self._kept]
        low = float(depth.min())
        return low, max(float(depth.max()), low + 0.1)

    @cached_property
    def _ratio(self) -> Array:
        return np.asarray(np.log(np.maximum(self.seen, _EPSILON) / self.measured))

    @cached_property
    def _design(self) -> Array:
        low, high = self._ends
        t = 2 * (self._depth - low) / (high - low) - 1
        return np.asarray(t[..., None] ** _TERMS)

    @cached_property
    def _fit(self) -> RobustFit:
        return reweighted_fit(
            self._design,
            self._ratio,
            cauchy(_KNEE),
            NORM,
            base=self.sound**2,
            least_sd=_LEAST_SD,
            rounds=5,
            ridge=_RIDGE,
        )


def _held_back(left_out: Array) -> Array:
    """Left-out log ratios (n, 3) with none further out than a few times the median."""
    size = np.linalg.norm(left_out, axis=1)
    limit = _FARTHEST_STRAY * max(float(median(size)), _EPSILON)
    return np.asarray(left_out * np.minimum(1.0, limit / np.maximum(size, _EPSILON))[:, None])
