"""The data dictionary of the result table, as ``datapackage.json`` beside it."""

from __future__ import annotations

from cardreader.batch.columns import COLUMNS, Column
from cardreader.batch.score import Failure
from cardreader.core.refusal import Reason
from cardreader.core.tableschema import Json, field, package, schema
from cardreader.decide.rule import Outcome, Question
from cardreader.decide.subject import Smoking
from cardreader.hb.plausible import HIGHEST_HB_G_DL

_TYPES = {
    "string": "string",
    "category": "string",
    "float64": "number",
    "int64": "integer",
    "bool": "boolean",
}
_NAMES: dict[str, tuple[str, ...]] = {
    "status": ("read", "refused", "failed"),
    "reason": (*Reason, *Failure),
    "outcome": tuple(Outcome),
    "question": tuple(Question),
    "lot_basis": ("measured", "photographed", "nominal"),
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
    title = "Haemoglobin read from photos: screening only, no row is a diagnosis"
    return package("results", title, csv_name, table_schema())


def table_schema() -> Json:
    """The table schema: one field a column, in the table's order."""
    return schema((_field(column) for column in COLUMNS), key="photo")


def _field(column: Column) -> Json:
    return field(
        column.name,
        _TYPES[column.kind],
        column.meaning,
        required=column.name in _REQUIRED,
        options=_NAMES.get(column.name, ()),
        limits=_RANGES.get(column.name),
        categorical=column.kind == "category",
    )
