"""The result table: one row a photo, the refused and the failed with their reason.

Columns are described once, in `COLUMNS`; Parquet, CSV, data frames and the
manual are made from it. JSON lines hold each photo's whole reading besides.
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cardreader.batch.packed import DamagedError
from cardreader.batch.score import Failure, Outcome, Trouble, unpack_reading
from cardreader.batch.sources import PhotoFile
from cardreader.core.files import write_atomic
from cardreader.decide.rule import Outcome as Decided
from cardreader.hb.plausible import HIGHEST_HB_G_DL

if TYPE_CHECKING:
    import pyarrow as pa

Json = dict[str, Any]


@dataclass(frozen=True)
class Result:
    """A photo of the table: its reading as JSON, or what stood in the way."""

    photo: PhotoFile
    sha256: str | None
    reading: Json | None
    trouble: Trouble | None = None
    duplicate_of: str | None = None


def results_of(found: Iterable[tuple[PhotoFile, Outcome]]) -> Iterator[Result]:
    """Results of outcomes, those of the same content marked after the first."""
    first: dict[str, str] = {}
    for photo, outcome in found:
        sha256 = outcome.sha256
        same = None if sha256 is None else first.setdefault(sha256, photo.name)
        result = Result(
            photo,
            sha256,
            reading=None,
            trouble=outcome.trouble,
            duplicate_of=None if same == photo.name else same,
        )
        yield result if outcome.reading is None else _with_reading(result, outcome.reading)


def _with_reading(result: Result, kept: bytes) -> Result:
    """The result with its reading; failed where the journal holds what no reading can be."""
    try:
        found = replace(result, reading=unpack_reading(kept))
    except DamagedError:
        found = result
    if found.reading is not None and _is_reading(found):
        return found
    return replace(result, trouble=Trouble(Failure.DEFECT, _DAMAGED, result.sha256))


@dataclass(frozen=True)
class Column:
    """One column: Arrow type by name, how to get it, what it means."""

    name: str
    kind: str
    meaning: str
    get: Callable[[Result], Any]


def _at(*path: str) -> Callable[[Result], Any]:
    """A value of the reading by its path in the JSON; None where there is none."""

    def get(result: Result) -> Any:
        value: Any = result.reading
        for key in path:
            if value is None:
                return None
            value = value.get(key)
        return value

    return get


def _part(index: int, *path: str) -> Callable[[Result], Any]:
    whole = _at(*path)

    def get(result: Result) -> Any:
        value = whole(result)
        return None if value is None else value[index]

    return get


def _status(result: Result) -> str:
    return "failed" if result.reading is None else str(result.reading["status"])


def _reason(result: Result) -> str | None:
    return str(result.trouble.kind) if result.trouble else _at("refusal", "reason")(result)


def _stage(result: Result) -> str | None:
    return "batch" if result.trouble else _at("refusal", "stage")(result)


def _detail(result: Result) -> str | None:
    return result.trouble.detail if result.trouble else _at("refusal", "detail")(result)


def _phone(result: Result) -> str | None:
    return result.photo.phone or _at("photo", "make_model")(result)


def _spoiled(result: Result) -> str | None:
    names = _at("colour", "spoiled_prints")(result)
    return None if names is None else " ".join(names)


_ROWS_AT_ONCE = 1000
"""Readings held at a time while the table is made, so that memory doesn't grow with them."""

_TEXT, _NUMBER, _WHOLE, _TRUTH = "string", "float64", "int64", "bool"

