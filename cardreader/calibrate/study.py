"""The study table: one row a photo, with the laboratory value it is held against.

CSV (UTF-8) or Parquet, its columns as `studycolumns` describes them. Every fault is
reported with its row and column, all of them at once, and no row is dropped in silence.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import Any

import pandas as pd
from pyarrow import parquet

from cardreader.calibrate.spelling import other_spellings
from cardreader.calibrate.studycells import PARSERS, Fault
from cardreader.calibrate.studycolumns import (
    COLUMNS,
    HIGHEST_HAEMATOCRIT_PERCENT,
    HIGHEST_HB_G_DL,
    HUNDRED_PERCENT_G_DL,
    LOWEST_HB_G_DL,
    RELATIVE_SD,
    LabMethod,
    LabUnit,
    header_faults,
    to_g_dl,
)
from cardreader.calibrate.studyfaults import StudyError
from cardreader.calibrate.studyodd import odd_rows
from cardreader.core.oneline import one_line
from cardreader.core.rowfaults import RowError
from cardreader.core.sheet import SheetError, SheetRow, read_sheet
from cardreader.core.units import G_DL_PER_MMOL_L, G_L_PER_G_DL

MAX_FILE_BYTES = 50_000_000
MAX_ROWS = 200_000
_NAMES = tuple(column.name for column in COLUMNS)
_NUMBERS = tuple(column.name for column in COLUMNS if column.kind == "number")


@dataclass(frozen=True, eq=False)
class Study:
    """A study table that was read.

    Attributes
    ----------
    rows : DataFrame
        The rows without fault, typed, with ``row`` (number in the table),
        ``lab_g_dl`` and ``lab_sd_g_dl`` added.
    errors : tuple of RowError
        Every fault; a row with one is not in ``rows``.
    warnings : tuple of RowError
        What is allowed but looks odd.
    n_rows : int
        Data rows of the file.
    folder : Path
        Where photos are looked for.
    sha256 : str
        Of the file.
    """

    rows: pd.DataFrame
    errors: tuple[RowError, ...]
    warnings: tuple[RowError, ...]
    n_rows: int
    folder: Path
    sha256: str


def read_study(path: Path | str) -> Study:
    """Read and check a study table.

    Raises
    ------
    StudyError
        The file can't be read as a table, or lacks columns. Faults of single
        rows do not raise here, see `Study.raise_for_errors`.
    OSError
        The file can't be opened.
    """
    path = Path(path)
    if path.stat().st_size > MAX_FILE_BYTES:
        raise _table_error(f"file is larger than {MAX_FILE_BYTES // 1_000_000} MB")
    data = path.read_bytes()
    table = _table_of(path, data)
    if not table:
        raise _table_error("no row below its header")
    rows, errors = [], []
    for line in table:
        if line.problem:
            errors.append(RowError(line.number, "", line.problem))
            continue
        row, faults = _check_row(line.number, line.cells)
        errors += faults
        if not faults:
            rows.append(row)
    errors += [*_check_unique(rows), *_check_subjects(rows)]
    bad = {error.row for error in errors}
    frame = pd.DataFrame(
        [row for row in rows if row["row"] not in bad],
        columns=["row", *_NAMES, "lab_g_dl", "lab_sd_g_dl"],
    )
    return Study(
        rows=frame,
        errors=tuple(sorted(errors, key=lambda error: error.row)),
        warnings=odd_rows(frame),
        n_rows=len(table),
        folder=path.parent,
        sha256=hashlib.sha256(data).hexdigest(),
    )


def _table_error(problem: str) -> StudyError:
    return StudyError((RowError(0, "", problem),))


def _table_of(path: Path, data: bytes) -> list[SheetRow]:
    """The rows with every cell as text, empty where missing."""
    try:
        if path.suffix.lower() == ".parquet":
            return _of_parquet(path)
        sheet = read_sheet(data, _NAMES)
        _check_columns(sheet.names)
        rows = list(islice(sheet, MAX_ROWS + 1))
    except SheetError as error:
        raise _table_error(f"can't be read as a table: {error}") from None
    if len(rows) > MAX_ROWS:
        raise _table_error(f"more than {MAX_ROWS} rows")
    for row in rows:
        row.cells.update({name: sheet.number(row.cells.get(name, "")) for name in _NUMBERS})
    return rows


def _of_parquet(path: Path) -> list[SheetRow]:
    try:
        # Asked before it is unpacked: a small Parquet file can hold very many rows.
        if parquet.read_metadata(path).num_rows > MAX_ROWS:
            raise _table_error(f"more than {MAX_ROWS} rows")
        raw = pd.read_parquet(path)
        table = raw.astype(object).where(raw.notna(), "").map(_cell_text)
    except StudyError:
        raise
    except Exception as error:
        # pyarrow raises classes of its own for a broken file; whichever it is, the person
        # with the file needs one line.
        raise _table_error(f"can't be read as .parquet: {one_line(error)}") from error
    _check_columns(list(map(str, table.columns)))
    return [
        SheetRow(number, {str(name).strip(): str(cell) for name, cell in record.items()})
        for number, record in enumerate(table.to_dict("records"), start=1)
    ]


def _cell_text(value: Any) -> str:
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    return str(value).strip()


def _check_columns(names: Sequence[str]) -> None:
    faults = header_faults([one_line(name, 60) if name.strip() else "" for name in names])
    if faults:
        raise StudyError(tuple(RowError(0, name, problem) for name, problem in faults))


def _check_row(number: int, record: dict[str, str]) -> tuple[dict[str, Any], list[RowError]]:
    row: dict[str, Any] = {"row": number, "visit": 1, "paper": "", "note": ""}
    row |= {"lab_sd": None, "hundred_percent_g_dl": None}
    faults = []
    for column in COLUMNS:
        text = record.get(column.name, "").strip()
        if not text:
            if column.required:
                faults.append(RowError(number, column.name, "is empty"))
            continue
        try:
            row[column.name] = PARSERS[column.name](text)
        except Fault as fault:
            faults.append(RowError(number, column.name, str(fault)))
    if not faults:
        faults = _check_lab(number, row)
    return row, faults


def _check_lab(number: int, row: dict[str, Any]) -> list[RowError]:
    unit, method = row["lab_unit"], row["lab_method"]
    if unit is LabUnit.PERCENT and method is not LabMethod.ACID_HAEMATIN:
        return [RowError(number, "lab_unit", f"percent belongs to acid_haematin, not {method}")]
    scale = row["hundred_percent_g_dl"] or HUNDRED_PERCENT_G_DL
    value = to_g_dl(row["lab_value"], unit, scale)
    if not LOWEST_HB_G_DL <= value <= HIGHEST_HB_G_DL:
        stated = f"{row['lab_value']:g} {unit}"
        if unit is not LabUnit.G_DL:
            stated += f" = {value:.3g} g/dL"
        outside = f"{stated} is outside {LOWEST_HB_G_DL:g} to {HIGHEST_HB_G_DL:g} g/dL"
        return [RowError(number, "lab_value", f"{outside}: {_what_unit(value, unit, method)}")]
    row["lab_g_dl"] = value
    stated = row["lab_sd"]
    row["lab_sd_g_dl"] = (
        RELATIVE_SD[method] * value if stated is None else to_g_dl(stated, unit, scale)
    )
    if row["lab_sd_g_dl"] > value / 2:
        return [RowError(number, "lab_sd", "is more than half of the value")]
    return []


def _what_unit(value_g_dl: float, unit: LabUnit, method: LabMethod) -> str:
    if unit is LabUnit.G_L and LOWEST_HB_G_DL <= value_g_dl * G_L_PER_G_DL <= HIGHEST_HB_G_DL:
        return "wrong unit? Write in lab_unit whether it is g/dL or mmol/L"
    if unit is LabUnit.MMOL_L and value_g_dl / G_DL_PER_MMOL_L <= HIGHEST_HB_G_DL:
        return "wrong unit? If it is g/dL, write g/dL in lab_unit"
    tenth = value_g_dl / G_L_PER_G_DL
    if unit is not LabUnit.G_DL or not LOWEST_HB_G_DL <= tenth <= HIGHEST_HB_G_DL:
        return "wrong unit?"
    if method is LabMethod.ACID_HAEMATIN:
        return "wrong unit? A tube's percent are written with percent in lab_unit"
    g_l = "write g/L in lab_unit"
    if value_g_dl > HIGHEST_HAEMATOCRIT_PERCENT:
        return f"wrong unit? If it is g/L, {g_l}; percent are no g/L"
    return f"a haematocrit in percent is no haemoglobin; if it is g/L, {g_l}"


def _check_unique(rows: list[dict[str, Any]]) -> list[RowError]:
    first: dict[str, int] = {}
    errors = []
    for row in rows:
        before = first.setdefault(row["photo"], row["row"])
        if before != row["row"]:
            errors.append(RowError(row["row"], "photo", f"is the photo of row {before} again"))
    return errors


def _check_subjects(rows: list[dict[str, Any]]) -> list[RowError]:
    """A woman under two names would be counted twice, and read by a model fitted to her."""
    named = ((row["row"], row["subject"]) for row in rows)
    return [
        RowError(
            row,
            "subject",
            f"{name} is {spelt} in row {before}: write a woman one way; ids of two women differ in "
            "more than capitals, spaces and leading zeros",
        )
        for row, name, before, spelt in other_spellings(named)
    ]
