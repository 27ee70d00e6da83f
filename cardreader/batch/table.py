"""The result table as files: Parquet, CSV, JSON lines, and as an Arrow table."""

from __future__ import annotations

import csv
import json
from collections.abc import Callable, Iterable
from contextlib import ExitStack
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO

from cardreader.batch.columns import COLUMNS, NAME, NUMBER, TEXT, TRUTH, WHOLE, Json, Result, status
from cardreader.core.files import open_atomic

if TYPE_CHECKING:
    import pyarrow as pa

_ROWS_AT_ONCE = 1000
"""Readings held at a time while a data frame is made."""
_ROWS_IN_A_GROUP = 10_000
"""Rows held at a time while the files are written, so that memory doesn't grow with them."""


def arrow_schema() -> pa.Schema:
    """Schema of the table, which doesn't depend on what the rows hold."""
    import pyarrow as pa

    types = {
        TEXT: pa.string(),
        NAME: pa.dictionary(pa.int32(), pa.string()),
        NUMBER: pa.float64(),
        WHOLE: pa.int64(),
        TRUTH: pa.bool_(),
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
    """One line of JSON: the photo's name and its whole reading, or what stood in the way.

    ``beside`` names the photos that were read as one with it.
    """
    trouble = result.trouble
    content: Json = {
        "photo": result.photo.name,
        "sha256": result.sha256,
        "status": status(result),
        "blot": result.photo.blot,
        "beside": result.photo.beside,
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
            # A carriage return in a name is quoted by a writer that ends lines by one.
            self._csv = csv.writer(_Utf8(csv_file), lineterminator="\r\n")
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
    """Rows written into a stream of bytes, each ended by a line feed alone; holds nothing back
    that could fail later."""

    def __init__(self, stream: BinaryIO) -> None:
        self._stream = stream

    def write(self, text: str) -> int:
        return self._stream.write(text.removesuffix("\r\n").encode() + b"\n")


def _cell(value: Any) -> str:
    """Text of a value; a spreadsheet must not take a file's name for a formula."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    text = str(value)
    return f"'{text}" if isinstance(value, str) and text[:1] in "=+-@\t\r" and text else text
