"""The data dictionary of the result table: a Frictionless data package with a table schema.

It lies beside the table as ``datapackage.json``, so that any tool of that standard
(https://datapackage.org) knows each column's type, unit, meaning and limits.
"""

from __future__ import annotations

from typing import Any

from cardreader import __version__
from cardreader.batch.columns import COLUMNS, Column
from cardreader.batch.score import Failure
from cardreader.core.refusal import Reason
from cardreader.decide.rule import Outcome, Question
from cardreader.decide.subject import Smoking
from cardreader.hb.plausible import HIGHEST_HB_G_DL

Json = dict[str, Any]

_TYPES = {
    "string": "string",
    "category": "string",
    "float64": "number",
    "int64": "integer",
    "bool": "boolean",
}
_UNITS = {
    "_g_dl": "g/dL",
    "px_per_mm": "px/mm",
    "_mm": "mm",
    "_mm2": "mm2",
    "_m": "m",
    "_px": "px",
    "_deg": "degree",
    "_weeks": "week",
}
"""Unit by how a column's name ends, the longest ending that fits; without one there is none."""

_NAMES: dict[str, tuple[str, ...]] = {
    "status": ("read", "refused", "failed"),
    "reason": (*Reason, *Failure),
    "outcome": tuple(Outcome),
    "question": tuple(Question),
    "lot_basis": ("measured", "nominal"),
    "calibration_basis": ("measured", "simulated"),
    "smoking": tuple(Smoking),
}
_RANGES: dict[str, tuple[float, float]] = {
    "hb_g_dl": (0, HIGHEST_HB_G_DL),
    "interval_level": (0, 1),
    "p_below_7": (0, 1),
    "p_below_11": (0, 1),
    "p_severe": (0, 1),
    "p_anaemic": (0, 1),
    "trimester": (1, 3),
}
_REQUIRED = frozenset(("photo", "status", "screening_only"))


def data_package(csv_name: str) -> Json:
    """The package of a folder whose table is the file ``csv_name``."""
    return {
        "profile": "tabular-data-package",
        "name": "cardreader-results",
        "title": "Haemoglobin read from photos: screening only, no row is a diagnosis",
        "created_by": f"cardreader {__version__}",
        "resources": [
            {
                "profile": "tabular-data-resource",
                "name": "results",
                "path": csv_name,
                "format": "csv",
                "encoding": "utf-8",
                "schema": table_schema(),
            }
        ],
    }


def table_schema() -> Json:
    """The table schema: one field a column, in the table's order."""
    return {
        "fields": [_field(column) for column in COLUMNS],
        "primaryKey": ["photo"],
        "missingValues": [""],
    }


def _field(column: Column) -> Json:
    field: Json = {
        "name": column.name,
        "type": _TYPES[column.kind],
        "description": column.meaning,
    }
    if unit := _unit(column.name):
        field["unit"] = unit
    if column.kind == "category":
        field["categorical"] = True
    constraints: Json = {}
    if column.name in _REQUIRED:
        constraints["required"] = True
    if column.name in _NAMES:
        constraints["enum"] = list(_NAMES[column.name])
    if column.name in _RANGES:
        constraints["minimum"], constraints["maximum"] = _RANGES[column.name]
    return {**field, "constraints": constraints} if constraints else field


def _unit(name: str) -> str | None:
    fitting = [ending for ending in _UNITS if name.endswith(ending)]
    return _UNITS[max(fitting, key=len)] if fitting else None
