"""Two signatures -> whether the photos are of one sitting: the same phone, light and card.

What lamp, phone and card leave open is the same for all photos of a sitting, and is drawn anew
with another phone and light. Nobody need say which it was: between photos of one sitting a
card's signature differs by exposure, shade and noise alone, between sittings by much more.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardreader.hb.filenumbers import from_triangle, must_be_covariance, to_triangle

Array = NDArray[np.float64]

OWN_SHARE = 0.055
"""Share of a reading's variance, blood volume aside, that another photo of the sitting does not
have in common with it: 0.055 to 0.057 of 400 sittings of three photos each, drawn whole, with
blots of their own (synthetic, seed 663003)."""
_DIGITS = 6


@dataclass(frozen=True, eq=False)
class Sittings:
    """How signatures of s numbers differ between two photos of one sitting.

    Attributes
    ----------
    covariance : (s, s) array
        Of the difference; a file keeps its lower triangle by rows.
    near, far : float
        Squared distance, 1 in the mean of what the covariance stands for, up to which two photos
        are taken to be of one sitting, and from which they are not.
    """

    covariance: Array
    near: float
    far: float

    def __post_init__(self) -> None:
        value = np.array(self.covariance, float)
        if value.ndim == 1:
            value = from_triangle(value, "sittings covariance")
        if value.ndim != 2 or value.shape[0] != value.shape[1] or not np.isfinite(value).all():
            raise ValueError("sittings covariance must be square and finite")
        must_be_covariance(value, "sittings covariance")
        if not 0 < self.near < self.far < 1e6:
            raise ValueError("sittings must have 0 < near < far")
        value.setflags(write=False)
        object.__setattr__(self, "covariance", value)

    @property
    def n_signature(self) -> int:
        """Numbers of a signature."""
        return len(self.covariance)

    @cached_property
    def _precision(self) -> Array:
        return np.asarray(np.linalg.inv(self.covariance), float)

    def distance2(self, one: Array, other: Array) -> Array:
        """Squared distance (...) between signatures (..., s), by number of the signature."""
        off = one - other
        squares = np.einsum("...i,ij,...j->...", off, self._precision, off)
        return np.asarray(squares / self.n_signature)

    def as_one(self, one: Array, other: Array) -> float:
        """From 1, where two signatures (s,) are taken to be of one sitting, to 0."""
        beyond = (float(self.distance2(one, other)) - self.near) / (self.far - self.near)
        return float(1 - np.clip(beyond, 0.0, 1.0))

    def as_json(self) -> dict[str, Any]:
        """Plain values; the class takes them back as keywords."""
        return {
            "covariance": to_triangle(self.covariance, _DIGITS),
            "near": float(f"{self.near:.4g}"),
            "far": float(f"{self.far:.4g}"),
        }
