"""What is not known of a site: the Gaussian posterior of what moves its blood locus.

A site's log ratio is linear in its weights,

    x = sum_n a(h)^n w_n + sum_j z_j (u_j + a(h) v_j) + scatter,

with a(h) the calibration's signature axis, z the card's standardised signature, and
weights w (level, slope and bends of the locus), u, v (how the signature moves it), each
(3,). A calibration holds their mean as locus, shift and slope; here is their
covariance. What it adds to the scatter of a photo grows where the site has taught
nothing: at haemoglobin it has not met, and for cards that look as none of its own did.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardreader.hb.filenumbers import from_triangle, must_be_covariance, to_triangle

Array = NDArray[np.float64]
MOST_WEIGHTS = 600
_DIGITS = 7
"""Kept of each element: nine would make the file longer by a quarter and tell nothing more."""


@dataclass(frozen=True, eq=False)
class Posterior:
    """Covariance of a site's weights, and how firmly its scatter is known.

    Attributes
    ----------
    degree : int
        Highest power of the axis in the locus.
    covariance : (3 p, 3 p) array
        Of the p = degree + 1 + 2 s weights in the order w, u, v, three channels each.
    scatter_dof : float
        Degrees of freedom behind the size of the photos' scatter.
    by_design : bool
        Whether it is for lots known by their design, so that what a measurement of the
        print would tell is already part of the doubt.
    """

    degree: int
    covariance: Array
    scatter_dof: float
    by_design: bool = False

    def __post_init__(self) -> None:
        value = np.array(self.covariance, float)
        if value.ndim == 1:
            kept = value.tolist()
            value = from_triangle(value, "posterior covariance")
            # What a file holds is not rounded again: that takes as long as the rest of loading.
            object.__setattr__(self, "triangle", kept)
        if value.ndim != 2 or value.shape[0] != value.shape[1] or len(value) % 3:
            raise ValueError("posterior covariance must be square, three rows a weight")
        if not 1 <= self.degree <= 8 or (len(value) // 3 - self.degree - 1) % 2:
            raise ValueError("posterior covariance does not go with its degree")
        if len(value) > 3 * MOST_WEIGHTS or not np.isfinite(value).all():
            raise ValueError("posterior covariance must be finite and of a usable size")
        must_be_covariance(value, "posterior covariance")
        if not isinstance(self.by_design, bool):
            raise ValueError("posterior by_design must be true or false")
        if not 0 < self.scatter_dof < 1e6:
            raise ValueError("posterior scatter_dof must be positive and finite")
        value.setflags(write=False)
        object.__setattr__(self, "covariance", value)

    @cached_property
    def triangle(self) -> list[float]:
        """The covariance's lower triangle by rows, as a file keeps it: to seven digits."""
        return to_triangle(self.covariance, _DIGITS)

    @property
    def n_signature(self) -> int:
        """Numbers in a signature."""
        return (len(self.covariance) // 3 - self.degree - 1) // 2

    def spread(self, axis: Array, z: Array) -> Array:
        """Covariance (g, 3, 3) of the locus at axis (g,) for a standardised signature (s,)."""
        k, s = self.degree + 1, self.n_signature
        p = k + 2 * s
        # The signature's weights enter as two sums only: project before going along the axis.
        inner = np.zeros((p, k + 2))
        inner[:k, :k] = np.eye(k)
        inner[k : k + s, k] = z
        inner[k + s :, k + 1] = z
        rows = self.covariance.reshape(p, -1)
        half = np.vstack([rows[:k], z @ rows[k : k + s], z @ rows[k + s :]])
        half = half.reshape(k + 2, 3, p, 3)
        small = np.tensordot(half, inner, axes=(2, 0)).transpose(0, 1, 3, 2)
        terms = np.column_stack([axis[:, None] ** np.arange(k), np.ones_like(axis), axis])
        # Two products of matrices: ten times as quick as to let einsum find a way.
        by_one = terms @ small.transpose(0, 2, 1, 3).reshape(k + 2, -1)
        both = terms[:, None, :] @ by_one.reshape(-1, k + 2, 9)
        return np.asarray(both.reshape(-1, 3, 3))

    def between(self, one: tuple[float, Array], other: tuple[float, Array]) -> Array:
        """Covariance (3, 3) of the locus of two photos, each an axis and a signature (s,)."""
        a, b = (self._factors(*photo) for photo in (one, other))
        p = len(a)
        return np.asarray(np.einsum("p,piqj,q->ij", a, self.covariance.reshape(p, 3, p, 3), b))

    def _factors(self, axis: float, z: Array) -> Array:
        """What each weight (p,) counts for."""
        return np.concatenate([axis ** np.arange(self.degree + 1), z, axis * z])

    def as_json(self) -> dict[str, Any]:
        """Plain numbers, the covariance as its lower triangle; the class takes them back."""
        return {
            "degree": self.degree,
            "covariance": self.triangle,
            "scatter_dof": self.scatter_dof,
            "by_design": self.by_design,
        }
