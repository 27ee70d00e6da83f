"""The card lots that ship: the design, and demonstration lots that only the simulator printed.

Their files lie in calibration/lots beside any real ones; the note in each says
what it is.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from pathlib import Path

from cardreader.card.cgats import write_lot
from cardreader.card.lot import Lot
from cardreader.core.files import write_atomic
from cardreader.simulate.blood import paper_reflectance
from cardreader.simulate.colorimetry import lab
from cardreader.simulate.inks import print_reflectance, recipe, stock_reflectance
from cardreader.simulate.scene import simulated_lot


@dataclass(frozen=True)
class DemoLot:
    """What makes a simulated lot: its number, last day, and the seed of its print run."""

    number: int
    expires: date
    print_seed: int

    @property
    def lot_id(self) -> str:
        """That of `lot`, whose colours need not be worked out for it."""
        return f"{self.number:06d}"

    def lot(self) -> Lot:
        """The lot as its file describes it."""
        return simulated_lot(self.number, self.expires, self.print_seed)


IN_DATE = DemoLot(27001, date(2035, 12, 31), 27001)
SECOND = DemoLot(27002, date(2035, 12, 31), 27002)
EXPIRED = DemoLot(25011, date(2025, 6, 30), 25011)
UNKNOWN = DemoLot(99001, date(2035, 12, 31), 99001)
"""Never written to a file, so that no reader knows it."""

SHIPPED = (IN_DATE, SECOND, EXPIRED)


def design_lot() -> Lot:
    """The colours that every print asks for: nominal, to be replaced by a measurement."""
    return Lot(
        number=1,
        expires=date(2035, 12, 31),
        basis="nominal",
        lab=lab(print_reflectance(recipe())),
        paper_lab=lab(paper_reflectance()),
        stock_lab=lab(stock_reflectance()),
        note="the design: colours asked for, not measured",
    )


def write_shipped_lots(folder: Path) -> list[Path]:
    """Write the files of the design and of the demonstration lots; the same bytes every time."""
    lots = [design_lot(), *(demo.lot() for demo in SHIPPED)]
    for lot in lots:
        write_atomic(folder / f"{lot.lot_id}.txt", write_lot(lot))
    return [folder / f"{lot.lot_id}.txt" for lot in lots]
