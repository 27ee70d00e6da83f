"""A table as spreadsheets write it: commas, semicolons or tabs, UTF-8 or UTF-16.

Where a comma is the decimal sign a spreadsheet parts columns by semicolons, and "Unicode
text" is UTF-16 with tabs: the header tells which it is, and there 11,2 can only be a number.
"""

from __future__ import annotations

import codecs
import csv
import io
import re
from collections.abc import Collection, Iterator
from dataclasses import dataclass
from itertools import zip_longest

from cardreader.core.oneline import one_line

SEPARATORS = (",", ";", "\t")
OWN_FORMATS = (b"PK\x03\x04", b"\xd0\xcf\x11\xe0")
"""How a spreadsheet's own files begin: zip archives (.xlsx, .ods) and the older .xls."""
_DECIMAL_COMMA = re.compile(r"[-+]?\d+,\d+")


class SheetError(ValueError):
    """A file that is no table; one line says why."""


@dataclass(frozen=True)
class SheetRow:
    """One row below the header.

    Attributes
    ----------
    number : int
        From 1, blank rows counted: one less than a spreadsheet's own number.
    cells : dict
        Column's name -> text without spaces at its ends, empty where there is none.
    problem : str
        What is wrong with the row as a whole, empty if nothing is.
    unnamed : bool
        What is wrong is text in a column without a name, among those that have one.
    """

    number: int
    cells: dict[str, str]
    problem: str = ""
    unnamed: bool = False


@dataclass(frozen=True, eq=False)
class Sheet:
    """A table's header and, once, its rows; those without any text are left out.

    ``names`` are the columns' names in their order; columns without one are left out.
    """

    names: tuple[str, ...]
    decimal_comma: bool
    _header: tuple[str, ...]
    _rows: Iterator[list[str]]

    def __iter__(self) -> Iterator[SheetRow]:
        """Rows as they come; SheetError where the file breaks off within one."""
        try:
            for number, row in enumerate(self._rows, start=1):
                cells = [cell.strip() for cell in row]
                if any(cells):
                    yield self._row(number, cells)
        except csv.Error as error:
            raise SheetError(one_line(error)) from None

    def number(self, text: str) -> str:
        """The text of a number with a point, where this table writes a comma."""
        if self.decimal_comma and _DECIMAL_COMMA.fullmatch(text):
            return text.replace(",", ".")
        return text

    def _row(self, number: int, cells: list[str]) -> SheetRow:
        pairs = list(zip_longest(self._header, cells, fillvalue=""))
        named = {name: cell for name, cell in pairs if name}
        nameless = [at for at, (name, cell) in enumerate(pairs) if cell and not name]
        if not nameless:
            return SheetRow(number, named)
        if any(self._header[nameless[0] :]):  # as the numbers of its rows that a data frame writes
            told = (
                f"has text in column {nameless[0] + 1}, which has no name: name it or leave it out"
            )
            return SheetRow(number, named, told, unnamed=True)
        hint = "" if self.decimal_comma else "; write 11.2, not 11,2"
        return SheetRow(number, named, f"has more cells than there are columns{hint}")


def read_sheet(data: bytes, known: Collection[str]) -> Sheet:
    """The table in the bytes of a CSV file; ``known`` names tell what parts its columns.

    Raises
    ------
    SheetError
        It is no text, or has no header.
    """
    text = _text(data).lstrip("\r\n")
    first, _, rest = text.partition("\n")
    if first.strip().lower().startswith("sep=") and len(first.strip()) <= 5:
        text = rest  # a spreadsheet's own note of what parts the columns
    separator = max(SEPARATORS, key=lambda one: len(set(known) & set(_header(text, one, known))))
    try:
        header = _header(text, separator, known)
        rows = csv.reader(
            io.StringIO(text, newline=""), delimiter=separator, strict=True, skipinitialspace=True
        )
        next(rows, None)
    except csv.Error as error:
        raise SheetError(one_line(error)) from None
    if not any(header):
        raise SheetError("it has no header with the names of the columns")
    return Sheet(tuple(name for name in header if name), separator != ",", header, rows)


def _text(data: bytes) -> str:
    if data.startswith(OWN_FORMATS):
        raise SheetError("a spreadsheet's own file; open it there and save it as CSV UTF-8")
    utf_16 = data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE))
    try:
        return data.decode("utf-16" if utf_16 else "utf-8-sig")
    except UnicodeDecodeError:
        raise SheetError("not UTF-8 text; save it as CSV UTF-8") from None


def _header(text: str, separator: str, known: Collection[str]) -> tuple[str, ...]:
    """Names of the columns; a known one in capitals or with spaces in it is that one."""
    lines = io.StringIO(text, newline="")
    try:
        row = next(csv.reader(lines, delimiter=separator, strict=True, skipinitialspace=True), [])
    except csv.Error:
        row = []
    return tuple(_name(cell.strip(), known) for cell in row)


def _name(cell: str, known: Collection[str]) -> str:
    plain = re.sub(r"[\s-]+", "_", cell.lower())
    return plain if cell not in known and plain in known else cell
