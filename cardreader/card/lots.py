"""The card lots known here: a folder of lot files."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path

from cardreader.card.cgats import read_lot_file
from cardreader.card.cgatstable import LotFileError
from cardreader.card.lot import Lot

MAX_LOT_FILES = 10_000
"""A folder holding more is taken for a mistake, not for a card store."""


class Lots(Mapping[int, Lot]):
    """The lots known here, by lot number. ValueError when two share a number."""

    def __init__(self, lots: Iterable[Lot] = ()) -> None:
        self._by_number: dict[int, Lot] = {}
        for lot in lots:
            if lot.number in self._by_number:
                raise ValueError(f"two lots have the number {lot.lot_id}")
            self._by_number[lot.number] = lot

    @classmethod
    def load(cls, folder: Path | str) -> Lots:
        """Read every ``*.txt`` lot file of a folder.

        Raises
        ------
        LotFileError
            (a ValueError) naming the file, for one that can't be read and for
            a lot number that two files share.
        NotADirectoryError
            when there is no such folder.
        """
        folder = Path(folder)
        if not folder.is_dir():
            raise NotADirectoryError(f"no folder of card lots at {folder}")
        files = sorted(folder.glob("*.txt"))
        if len(files) > MAX_LOT_FILES:
            raise LotFileError(f"{folder} holds {len(files)} files, more than {MAX_LOT_FILES}")
        source: dict[int, str] = {}
        lots = []
        for file in files:
            lot = read_lot_file(file)
            if lot.number in source:
                raise LotFileError(
                    f"{file.name} and {source[lot.number]} both describe lot {lot.lot_id}"
                )
            source[lot.number] = file.name
            lots.append(lot)
        return cls(lots)

    def __getitem__(self, number: int) -> Lot:
        return self._by_number[number]

    def __iter__(self) -> Iterator[int]:
        return iter(self._by_number)

    def __len__(self) -> int:
        return len(self._by_number)
