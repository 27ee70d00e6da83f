"""The cards that a site's pairs were read beside, and how far from all of them another is.

A card's signature tells lamp and phone. Under one of the study's own a reading is as sure as
the study found; under others its intervals, held to what the study's women needed, are too
narrow.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

_DIGITS = 4
"""Kept of each number of a signature, in standard units."""


@dataclass(frozen=True, eq=False)
class SeenCards:
    """Signatures of a study's cards, and what distance from them is worth.

    Attributes
    ----------
    signatures : (m, s) array
        In standard units.
    near, far : float
        Squared distance to the nearest, as `Calibration.strangeness` counts it, up to which a
        card is as one that was seen, and from which it is like none.
    doubt : float
        By what share the interval of one like none is wider.
    """

    signatures: Array
    near: float
    far: float
    doubt: float

    def __post_init__(self) -> None:
        value = np.array(self.signatures, float)
        if value.ndim != 2 or not value.size or not np.isfinite(value).all():
            raise ValueError("seen_cards must hold signatures of finite numbers")
        if not 0 <= self.near < self.far < 1e6 or not 0 <= self.doubt < 1e2:
            raise ValueError("seen_cards must have 0 <= near < far and a doubt of at least 0")
        value.setflags(write=False)
        object.__setattr__(self, "signatures", value)

    @property
    def n_signature(self) -> int:
        """Numbers of a signature."""
        return int(self.signatures.shape[1])

    def distance2(self, z: Array, precision: Array) -> Array:
        """Squared distance (...) of signatures (..., s) to the nearest, under (s, s)."""
        rows = z.reshape(-1, self.n_signature)
        seen = self.signatures
        own, theirs = (np.einsum("ni,ij,nj->n", part, precision, part) for part in (rows, seen))
        between = own[:, None] + theirs - 2 * rows @ precision @ seen.T
        nearest = np.maximum(between.min(axis=1), 0.0) / self.n_signature
        return np.asarray(nearest.reshape(z.shape[:-1]))

    def factor(self, z: Array, precision: Array) -> Array:
        """Factor (...) >= 1 on the width of the interval for signatures (..., s)."""
        rise = (self.distance2(z, precision) - self.near) / (self.far - self.near)
        return np.asarray(1.0 + self.doubt * np.clip(rise, 0.0, 1.0))

    def as_json(self) -> dict[str, Any]:
        """Plain values."""
        rounded = [[float(f"{v:.{_DIGITS}g}") for v in row] for row in self.signatures]
        return {
            "signatures": rounded,
            "near": float(f"{self.near:.{_DIGITS}g}"),
            "far": float(f"{self.far:.{_DIGITS}g}"),
            "doubt": float(f"{self.doubt:.{_DIGITS}g}"),
        }
