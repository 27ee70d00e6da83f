"""What lamps leave over at the prints, by which the fit of a phone's rendering isn't to be led.

Inks are metamers: under another lamp than the lot was measured under, and by a sensor that is
no observer, prints miss their colours though no phone has changed any. Those misses are few
in kind and much the same for all inks. The table holds the directions that most of them lie
along, each as long as its standard deviation; `cardreader.simulate.lampmisfit` makes it.
"""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import NDArray

from cardreader.card import layout
from cardreader.core.shipped import shipped

Array = NDArray[np.float64]

N_DIRECTIONS = 10
"""As many as read best: 20 read no better (lamps and phones of seed 9202)."""


@cache
def lamp_misfit() -> Array:
    """Directions of misfit at the prints, (72, 3, `N_DIRECTIONS`), in units of `vividness`.

    ValueError where the table doesn't fit the card's layout.
    """
    # Of lines: NumPy looks into a file's name for what may be packed, and loads all unpackers.
    lines = shipped("prints", "lamp-misfit.csv").read_text(encoding="utf-8").splitlines()
    table = np.loadtxt(lines, delimiter=",", ndmin=2)
    if table.shape != (3 * layout.N_SHADES, N_DIRECTIONS) or not np.isfinite(table).all():
        raise ValueError(f"the table of lamps' misfits has the shape {table.shape}")
    return np.repeat(table.reshape(layout.N_SHADES, 3, N_DIRECTIONS), 2, axis=0)
