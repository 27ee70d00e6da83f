"""The columns of the study table, each described once: parsers, manual and dictionary follow."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from cardreader.core.tableschema import Json, field, package, schema
from cardreader.core.units import G_DL_PER_MMOL_L, G_L_PER_G_DL

LOWEST_HB_G_DL = 1.0
HIGHEST_HB_G_DL = 25.0
"""Outside this a laboratory value is a slip or has another unit."""

HIGHEST_HAEMATOCRIT_PERCENT = 60.0
"""Above the limit for g/dL and up to here a number may be a haematocrit. Ours."""

USUAL_HB_G_DL = (2.5, 18.0)
"""Outside this few women's blood lies: such a value is asked about. Ours."""

HUNDRED_PERCENT_G_DL = 15.0
"""What 100 % means on an acid-haematin tube scaled so that 24 g/dL is 160 %.

Tubes with other scales exist; the column ``hundred_percent_g_dl`` says so a row.
"""


class LabMethod(StrEnum):
    """How the laboratory value was found."""

    PHOTOMETRIC_HICN = "photometric_hicn"
    ANALYSER = "analyser"
    ACID_HAEMATIN = "acid_haematin"


class LabUnit(StrEnum):
    """Unit of the laboratory value; percent belongs to acid-haematin tubes only.

    Millimoles are of one haem with its chain, as laboratories count.
    """

    G_DL = "g/dL"
    G_L = "g/L"
    MMOL_L = "mmol/L"
    PERCENT = "percent"


RELATIVE_SD: dict[LabMethod, float] = {
    LabMethod.PHOTOMETRIC_HICN: 0.02,
    LabMethod.ANALYSER: 0.015,
    LabMethod.ACID_HAEMATIN: 0.08,
}
"""Assumed sd as a share of the value where ``lab_sd`` is empty.

Orders of magnitude of common practice, no source: a study that knows its
laboratory's own figure writes it in ``lab_sd``.
"""


def to_g_dl(
    value: float, unit: LabUnit, hundred_percent_g_dl: float = HUNDRED_PERCENT_G_DL
) -> float:
    """Haemoglobin in g/dL from a value in another unit."""
    if unit is LabUnit.PERCENT:
        return value * hundred_percent_g_dl / 100
    if unit is LabUnit.MMOL_L:
        return value * G_DL_PER_MMOL_L
    return value / G_L_PER_G_DL if unit is LabUnit.G_L else value


@dataclass(frozen=True)
class Column:
    """One column of the study table.

    ``kind`` is text, number or whole; a number lies within ``limits``, a text is one of
    ``options`` where there are any.
    """

    name: str
    required: bool
    meaning: str
    kind: str = "text"
    limits: tuple[float, float] | None = None
    options: tuple[str, ...] = ()


POSITIVE = (1e-6, 1000.0)
"""What a value and its uncertainty may be in any unit; g/dL are looked at closer."""

COLUMNS: tuple[Column, ...] = (
    Column("photo", True, "File of the photo, relative to the table; each photo once."),
    Column("subject", True, "Pseudonymous id of the woman. Never a name."),
    Column("lab_value", True, "Laboratory haemoglobin, in lab_unit.", "number", POSITIVE),
    Column(
        "lab_unit",
        True,
        "g/dL, g/L, mmol/L (of haem) or percent (percent: acid_haematin only).",
        options=tuple(LabUnit),
    ),
    Column(
        "lab_method",
        True,
        "photometric_hicn, analyser or acid_haematin.",
        options=tuple(LabMethod),
    ),
    Column(
        "lab_sd",
        False,
        "Standard uncertainty of lab_value, in lab_unit; empty: assumed.",
        "number",
        POSITIVE,
    ),
    Column(
        "hundred_percent_g_dl",
        False,
        f"Scale of the tube: g/dL at 100 %; empty: {HUNDRED_PERCENT_G_DL:g} (24 g/dL = 160 %).",
        "number",
        (10.0, 20.0),
    ),
    Column("phone", True, "Phone model, as you want it to appear in the report."),
    Column("light", True, "Light: shade, daylight, tube, bulb ... in your own words, few kinds."),
    Column("lot", True, "Card lot number.", "whole", (0, 10**9)),
    Column("operator", True, "Code of the person who made the blot and took the photo."),
    Column(
        "replicate",
        True,
        "Number of the blot of this subject and visit: 1, 2, ...",
        "whole",
        (1, 99),
    ),
    Column(
        "visit",
        False,
        "Number of the visit, when a subject was bled again; empty: 1.",
        "whole",
        (1, 999),
    ),
    Column("paper", False, "Batch of the blotting paper; empty: not named, taken for one batch."),
    Column("note", False, "Anything else; not used."),
)

_NAMES = tuple(column.name for column in COLUMNS)


def header_faults(names: Sequence[str]) -> list[tuple[str, str]]:
    """What is wrong with a table's header: the column, and in words what it lacks."""
    faults = [
        (column.name, "column is missing")
        for column in COLUMNS
        if column.required and column.name not in names
    ]
    faults += [(n, "column occurs twice") for n in dict.fromkeys(names) if names.count(n) > 1]
    unknown = [name for name in dict.fromkeys(names) if name not in _NAMES]
    for name in unknown:
        known = f"; known are {', '.join(_NAMES)}" if name == unknown[0] else ""
        faults.append((name, f"unknown column{known}"))
    return faults


_TYPES = {"text": "string", "number": "number", "whole": "integer"}
_CATEGORIES = ("lab_unit", "lab_method", "phone", "light", "operator", "paper")


def study_schema() -> Json:
    """The table schema of the study table, in the order of `COLUMNS`."""
    return schema(
        (
            field(
                column.name,
                _TYPES[column.kind],
                column.meaning,
                required=column.required,
                unique=column.name == "photo",
                options=column.options,
                limits=column.limits,
                categorical=column.name in _CATEGORIES,
            )
            for column in COLUMNS
        ),
        key="photo",
    )


def study_package(csv_name: str) -> Json:
    """The data package of a folder whose study table is the file ``csv_name``."""
    title = "Photos of blood blots with laboratory values, to calibrate and validate by"
    return package("study", title, csv_name, study_schema())
