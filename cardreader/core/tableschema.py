"""Data dictionaries of tables: Frictionless data packages with a table schema.

They lie beside a table, so that any tool of that standard (https://datapackage.org) knows
each column's type, unit, meaning and limits.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from cardreader import __version__

Json = dict[str, Any]

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


def field(
    name: str,
    kind: str,
    meaning: str,
    *,
    required: bool = False,
    unique: bool = False,
    options: Iterable[str] = (),
    limits: tuple[float, float] | None = None,
    categorical: bool = False,
) -> Json:
    """A column: ``kind`` is the standard's type, ``limits`` its lowest and highest value."""
    out: Json = {"name": name, "type": kind, "description": meaning}
    if unit := _unit(name):
        out["unit"] = unit
    if categorical:
        out["categorical"] = True
    constraints: Json = {}
    if required:
        constraints["required"] = True
    if unique:
        constraints["unique"] = True
    if allowed := [str(option) for option in options]:
        constraints["enum"] = allowed
    if limits is not None:
        constraints["minimum"], constraints["maximum"] = limits
    return {**out, "constraints": constraints} if constraints else out


def _unit(name: str) -> str | None:
    fitting = [ending for ending in _UNITS if name.endswith(ending)]
    return _UNITS[max(fitting, key=len)] if fitting else None


def schema(fields: Iterable[Json], key: str) -> Json:
    """A table schema whose rows are told apart by the column ``key``."""
    return {"fields": list(fields), "primaryKey": [key], "missingValues": [""]}


def package(name: str, title: str, csv_name: str, table: Json) -> Json:
    """The package of a folder whose table is the file ``csv_name``."""
    return {
        "profile": "tabular-data-package",
        "name": f"cardreader-{name}",
        "title": title,
        "created_by": f"cardreader {__version__}",
        "resources": [
            {
                "profile": "tabular-data-resource",
                "name": name,
                "path": csv_name,
                "format": "csv",
                "encoding": "utf-8",
                "schema": table,
            }
        ],
    }
