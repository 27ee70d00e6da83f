"""Points of which many may be wrong -> the line that most of them agree on.

A drop of blood over a marker's edge bends most of what a least-squares line
rests on, and dropping the worst points from such a line drops the good ones.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

MIN_APART = 0.25
"""Of the range of x, between two points through which a line is tried."""


def agreed_line(
    x: Array, y: Array, usable: NDArray[np.bool_], within: float
) -> tuple[float, float, float]:
    """Line ``y = a + b x`` that passes ``within`` of as many points as can be.

    All lines through two points are tried, and the best is fitted to the points it passes.

    Parameters
    ----------
    x, y : (n,)
    usable : (n,) bool
        Points that may be counted; the others only lower the share.
    within : float
        Distance in y, greater than the noise of a good point.

    Returns
    -------
    a, b, and the share of all n points that the line passes; 0, 0, 0 where no
    two usable points stand far enough apart.
    """
    if not x.shape == y.shape == usable.shape or x.ndim != 1:
        raise ValueError(f"shapes {x.shape}, {y.shape} and {usable.shape} aren't one (n,)")
    first, second = np.triu_indices(len(x), 1)
    apart = np.abs(x[second] - x[first]) >= MIN_APART * np.ptp(x)
    tried = usable[first] & usable[second] & apart
    first, second = first[tried], second[tried]
    if len(first) == 0:
        return 0.0, 0.0, 0.0
    slope = (y[second] - y[first]) / (x[second] - x[first])
    off = np.abs(y - y[first, None] - slope[:, None] * (x - x[first, None]))
    passed = (off <= within) & usable
    best = passed[int(passed.sum(axis=1).argmax())]
    b, a = np.polyfit(x[best], y[best], 1)
    return float(a), float(b), float(best.mean())