COLUMNS: tuple[Column, ...] = (
    Column("photo", _TEXT, "path or address of the photo", lambda r: r.photo.name),
    Column("sha256", _TEXT, "hash of the file's content", lambda r: r.sha256),
    Column(
        "duplicate_of",
        _TEXT,
        "first photo of the same content, if another",
        lambda r: r.duplicate_of,
    ),
    Column("status", _TEXT, "read, refused or failed", _status),
    Column("reason", _TEXT, "why it was refused or failed", _reason),
    Column("stage", _TEXT, "what refused it", _stage),
    Column("detail", _TEXT, "what was measured against which limit", _detail),
    Column("hb_g_dl", _NUMBER, "haemoglobin, g/dL", _at("hb", "g_dl")),
    Column("hb_low_g_dl", _NUMBER, "lower end of the interval", _at("hb", "interval", "low_g_dl")),
    Column("hb_high_g_dl", _NUMBER, "upper end", _at("hb", "interval", "high_g_dl")),
    Column("interval_level", _NUMBER, "level of the interval", _at("hb", "interval", "level")),
    Column(
        "sd_measurement_g_dl",
        _NUMBER,
        "standard uncertainty from the photo",
        _at("hb", "sd", "measurement_g_dl"),
    ),
    Column(
        "sd_calibration_g_dl",
        _NUMBER,
        "standard uncertainty that the calibration leaves",
        _at("hb", "sd", "calibration_g_dl"),
    ),
    Column(
        "volume_floor_g_dl",
        _NUMBER,
        "standard uncertainty from blood volume",
        _at("hb", "sd", "volume_floor_g_dl"),
    ),
    Column("p_below_7", _NUMBER, "probability below 7 g/dL", _at("hb", "p_below_7")),
    Column("p_below_11", _NUMBER, "probability below 11 g/dL", _at("hb", "p_below_11")),
    Column("outcome", _TEXT, "what the protocol makes of it", _at("decision", "outcome")),
    Column("question", _TEXT, "what an uncertain reading leaves open", _at("decision", "question")),
    Column("band", _TEXT, "the protocol's band, where one is named", _at("decision", "band")),
    Column("p_severe", _NUMBER, "probability of severe anaemia", _at("decision", "p_severe")),
    Column("p_anaemic", _NUMBER, "probability of anaemia", _at("decision", "p_anaemic")),
    Column(
        "adjusted_hb_g_dl",
        _NUMBER,
        "after elevation and smoking",
        _at("decision", "adjusted_hb_g_dl"),
    ),
    Column("refer", _TRUTH, "whether to refer now", _at("decision", "refer")),
    Column("confirm", _TRUTH, "whether to confirm by a blood test", _at("decision", "confirm")),
    Column("screening_only", _TRUTH, "always true: never a diagnosis", lambda r: True),
    Column("phone", _TEXT, "as listed, or as the photo says", _phone),
    Column("light", _TEXT, "as listed", lambda r: r.photo.light),
    Column("taken", _TEXT, "time by the phone's clock", _at("photo", "taken")),
    Column("lot_id", _TEXT, "card lot", _at("card", "lot_id")),
    Column("lot_basis", _TEXT, "measured or nominal", _at("card", "basis")),
    Column("px_per_mm", _NUMBER, "working pixels a mm of card", _at("card", "px_per_mm")),
    Column("tilt_deg", _NUMBER, "tilt of the phone", _at("card", "tilt_deg")),
    Column("blur_mm", _NUMBER, "blur, standard deviation", _at("card", "blur_mm")),
    Column(
        "residual_de00_median",
        _NUMBER,
        "CIEDE2000 left at the patches",
        _at("colour", "residual_de00_median"),
    ),
    Column(
        "residual_de00_max", _NUMBER, "the same at the worst", _at("colour", "residual_de00_max")
    ),
    Column("spoiled_prints", _TEXT, "prints whose twin stands in", _spoiled),
    Column("blot_l", _NUMBER, "CIE L* of the blot, D50", _part(0, "blot", "lab_d50")),
    Column("blot_a", _NUMBER, "CIE a*", _part(1, "blot", "lab_d50")),
    Column("blot_b", _NUMBER, "CIE b*", _part(2, "blot", "lab_d50")),
    Column("blot_area_mm2", _NUMBER, "area of the blot", _at("blot", "area_mm2")),
    Column("blot_unevenness", _NUMBER, "spread over its core", _at("blot", "unevenness")),
    Column("width_px", _WHOLE, "width of the photo", _at("photo", "width_px")),
    Column("height_px", _WHOLE, "height of the photo", _at("photo", "height_px")),
    Column("trimester", _WHOLE, "as told", _at("subject", "trimester")),
    Column("gestation_weeks", _WHOLE, "as told", _at("subject", "gestation_weeks")),
    Column("elevation_m", _NUMBER, "as told", _at("subject", "elevation_m")),
    Column("smoking", _TEXT, "as told", _at("subject", "smoking")),
    Column("calibration_id", _TEXT, "calibration", _at("calibration", "id")),
    Column("calibration_basis", _TEXT, "measured or simulated", _at("calibration", "basis")),
    Column("calibration_sha256", _TEXT, "hash of the calibration", _at("calibration", "sha256")),
    Column("protocol_id", _TEXT, "protocol", _at("protocol", "id")),
    Column("protocol_sha256", _TEXT, "hash of the protocol", _at("protocol", "sha256")),
    Column("version", _TEXT, "version of cardreader", _at("software", "version")),
)


