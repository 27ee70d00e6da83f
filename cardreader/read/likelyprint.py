"""What photos leave over at a print -> what the print likely is: the best linear estimate.

A tone curve and a matrix take up the larger part of how a print misses its design, and no photo
shows that part. But prints miss in few ways, of which each (an ink laid too thick, dots that
spread, another magenta) leaves its own trace at all shades, so that what is left over foretells
what was taken up. The table holds the regression of prints on what photos left over at them, of
reduced rank; `cardreader.simulate.likelyprint` makes it of simulated worlds.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from cardreader.card import layout
from cardreader.core.shipped import shipped

Array = NDArray[np.float64]

RANK = 12
"""Ways of missing that are told from one another."""
MOST_SD = 3.0
"""Of a way: a print further out is like none that the table was made of."""
_SHAPE = (3 * layout.N_SHADES, 2 + 2 * RANK)


@dataclass(frozen=True, eq=False)
class PrintRegression:
    """Of prints on what photos left over at them; both ln XYZ against the design's.

    Attributes
    ----------
    mean_left, mean_print : (36, 3) arrays
    traces, misses : (36, 3, r) arrays
        How far each way shows in what is left over, in its standard deviations, and by what a
        print misses that has one of them.
    """

    mean_left: Array
    mean_print: Array
    traces: Array
    misses: Array

    def __call__(self, left: Array) -> Array:
        """The likely print, (36, 3), of what photos left over, (36, 3)."""
        ways = np.clip(np.tensordot(left - self.mean_left, self.traces, axes=2), -MOST_SD, MOST_SD)
        return np.asarray(self.mean_print + self.misses @ ways)

    @property
    def table(self) -> Array:
        """As kept in a file, (108, 2 + 2 r)."""
        columns = (self.mean_left[..., None], self.mean_print[..., None], self.traces, self.misses)
        return np.concatenate(columns, axis=-1).reshape(_SHAPE[0], -1)

    @classmethod
    def of_table(cls, table: Array) -> PrintRegression:
        """From what `table` gives."""
        columns = table.reshape(layout.N_SHADES, 3, -1)
        traces, misses = np.split(columns[..., 2:], 2, axis=-1)
        return cls(columns[..., 0], columns[..., 1], traces, misses)


@cache
def likely_print() -> PrintRegression:
    """The regression that ships; ValueError where its table doesn't fit the card's layout."""
    table = np.loadtxt(shipped("prints", "likely-print.csv"), delimiter=",", ndmin=2)
    if table.shape != _SHAPE or not np.isfinite(table).all():
        raise ValueError(f"the table of likely prints has the shape {table.shape}")
    return PrintRegression.of_table(table)
