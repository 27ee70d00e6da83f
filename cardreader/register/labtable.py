"""A table of laboratory results, taken in row by row."""

from __future__ import annotations

import datetime as dt
import hashlib
import re
from collections.abc import Iterator
from dataclasses import dataclass

from sqlalchemy.orm import Session

from cardreader.core.sheet import SheetError, SheetRow, read_sheet
from cardreader.core.unitlook import look_like_mmol_l
from cardreader.core.written import as_line
from cardreader.decide.protocol import Protocol
from cardreader.register.doubt import DoubtfulError
from cardreader.register.entrylimits import may_be_dated
from cardreader.register.models import Woman
from cardreader.register.recording import LAB_LIMITS_G_DL, on_day, record_lab, subject_of
from cardreader.register.women import find_woman

LAB_COLUMNS = ("code", "date", "hb_g_dl", "method", "place")


MOST_ROWS = 20_000


@dataclass(frozen=True)
class RowProblem:
    """A row of an imported table that could not be entered, and why."""

    line: int
    column: str
    problem: str


@dataclass(frozen=True)
class Imported:
    """Outcome of an import: how many were entered, how many were there already.

    ``maybe_mmol_l`` says that its values, taken for g/dL, look as a whole like mmol/L.
    """

    entered: int
    known: int
    problems: tuple[RowProblem, ...]
    maybe_mmol_l: bool = False


def import_lab(
    session: Session,
    data: bytes,
    protocol: Protocol,
    today: dt.date,
    elevation_m: float | None,
    by: str | None,
) -> Imported:
    """Enter laboratory results from a CSV table with the columns ``LAB_COLUMNS``.

    A row that can't be entered is told and passed over; the same row sent again
    is known by its content and not doubled. Dates are written year-month-day.
    """
    entered, known = 0, 0
    problems: list[RowProblem] = []
    values = []
    for line, row in _rows(data, problems):
        try:
            code, on, value, method, place = _lab_row(row, today)
        except _RowError as error:
            problems.append(RowProblem(line, error.column, str(error)))
            continue
        values.append(value)
        woman = find_woman(session, code)
        if woman is None:
            problems.append(RowProblem(line, "code", "no woman has this code"))
            continue
        key = _row_key(woman, on, value, method, place)
        before = len(woman.readings)
        subject = subject_of(woman, on, elevation_m)
        entry = (key, value, method, place, on_day(on, today), by, protocol, subject)
        try:
            record_lab(session, woman, *entry)
        except DoubtfulError as doubtful:
            problems.append(_asked(line, doubtful))
            continue
        if len(woman.readings) > before:
            entered += 1
        else:
            known += 1
    maybe_mmol_l = look_like_mmol_l(values)
    return Imported(entered, known, tuple(problems), maybe_mmol_l)


def _asked(line: int, doubtful: DoubtfulError) -> RowProblem:
    """What is to be asked of a row: nobody is there to answer, so it is left to be entered."""
    if doubtful.early is not None:
        return RowProblem(
            line, "date", "long before all that is known of her: is the year right? Then by hand"
        )
    if any(not doubt.is_second for doubt in doubtful.doubts):
        return RowProblem(line, "hb_g_dl", "far from her reading: enter it by hand")
    if doubtful.doubts:
        return RowProblem(
            line, "hb_g_dl", "unlike another result of this day: are both right? Then by hand"
        )
    return RowProblem(line, "hb_g_dl", "hardly ever so high: enter it by hand")


class _RowError(ValueError):
    def __init__(self, column: str, problem: str) -> None:
        super().__init__(problem)
        self.column = column


def _rows(data: bytes, problems: list[RowProblem]) -> Iterator[tuple[int, dict[str, str]]]:
    """Line and cells of each row; commas, semicolons or tabs, as the place's spreadsheet writes."""
    try:
        sheet = read_sheet(data, LAB_COLUMNS)
        if missing := [name for name in LAB_COLUMNS[:4] if name not in sheet.names]:
            problems.append(RowProblem(1, missing[0], "this column is missing"))
            return
        if twice := [name for name in LAB_COLUMNS if sheet.names.count(name) > 1]:
            problems.append(RowProblem(1, twice[0], "this column is there twice"))
            return
        for count, row in enumerate(sheet, start=1):
            line = row.number + 1
            if count > MOST_ROWS:
                problems.append(RowProblem(line, "", "too many rows for one table"))
                return
            if row.problem:
                problems.append(_misshapen(line, row, sheet.decimal_comma))
                continue
            yield line, {**row.cells, "hb_g_dl": sheet.number(row.cells["hb_g_dl"])}
    except SheetError:
        problems.append(RowProblem(1, "", "not a CSV table"))


def _misshapen(line: int, row: SheetRow, decimal_comma: bool) -> RowProblem:
    """Why the cells of a row can't be told apart by the header."""
    if row.unnamed:
        said = RowProblem(
            line, "", "text in a column that has no name: name the column or leave it out"
        )
    elif decimal_comma:
        said = RowProblem(line, "", "more cells than there are columns")
    else:
        said = RowProblem(line, "", "a comma parts a number in two: write 11.2, not 11,2")
    return said


def _lab_row(row: dict[str, str], today: dt.date) -> tuple[str, dt.date, float, str, str]:
    try:
        on = dt.date.fromisoformat(row["date"].strip())
    except ValueError:
        raise _RowError("date", "not a date written year-month-day") from None
    if not may_be_dated(on, today):
        raise _RowError("date", "in the future or longer ago than 400 days")
    text, (low, high) = row["hb_g_dl"].strip(), LAB_LIMITS_G_DL
    if not re.fullmatch(r"\d{1,2}(\.\d{1,3})?", text, re.ASCII) or not low <= float(text) <= high:
        raise _RowError("hb_g_dl", "not a number from 1 to 25")
    method, place = (as_line(row.get(name, "")) for name in ("method", "place"))
    if not method:
        raise _RowError("method", "empty")
    if method.isdecimal():
        # The rest of 9,4 where commas part the columns: 9 would be entered, as if it were whole.
        raise _RowError("hb_g_dl", "a comma parts a number in two: write 11.2, not 11,2")
    for name, value in (("method", method), ("place", place)):
        if len(value) > 80:
            raise _RowError(name, "longer than 80 letters or not printable")
    return row["code"], on, float(text), method, place


def _row_key(woman: Woman, on: dt.date, value: float, method: str, place: str) -> str:
    content = "\x1f".join((woman.id, on.isoformat(), f"{value:.3f}", method, place))
    return "import-" + hashlib.sha256(content.encode()).hexdigest()[:48]
