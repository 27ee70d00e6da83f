"""A calibration by a hostile author, who hashes it anew, and tables for the researcher's bench."""

from __future__ import annotations

import hashlib
import io
import json
import random
import tempfile
from functools import cache
from pathlib import Path
from typing import Any

import pyarrow as pa
from mutate import mutate_bytes
from mutatejson import encode, mutate_json
from pyarrow import parquet
from seeds import TODAY, card_photos, reader
from target import Target, bad, one_line, sound_json, text_maker

from cardreader import __version__
from cardreader.calibrate.confirmations import COLUMNS as CONFIRMATION_COLUMNS
from cardreader.calibrate.confirmations import read_confirmations
from cardreader.calibrate.drift import watch
from cardreader.calibrate.provenance import past_of
from cardreader.calibrate.study import read_study
from cardreader.calibrate.studycolumns import COLUMNS
from cardreader.calibrate.studyfaults import StudyError
from cardreader.core.shipped import shipped
from cardreader.decide.subject import Subject
from cardreader.hb import container
from cardreader.hb.calibrationnumbers import CalibrationError
from cardreader.pipeline import measure_photo, reading_of
from cardreader.reader import Reader
from cardreader.result.asjson import dumps, reading_json
from cardreader.result.reading import Measurement

# --- folders, hashed anew ----------------------------------------------------------------


@cache
def _model() -> Any:
    return json.loads((shipped("default") / container.MODEL).read_text("utf-8"))


_PROVENANCE = {
    "title": "Invented study",
    "created": "2026-10-01",
    "synthetic": True,
    "study_sha256": "0" * 64,
    "conformity_scores": [0.5, 0.8, 1.1, 1.4],
    "photos_sha256": ["0" * 64, "1" * 64],
    "drift_centre_g_dl": 0.1,
}


def _folder_case(rng: random.Random) -> bytes:
    """Model and provenance; the manifest is made when they are written."""
    model: Any = _model()
    provenance: Any = _PROVENANCE
    if rng.random() < 0.8:
        model = mutate_json(model, rng)
    if rng.random() < 0.3:
        provenance = mutate_json(provenance, rng)
    parts = [encode(model), encode(provenance)]
    if rng.random() < 0.05:
        at = rng.randrange(2)
        parts[at] = rng.choice((mutate_bytes(parts[at], (parts[at],), rng), b"[" * 10**6, b""))
    return len(parts[0]).to_bytes(4, "big") + b"".join(parts)


def _folder(data: bytes) -> str:
    """Load it, and read a measured photo with it."""
    size = int.from_bytes(data[:4], "big")
    parts = {container.MODEL: data[4 : 4 + size], container.PROVENANCE: data[4 + size :]}
    manifest = {
        "kind": container.KIND,
        "schema": container.SCHEMA,
        "written_by": __version__,
        "files": {
            name: {"bytes": len(part), "sha256": hashlib.sha256(part).hexdigest()}
            for name, part in parts.items()
        },
    }
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for file, part in {**parts, container.MANIFEST: encode(manifest)}.items():
            (folder / file).write_bytes(part)
        try:
            found = container.load(folder)
            past_of(found.provenance)
        except container.ContainerError as error:
            return one_line(error)
    return _read_with(found.calibration)


@cache
def _measured() -> tuple[Measurement, ...]:
    return tuple(measure_photo(photo, reader().lots) for photo in card_photos())


def _read_with(calibration: Any) -> str:
    try:
        used = Reader(reader().lots, calibration, reader().protocol, TODAY)
    except CalibrationError as error:  # of another measuring chain
        return one_line(error)
    ends = []
    for measured in _measured():
        reading = reading_of(measured, used, Subject())
        sound_json(dumps(reading_json(reading)))
        if reading.refusal is not None:
            ends.append("refuses")
            continue
        ends.append("reads")
        low, high = reading.estimate.interval_g_dl
        if not 0 <= low <= reading.estimate.hb_g_dl <= high < 50:
            bad(f"reads {reading.estimate.hb_g_dl} g/dL, from {low} to {high}")
    return f"loaded, {' and '.join(ends)}"


# --- tables -------------------------------------------------------------------------------


@cache
def _confirmation_texts() -> tuple[str, ...]:
    rows = [
        "2026-09-01,027001,Phone 1,9.1,0.5,9.4,0.3",
        "2026-09-08,027001,Phone 2,6.8,0.6,7.0,0.3",
        '2026-10-01,027002,"Phone 2",11.2,0.5,10.9,0.2',
    ]
    return ("\n".join([",".join(CONFIRMATION_COLUMNS), *rows]) + "\n",)


def _confirmations(data: bytes) -> str:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "c.csv"
        path.write_bytes(data)
        try:
            entries = read_confirmations(path)
        except StudyError as error:
            return one_line(error)
    for chart in watch(entries, 0.0):
        if "nan" in chart.words or "inf" in chart.words or "\n" in chart.words:
            bad(f"a chart that says {chart.words!r}")
    return "charted"


_ROW: dict[str, Any] = {
    "photo": "p1.jpg", "subject": "w001", "lab_value": 9.4, "lab_unit": "g/dL",
    "lab_method": "photometric_hicn", "lab_sd": 0.2, "hundred_percent_g_dl": None,
    "phone": "phone a", "light": "lamp", "lot": "027001", "operator": "op1", "replicate": 1,
    "visit": 1, "paper": "batch 1", "note": None,
}  # fmt: skip
_ODD: tuple[Any, ...] = (
    None, "", "\x00", "x" * 10_000, b"\xff", 0, -1, 2**62, float("nan"), float("inf"), 1e300, True,
    [1, 2], {"a": 1}, "g/L", "percent", "\u202e", "a\nb", "../x",
)  # fmt: skip


def _parquet_case(rng: random.Random) -> bytes:
    rows = [{**_ROW, "photo": f"p{i}.jpg", "subject": f"w{i}"} for i in range(rng.choice((1, 3)))]
    columns = {column.name: [row[column.name] for row in rows] for column in COLUMNS}
    if rng.random() < 0.7:
        for _ in range(rng.choice((1, 1, 3))):
            columns[rng.choice(list(columns))] = [rng.choice(_ODD)] * len(rows)
    if rng.random() < 0.1:
        columns.pop(rng.choice(list(columns)))
    sink = io.BytesIO()
    parquet.write_table(pa.table(columns), sink, compression=rng.choice(("zstd", "none")))
    data = sink.getvalue()
    return mutate_bytes(data, (data,), rng) if rng.random() < 0.5 else data


def _parquet(data: bytes) -> str:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "study.parquet"
        path.write_bytes(data)
        try:
            study = read_study(path)
        except StudyError as error:
            return one_line(error)
    if not study.rows["lab_g_dl"].between(1, 25).all():
        bad("a laboratory value out of range")
    for error in study.errors:
        if "\n" in str(error):
            bad(f"a fault of several lines: {str(error)!r}")
    return "read" if len(study.rows) else "nothing usable"


TARGETS = (
    Target("calibrations, hashed anew", _folder_case, _folder, 0.06),
    Target("confirmations (CSV)", text_maker(_confirmation_texts), _confirmations, 0.02),
    Target("study tables (Parquet)", _parquet_case, _parquet, 0.03),
)
