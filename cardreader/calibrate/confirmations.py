"""Confirmatory results as a table, and the page of their control charts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date
from itertools import islice
from pathlib import Path

import numpy as np

from cardreader import __version__
from cardreader.calibrate import figures
from cardreader.calibrate.document import Bullets, Document, Figure, Section, Text, to_html
from cardreader.calibrate.drift import Chart, Confirmation
from cardreader.calibrate.spelling import spelling_key
from cardreader.calibrate.study import MAX_FILE_BYTES, MAX_ROWS
from cardreader.calibrate.studyfaults import StudyError
from cardreader.core.rowfaults import RowError
from cardreader.core.sheet import SheetError, SheetRow, read_sheet

COLUMNS = ("date", "lot", "phone", "hb_g_dl", "sd_g_dl", "lab_g_dl", "lab_sd_g_dl")
OF_REGISTER = {"date": "confirmed_on", "lot": "lot_id"}
"""How a register's own table of them calls what has another name there."""
_LACKING = {
    "sd_g_dl": "how far the reading may be off, one standard deviation (a 90 % interval is 3.3 of "
    "them wide): the charts' limits are in these, and a guess would hide drift or invent it",
    "lab_sd_g_dl": "how far one laboratory result may be off, one standard deviation (where it is "
    "not known a register assumes 0.3)",
}
"""What a column holds that is easily left empty, since a reading in words doesn't show it."""
NOT_KNOWN = "-"
"""A lot or phone that a register does not know: one of its own to the charts, as on its page."""


def read_confirmations(path: Path) -> list[Confirmation]:
    """Read a CSV with `COLUMNS`, or as a register hands it out: one confirmatory result a row.

    Raises
    ------
    StudyError
        With every fault: a drift watch that drops rows would watch too little.
    OSError
        The file can't be opened.
    """
    if path.stat().st_size > MAX_FILE_BYTES:
        raise StudyError((RowError(0, "", "file is too large"),))
    try:
        sheet = read_sheet(path.read_bytes(), (*COLUMNS, *OF_REGISTER.values()))
        of_register = set(OF_REGISTER.values()) <= set(sheet.names)
        names = {name: OF_REGISTER.get(name, name) if of_register else name for name in COLUMNS}
        if missing := [name for name in names.values() if name not in sheet.names]:
            raise StudyError(tuple(_missing(name) for name in missing))
        rows = list(islice(sheet, MAX_ROWS + 1))
    except SheetError as error:
        raise StudyError((RowError(0, "", f"can't be read as a table: {error}"),)) from None
    if len(rows) > MAX_ROWS:
        raise StudyError((RowError(0, "", f"more than {MAX_ROWS} rows"),))
    entries, errors = [], []
    for row in rows:
        record = {name: sheet.number(row.cells[told]) for name, told in names.items()}
        if of_register:
            record |= {name: record[name] or NOT_KNOWN for name in ("lot", "phone")}
        found = _entry(row, record)
        if isinstance(found, RowError):
            errors.append(found)
        else:
            entries.append(found)
    if errors or not entries:
        raise StudyError(tuple(errors) or (RowError(0, "", "holds no results"),))
    return _spelt_once(entries)


def _spelt_once(entries: list[Confirmation]) -> list[Confirmation]:
    """Lots and phones by their first spelling: a spreadsheet makes 27001 of 027001, and a chart
    of half of the results raises its alarm later."""
    lots: dict[str, str] = {}
    phones: dict[str, str] = {}
    return [
        replace(
            entry,
            lot=lots.setdefault(spelling_key(entry.lot), entry.lot),
            phone=phones.setdefault(spelling_key(entry.phone), entry.phone),
        )
        for entry in entries
    ]


def _entry(row: SheetRow, record: dict[str, str]) -> Confirmation | RowError:
    number = row.number
    if row.problem:
        return RowError(number, "", row.problem)
    try:
        on = date.fromisoformat(record["date"])
    except ValueError:
        return RowError(
            number, "date", f"{_shown(record['date'])} is no date; write it as 2026-03-31"
        )
    values = {}
    limits = {"hb_g_dl": 25.0, "lab_g_dl": 25.0, "sd_g_dl": 5.0, "lab_sd_g_dl": 5.0}
    for name, high in limits.items():
        if not record[name]:
            return RowError(number, name, f"is empty{_what(name)}")
        try:
            values[name] = float(record[name])
        except ValueError:
            return RowError(number, name, f"{_shown(record[name])} is not a number")
        if not 0 < values[name] <= high:
            return RowError(number, name, f"{_shown(record[name])} is outside 0 to {high:g}")
    for name in ("lot", "phone"):
        if not record[name] or len(record[name]) > 100 or not record[name].isprintable():
            return RowError(number, name, "is empty, too long or not printable")
    return Confirmation(
        on=on,
        lot=record["lot"],
        phone=record["phone"],
        hb_g_dl=values["hb_g_dl"],
        lab_g_dl=values["lab_g_dl"],
        sd_g_dl=float(np.hypot(values["sd_g_dl"], values["lab_sd_g_dl"])),
    )


def _missing(name: str) -> RowError:
    return RowError(0, name, f"column is missing{_what(name)}")


def _what(name: str) -> str:
    return f": {_LACKING[name]}" if name in _LACKING else ""


def _shown(text: str) -> str:
    """A cell in a message: quoted, so that it stays on its line, and no longer than is of use."""
    return repr(text if len(text) <= 60 else f"{text[:60]} ...")


def drift_page(charts: Sequence[Chart], centre_g_dl: float) -> str:
    """One HTML page with the charts, alarms first."""
    raised = [chart for chart in charts if chart.alarm]
    verdict = (
        f"{len(raised)} of {len(charts)} charts raise an alarm."
        if raised
        else "No lot and no phone has drifted as far as these results can show."
    )
    sections = [
        Section(
            "What was found",
            (
                Text(verdict, "verdict"),
                Bullets(tuple(chart.words for chart in charts)),
                Text(
                    f"Differences are centred on {centre_g_dl:+.2f} g/dL: women with low readings "
                    "are confirmed more often, and a low reading is low partly by its own error."
                ),
            ),
        )
    ]
    sections += [
        Section(
            chart.title,
            (
                Figure(
                    figures.drift_figure(chart),
                    f"{chart.n} confirmed results of {chart.title}, standardised: "
                    "EWMA with its limits, CUSUM with its limit; a vertical line marks the alarm.",
                ),
            ),
        )
        for chart in charts
    ]
    return to_html(
        Document(
            title="Drift watch",
            subtitle="Readings against the confirmatory results that came back.",
            sections=tuple(sections),
            foot=f"cardreader {__version__}. Screening only.",
        )
    )
