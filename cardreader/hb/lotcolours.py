"""The colours of a card lot that a calibration's pairs were read with, to know them again.

A reading rests on the lot's colours as its file gives them. With another file of the same
number, of a lot measured anew or of another print, every reading moves and nothing shows;
so a calibration keeps the colours that it learnt beside, and does not read beside others.
Two measurements of one print never agree to the last digit: what they differ by is nothing.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any, Self, get_args

import numpy as np
from numpy.typing import NDArray

from cardreader.card import layout
from cardreader.card.lot import Basis, Lot, fingerprint
from cardreader.colour.cielab import delta_e_2000

Array = NDArray[np.float64]

MOST_MEAN_DE00 = 0.3
"""CIEDE2000 between two measurements of one print, mean of the patches. Ours, about twice what
one instrument differs by from day to day in means of three cards (common practice, no source).
Files that differ by it move readings of ten sample photos by 0.1 to 0.4 g/dL (root mean
square), by how the difference lies: all patches alike, each its own way, more where it is
darker, livelier; none of 110 by more than 0.8."""
MOST_DE00 = 1.0
"""The same of any one patch: from there on a print has moved (docs/card.md)."""
WHAT_TO_DO = "fit again with the new file, or put the old file back"
_STEP = 100


@dataclass(frozen=True, eq=False)
class LotColours:
    """A lot's patches as its file gave them.

    Attributes
    ----------
    lot_id : str
    basis : "measured", "photographed" or "nominal"
    lab : (72, 3) array
        CIELAB in the order of `layout.cells`, to a hundredth; flat is taken as well.
    """

    lot_id: str
    basis: Basis
    lab: Array

    def __post_init__(self) -> None:
        value = np.array(self.lab, float)
        if value.size != 3 * len(layout.cells()) or not (np.abs(value) < 1e3).all():
            raise ValueError("colours of a lot must be three numbers a patch")
        if self.basis not in get_args(Basis) or not isinstance(self.lot_id, str):
            raise ValueError("colours of a lot need its number and its basis")
        value = np.rint(_STEP * value.reshape(-1, 3)) / _STEP
        value.setflags(write=False)
        object.__setattr__(self, "lab", value)

    @classmethod
    def of(cls, lot: Lot) -> Self:
        """Those of a lot."""
        return cls(lot.lot_id, lot.basis, lot.lab)

    @cached_property
    def fingerprint(self) -> str:
        """As `Lot.fingerprint`."""
        return fingerprint(self.basis, self.lab)

    def unlike(self, lot: Lot) -> str:
        """In what the lot's file differs by more than repeated measuring; empty if in nothing."""
        if self.basis != lot.basis:
            return f"{_KNOWN[self.basis]} then, {_KNOWN[lot.basis]} now"
        apart = delta_e_2000(self.lab, lot.lab)
        mean, most = float(apart.mean()), float(apart.max())
        if mean <= MOST_MEAN_DE00 and most <= MOST_DE00:
            return ""
        worst = layout.cells()[int(apart.argmax())].name
        return f"CIEDE2000 {mean:.1f} in the mean, {most:.1f} at patch {worst}"

    def as_json(self) -> dict[str, Any]:
        """Plain values; the class takes them back as keywords."""
        flat = [round(float(value), 2) + 0.0 for value in self.lab.ravel()]
        return {"lot_id": self.lot_id, "basis": self.basis, "lab": flat}


_KNOWN: dict[Basis, str] = {
    "measured": "measured",
    "photographed": "known by photos of its cards",
    "nominal": "known by its design",
}
