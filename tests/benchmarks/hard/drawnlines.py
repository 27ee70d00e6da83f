"""Lines that somebody drew, cut or folded about a card's markers."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from cardreader.card import layout
from cardreader.simulate.cardmap import CardMap

_INK = 0.08
"""Light that a dark pen leaves of the card's."""


def line_about_markers(card: CardMap, off_mm: float, width_mm: float) -> None:
    """Draw a square line about each marker, from ``off_mm`` beyond its edge outwards."""
    raw = np.asarray(_INK * np.median(card.colour[::8, ::8], axis=(0, 1)), float)
    for low, high in _squares(off_mm):
        out = width_mm
        card.fill(low[0] - out, low[1] - out, high[0] + out, low[1], raw)
        card.fill(low[0] - out, high[1], high[0] + out, high[1] + out, raw)
        card.fill(low[0] - out, low[1], low[0], high[1], raw)
        card.fill(high[0], low[1], high[0] + out, high[1], raw)


def _squares(off_mm: float) -> list[tuple[NDArray[np.float64], NDArray[np.float64]]]:
    """Lower and upper corner (2,) of the square that lies so far off each marker."""
    return [(c.min(axis=0) - off_mm, c.max(axis=0) + off_mm) for c in layout.marker_corners_mm()]