_DAMAGED = "the reading kept of this photo is damaged: remove the journal and run again"
_TYPES = {_TEXT: (str,), _NUMBER: (int, float), _WHOLE: (int,), _TRUTH: (bool,)}
_LARGEST = 1e12
_OUTCOMES = frozenset((None, *Decided))
_MUST = {
    "read": ("hb_g_dl", "hb_low_g_dl", "hb_high_g_dl", "p_severe", "p_anaemic", "outcome"),
    "refused": ("reason",),
}


def _is_reading(result: Result) -> bool:
    """Whether every column gets a value of its kind, and those that a reading must have."""
    try:
        cells = row(result)
    except (AttributeError, KeyError, TypeError, IndexError):
        return False
    must = _MUST.get(str(cells["status"]))
    if must is None or any(cells[name] is None for name in must):
        return False
    if not all(_is_of_kind(cells[column.name], column.kind) for column in COLUMNS):
        return False
    if cells["outcome"] not in _OUTCOMES:
        return False
    return cells["hb_g_dl"] is None or 0 < cells["hb_g_dl"] <= HIGHEST_HB_G_DL


def _is_of_kind(value: object, kind: str) -> bool:
    if value is None:
        return True
    if type(value) not in _TYPES[kind]:
        return False
    return not isinstance(value, int | float) or abs(value) < _LARGEST


def row(result: Result) -> Json:
    """A photo's row: column name to plain value, None where nothing is known."""
    return {column.name: column.get(result) for column in COLUMNS}


def arrow_table(results: Iterable[Result]) -> pa.Table:
    """The rows as an Arrow table; its schema doesn't depend on what the rows hold."""
    import pyarrow as pa

    types = {_TEXT: pa.string(), _NUMBER: pa.float64(), _WHOLE: pa.int64(), _TRUTH: pa.bool_()}
    schema = pa.schema([(c.name, types[c.kind]) for c in COLUMNS])
    batches = []
    waiting = iter(results)
    while some := list(islice(waiting, _ROWS_AT_ONCE)):
        values = [pa.array([c.get(r) for r in some], types[c.kind]) for c in COLUMNS]
        batches.append(pa.RecordBatch.from_arrays(values, schema=schema))
    return pa.Table.from_batches(batches, schema=schema).combine_chunks()


def json_line(result: Result) -> str:
    """One line of JSON: the photo's name and its whole reading, or what stood in the way."""
    trouble = result.trouble
    content: Json = {
        "photo": result.photo.name,
        "sha256": result.sha256,
        "status": _status(result),
        "phone": result.photo.phone,
        "light": result.photo.light,
        "reading": result.reading,
        "failure": None
        if trouble is None
        else {"kind": str(trouble.kind), "detail": trouble.detail},
        "screening_only": True,
    }
    return json.dumps(content, sort_keys=True, ensure_ascii=False, allow_nan=False) + "\n"


def write_table(table: pa.Table, parquet: Path, csv_file: Path) -> None:
    """Write the table in both forms, each whole or not at all."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    sink = pa.BufferOutputStream()
    pq.write_table(table, sink, compression="zstd")
    write_atomic(parquet, sink.getvalue().to_pybytes())
    write_atomic(csv_file, _csv(table))


def _csv(table: pa.Table) -> str:
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(table.column_names)
    for batch in table.to_batches(max_chunksize=1000):
        columns = [column.to_pylist() for column in batch.columns]
        writer.writerows(zip(*([_cell(v) for v in column] for column in columns), strict=True))
    return out.getvalue()


def _cell(value: Any) -> str:
    """Text of a value; a spreadsheet must not take a file's name for a formula."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    text = str(value)
    return f"'{text}" if isinstance(value, str) and text[:1] in "=+-@\t\r" and text else text
