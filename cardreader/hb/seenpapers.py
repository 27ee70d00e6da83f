"""The colour of the blotting papers that a site's pairs were on, and how far from it another lies.

Blood looks otherwise in another paper, and nobody may have said that the batch has changed. The
blank paper beside the blot says so itself: most papers differ in colour or level by more than
one paper does under all phones and lamps.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from cardreader.hb.filenumbers import must_be_covariance, plain
from cardreader.hb.measured import PAPER_AT

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class SeenPapers:
    """Colours of m batches, as signatures carry them, and how they scatter.

    Attributes
    ----------
    colours : (m, 3) array
        The first is that of the batch read on.
    photos : (m,) array
        Of how many photos each is the mean.
    precision : (3, 3) array
        Inverse covariance about its true colour of one photo's paper.
    most : float
        Squared distance beyond which a paper is another.
    """

    colours: Array
    photos: Array
    precision: Array
    most: float

    def __post_init__(self) -> None:
        colours, precision = np.array(self.colours, float), np.array(self.precision, float)
        photos = np.array(self.photos, float)
        if colours.ndim != 2 or colours.shape[1:] != (3,) or not len(colours):
            raise ValueError("seen_papers must hold colours of three numbers")
        if precision.shape != (3, 3) or not np.isfinite(colours).all():
            raise ValueError("seen_papers hold values that don't go together")
        if photos.shape != (len(colours),) or not (photos > 0).all():
            raise ValueError("seen_papers must say of how many photos each colour is")
        must_be_covariance(precision, "seen_papers precision")
        if not 0 < self.most < 1e6:
            raise ValueError("seen_papers must have a positive limit")
        arrays = {"colours": colours, "photos": photos, "precision": precision}
        for name, value in arrays.items():
            value.setflags(write=False)
            object.__setattr__(self, name, value)

    def on(self, batch: int) -> SeenPapers:
        """The same, read on another of the batches."""
        return self.of([batch, *(k for k in range(len(self.colours)) if k != batch)])

    def of(self, batches: Sequence[int]) -> SeenPapers:
        """Some of the batches, in this order."""
        rows = list(batches)
        return replace(self, colours=self.colours[rows], photos=self.photos[rows])

    def distance2(self, signature: ArrayLike) -> Array:
        """Squared distance (...) of signatures' (..., s) paper from that of the batch read on."""
        off = np.asarray(signature, float)[..., PAPER_AT] - self.colours[0]
        squares = np.einsum("...i,ij,...j->...", off, self.precision, off)
        return np.asarray(squares / (1 + 1 / self.photos[0]))

    def as_json(self) -> dict[str, Any]:
        """Plain values; the class takes them back as keywords."""
        return {
            "colours": plain(self.colours),
            "photos": plain(self.photos),
            "precision": plain(self.precision),
            "most": self.most,
        }
