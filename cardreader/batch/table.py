"""The result table: one row a photo, the refused and the failed with their reason.

Columns are described once, in `COLUMNS`; Parquet, CSV, data frames and the
manual are made from it. JSON lines hold each photo's whole reading besides.
"""

from __future__ import annotations

import csv
import json
from collections.abc import Callable, Iterable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO

from cardreader.batch.packed import DamagedError
from cardreader.batch.score import Failure, Outcome, Trouble, unpack_reading
from cardreader.batch.sources import PhotoFile
from cardreader.core.files import open_atomic
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

    @cached_property
    def cells(self) -> Json:
        """Its row of the table: column name to plain value, None where nothing is known."""
        return {column.name: column.get(self) for column in COLUMNS}


First = Callable[[str, str], str | None]
"""Called with a content and a photo's name: who had that content before, if anybody."""


def results_of(
    found: Iterable[tuple[PhotoFile, Outcome]], first: First | None = None
) -> Iterator[Result]:
    """Results of outcomes, those of the same content marked after the first.

    ``first`` remembers contents elsewhere than in memory.
    """
    first = first or _remembered()
    for photo, outcome in found:
        sha256 = outcome.sha256
        result = Result(
            photo,
            sha256,
            reading=None,
            trouble=outcome.trouble,
            duplicate_of=None if sha256 is None else first(sha256, photo.name),
        )
        yield result if outcome.reading is None else _with_reading(result, outcome.reading)


def _remembered() -> First:
    names: dict[str, str] = {}

    def first(sha256: str, name: str) -> str | None:
        earlier = names.setdefault(sha256, name)
        return None if earlier == name else earlier

    return first


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
"""Readings held at a time while a data frame is made."""
_ROWS_IN_A_GROUP = 10_000
"""Rows held at a time while the files are written, so that memory doesn't grow with them."""

_TEXT, _NAME, _NUMBER, _WHOLE, _TRUTH = "string", "category", "float64", "int64", "bool"

COLUMNS: tuple[Column, ...] = (
    Column("photo", _TEXT, "path or address of the photo", lambda r: r.photo.name),
    Column("sha256", _TEXT, "hash of the file's content", lambda r: r.sha256),
    Column(
        "duplicate_of",
        _TEXT,
        "first photo of the same content, if another",
        lambda r: r.duplicate_of,
    ),
    Column("status", _NAME, "read, refused or failed", _status),
    Column("reason", _NAME, "why it was refused or failed", _reason),
    Column("stage", _NAME, "what refused it", _stage),
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
    Column("outcome", _NAME, "what the protocol makes of it", _at("decision", "outcome")),
    Column("question", _NAME, "what an uncertain reading leaves open", _at("decision", "question")),
    Column("band", _NAME, "the protocol's band, where one is named", _at("decision", "band")),
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
    Column("phone", _NAME, "as listed, or as the photo says", _phone),
    Column("light", _NAME, "as listed", lambda r: r.photo.light),
    Column("taken", _TEXT, "time by the phone's clock", _at("photo", "taken")),
    Column("lot_id", _NAME, "card lot", _at("card", "lot_id")),
    Column("lot_basis", _NAME, "measured or nominal", _at("card", "basis")),
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
    Column("smoking", _NAME, "as told", _at("subject", "smoking")),
    Column("calibration_id", _NAME, "calibration", _at("calibration", "id")),
    Column("calibration_basis", _NAME, "measured or simulated", _at("calibration", "basis")),
    Column("calibration_sha256", _NAME, "hash of the calibration", _at("calibration", "sha256")),
    Column("protocol_id", _NAME, "protocol", _at("protocol", "id")),
    Column("protocol_sha256", _NAME, "hash of the protocol", _at("protocol", "sha256")),
    Column("version", _NAME, "version of cardreader", _at("software", "version")),
)


_DAMAGED = "the reading kept of this photo is damaged: remove the journal and run again"
_TYPES = {_TEXT: (str,), _NAME: (str,), _NUMBER: (int, float), _WHOLE: (int,), _TRUTH: (bool,)}
_LARGEST = 1e12
_OUTCOMES = frozenset((None, *Decided))
_MUST = {
    "read": ("hb_g_dl", "hb_low_g_dl", "hb_high_g_dl", "p_severe", "p_anaemic", "outcome"),
    "refused": ("reason",),
}


def _is_reading(result: Result) -> bool:
    """Whether every column gets a value of its kind, and those that a reading must have."""
    try:
        cells = result.cells
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
    """A photo's row, as a copy that is the caller's own."""
    return dict(result.cells)


def arrow_schema() -> pa.Schema:
    """Schema of the table, which doesn't depend on what the rows hold."""
    import pyarrow as pa

    types = {
        _TEXT: pa.string(),
        _NAME: pa.dictionary(pa.int32(), pa.string()),
        _NUMBER: pa.float64(),
        _WHOLE: pa.int64(),
        _TRUTH: pa.bool_(),
    }
    return pa.schema([(c.name, types[c.kind]) for c in COLUMNS])


def arrow_table(results: Iterable[Result]) -> pa.Table:
    """The rows as an Arrow table; its schema doesn't depend on what the rows hold."""
    import pyarrow as pa

    waiting = (result.cells for result in results)
    batches = []
    while some := list(islice(waiting, _ROWS_AT_ONCE)):
        batches.append(pa.RecordBatch.from_pylist(some, schema=arrow_schema()))
    table = pa.Table.from_batches(batches, schema=arrow_schema())
    return table.unify_dictionaries().combine_chunks()


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


class TableFiles:
    """The table's three files, written row by row; all take their names at the end, or none."""

    def __init__(self, parquet: Path, csv_file: Path, lines: Path) -> None:
        self._paths = parquet, csv_file, lines
        self._files = ExitStack()
        self._waiting: list[Json] = []
        self._parquet: Any = None
        self._csv: Any = None
        self._lines: Any = None

    def __enter__(self) -> Callable[[Result, Json], None]:
        import pyarrow.parquet as pq

        with ExitStack() as files:
            parquet, csv_file, lines = (files.enter_context(open_atomic(p)) for p in self._paths)
            self._lines = lines
            self._csv = csv.writer(_Utf8(csv_file), lineterminator="\n")
            self._csv.writerow([column.name for column in COLUMNS])
            self._parquet = files.enter_context(
                pq.ParquetWriter(parquet, arrow_schema(), compression="zstd")
            )
            self._files = files.pop_all()
        return self._add

    def __exit__(self, *error: Any) -> None:
        with self._files:
            if error[0] is None:
                self._flush()
                return
            self._files.__exit__(*error)

    def _add(self, result: Result, cells: Json) -> None:
        self._lines.write(json_line(result).encode())
        self._csv.writerow([_cell(value) for value in cells.values()])
        self._waiting.append(cells)
        if len(self._waiting) == _ROWS_IN_A_GROUP:
            self._flush()

    def _flush(self) -> None:
        import pyarrow as pa

        if self._waiting:
            batch = pa.RecordBatch.from_pylist(self._waiting, schema=arrow_schema())
            self._parquet.write_batch(batch)
            self._waiting.clear()


class _Utf8:
    """Text written into a stream of bytes; holds nothing back that could fail later."""

    def __init__(self, stream: BinaryIO) -> None:
        self._stream = stream

    def write(self, text: str) -> int:
        return self._stream.write(text.encode())


def _cell(value: Any) -> str:
    """Text of a value; a spreadsheet must not take a file's name for a formula."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    text = str(value)
    return f"'{text}" if isinstance(value, str) and text[:1] in "=+-@\t\r" and text else text
