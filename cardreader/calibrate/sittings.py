"""How photos of one sitting are told from those of two, learnt from drawn ones."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from cardreader.core.robust import t_weight
from cardreader.hb.sittings import Sittings

Array = NDArray[np.float64]

TAIL = 5.0
"""Degrees of freedom of the multivariate t: a shadow's edge over a print, say, moves a signature
by more than all else does."""
ROUNDS = 10
MISTAKEN = 0.05
"""Share of pairs on the wrong side of either limit."""
_RIDGE = 1e-3
_LEAST_GAP = 1.05


def learn_sittings(within: tuple[Array, Array], between: tuple[Array, Array]) -> Sittings:
    """From signatures, each (n, s): of two photos of a sitting, and of two of different ones.

    Raises
    ------
    ValueError
        Fewer pairs of one sitting than a signature has numbers.
    """
    difference = within[0] - within[1]
    n, size = difference.shape
    if n <= size:
        raise ValueError(f"{n} pairs of photos are too few for signatures of {size} numbers")
    drawn = Sittings(_t_covariance(difference), 1.0, 2.0)
    near = float(np.quantile(drawn.distance2(*within), 1 - MISTAKEN))
    far = float(np.quantile(drawn.distance2(*between), MISTAKEN))
    return Sittings(drawn.covariance, near, max(far, _LEAST_GAP * near))


def _t_covariance(difference: Array) -> Array:
    """Scale matrix (s, s) of a multivariate t about nothing (Lange, Little and Taylor 1989)."""
    n, size = difference.shape
    ridge = _RIDGE * np.diag(difference.var(axis=0))
    scale = difference.T @ difference / n + ridge
    for _ in range(ROUNDS):
        distance2 = np.einsum("ni,ni->n", difference @ np.linalg.inv(scale), difference)
        weight = t_weight(distance2, TAIL, size)
        scale = (weight[:, None] * difference).T @ difference / n + ridge
    return np.asarray((scale + scale.T) / 2)
