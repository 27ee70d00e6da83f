"""A card that doesn't lie flat: rolled about its short or long side."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from cardreader.card import layout

Array = NDArray[np.float64]
_VIEW_MM = 220.0
"""Height of the phone over the card, from which raised parts look displaced."""


def bend(sag_mm: float, lengthwise: bool = True) -> Callable[[Array], Array]:
    """Positions on the table (..., 2) -> on a card whose ends stand ``sag_mm`` above its middle.

    ``lengthwise`` rolls it along its long side. A negative sag lifts the middle.
    """
    axis = 0 if lengthwise else 1
    half = (layout.WIDTH_MM, layout.HEIGHT_MM)[axis] / 2
    if sag_mm == 0:
        return lambda at_mm: at_mm
    radius = (half**2 + sag_mm**2) / (2 * sag_mm)
    along = np.linspace(-2 * half, 2 * half, 801)
    turn = np.clip(along / radius, -1.2, 1.2)
    height = radius * (1 - np.cos(turn))
    nearer = _VIEW_MM / (_VIEW_MM - height)
    seen = radius * np.sin(turn) * nearer

    def on_card(at_mm: Array) -> Array:
        u = at_mm - np.array(layout.CENTRE_MM)
        s = np.interp(u[..., axis], seen, along)
        out = u / np.interp(s, along, nearer)[..., None]
        out[..., axis] = s
        return np.asarray(out + np.array(layout.CENTRE_MM))

    return on_card
