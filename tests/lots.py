"""Card lots made up for tests: plausible colours, invented, measured on nothing."""

from __future__ import annotations

from datetime import date

import numpy as np

from cardreader.card import layout
from cardreader.card.lot import Basis, Lot

# Invented: shades of blood on paper as rough colours, and a spread of strong colours.
_RAMP_HB = (3.0, 4.0, 9.0, 14.0, 17.0)
_RAMP_LAB = ((62, 36, 25), (60, 39, 26), (52, 48, 29), (47, 50, 30), (45, 51, 30))
_CHROMATIC_LAB = (
    (40, 45, 28),
    (60, 44, 38),
    (72, 22, 12),
    (67, 30, 55),
    (82, 6, 60),
    (48, 26, 18),
    (34, 18, 11),
    (50, 42, -8),
    (44, 18, -34),
    (56, -18, -28),
    (58, -34, 20),
    (74, 2, 26),
)


def ramp_lab(hb_g_dl: float) -> list[float]:
    """Lab (3,) of the invented ramp."""
    return [float(np.interp(hb_g_dl, _RAMP_HB, column)) for column in zip(*_RAMP_LAB, strict=True)]


def made_up_lot(number: int = 261101, basis: Basis = "nominal", note: str = "") -> Lot:
    """A lot with colours asked for, the same in both patches of each pair."""
    lab = []
    for cell in layout.cells():
        if cell.kind is layout.Kind.NEUTRAL:
            lab.append([layout.NEUTRAL_L[int(cell.shade[1]) - 1], 0.0, 0.0])
        elif cell.kind is layout.Kind.RAMP:
            assert cell.hb_g_dl is not None
            lab.append(ramp_lab(cell.hb_g_dl))
        else:
            lab.append([float(v) for v in _CHROMATIC_LAB[int(cell.shade[1:]) - 1]])
    return Lot(
        number=number,
        expires=date(2029, 12, 31),
        basis=basis,
        lab=np.array(lab),
        paper_lab=np.array([94.0, 0.0, 3.0]),
        stock_lab=np.array([95.0, 0.0, -1.0]),
        note=note,
    )
