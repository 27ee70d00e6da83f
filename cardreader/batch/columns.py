"""The columns of the result table, each described once; tables and manual are made from them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from typing import Any

from cardreader.batch.score import Trouble
from cardreader.batch.sources import PhotoFile

Json = dict[str, Any]

TEXT, NAME, NUMBER, WHOLE, TRUTH = "string", "category", "float64", "int64", "bool"
"""Kinds of column, by the names of their Arrow types."""


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


def status(result: Result) -> str:
    """read, refused or failed."""
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


COLUMNS: tuple[Column, ...] = (
    Column("photo", TEXT, "path or address of the photo", lambda r: r.photo.name),
    Column("sha256", TEXT, "hash of the file's content", lambda r: r.sha256),
    Column(
        "duplicate_of",
        TEXT,
        "first photo of the same content, if another",
        lambda r: r.duplicate_of,
    ),
    Column("blot", TEXT, "blot that several photos show, as told", lambda r: r.photo.blot),
    Column("photos", WHOLE, "photos read as one", lambda r: 1 + len(r.photo.beside)),
    Column("status", NAME, "read, refused or failed", status),
    Column("reason", NAME, "why it was refused or failed", _reason),
    Column("stage", NAME, "what refused it", _stage),
    Column("detail", TEXT, "what was measured against which limit", _detail),
    Column("hb_g_dl", NUMBER, "haemoglobin, g/dL", _at("hb", "g_dl")),
    Column("hb_low_g_dl", NUMBER, "lower end of the interval", _at("hb", "interval", "low_g_dl")),
    Column("hb_high_g_dl", NUMBER, "upper end", _at("hb", "interval", "high_g_dl")),
    Column("interval_level", NUMBER, "level of the interval", _at("hb", "interval", "level")),
    Column(
        "sd_measurement_g_dl",
        NUMBER,
        "standard uncertainty from the photo",
        _at("hb", "sd", "measurement_g_dl"),
    ),
    Column(
        "sd_calibration_g_dl",
        NUMBER,
        "standard uncertainty that the calibration leaves",
        _at("hb", "sd", "calibration_g_dl"),
    ),
    Column(
        "volume_floor_g_dl",
        NUMBER,
        "standard uncertainty from blood volume",
        _at("hb", "sd", "volume_floor_g_dl"),
    ),
    Column(
        "beyond_pairs",
        NAME,
        "below_pairs or above_pairs where no pair of the calibration was so low or so high",
        _at("hb", "beyond_pairs", "code"),
    ),
    Column("p_below_7", NUMBER, "probability below 7 g/dL", _at("hb", "p_below_7")),
    Column("p_below_11", NUMBER, "probability below 11 g/dL", _at("hb", "p_below_11")),
    Column("outcome", NAME, "what the protocol makes of it", _at("decision", "outcome")),
    Column("question", NAME, "what an uncertain reading leaves open", _at("decision", "question")),
    Column("band", NAME, "the protocol's band, where one is named", _at("decision", "band")),
    Column("p_severe", NUMBER, "probability of severe anaemia", _at("decision", "p_severe")),
    Column("p_anaemic", NUMBER, "probability of anaemia", _at("decision", "p_anaemic")),
    Column(
        "adjusted_hb_g_dl",
        NUMBER,
        "after elevation and smoking",
        _at("decision", "adjusted_hb_g_dl"),
    ),
    Column("refer", TRUTH, "whether to refer now", _at("decision", "refer")),
    Column("confirm", TRUTH, "whether to confirm by a blood test", _at("decision", "confirm")),
    Column("screening_only", TRUTH, "always true: never a diagnosis", lambda r: True),
    Column("phone", NAME, "as listed, or as the photo says", _phone),
    Column("light", NAME, "as listed", lambda r: r.photo.light),
    Column("taken", TEXT, "time by the phone's clock", _at("photo", "taken")),
    Column("lot_id", NAME, "card lot", _at("card", "lot_id")),
    Column("lot_basis", NAME, "measured, photographed or nominal", _at("card", "basis")),
    Column("paper", NAME, "batch of the blotting paper, as told", _at("paper", "batch")),
    Column(
        "paper_taken",
        NAME,
        "batch that it was taken to be, where a value rests on one and none was told",
        _at("paper_taken"),
    ),
    Column("px_per_mm", NUMBER, "working pixels a mm of card", _at("card", "px_per_mm")),
    Column("tilt_deg", NUMBER, "tilt of the phone", _at("card", "tilt_deg")),
    Column("blur_mm", NUMBER, "blur, standard deviation", _at("card", "blur_mm")),
    Column(
        "residual_de00_median",
        NUMBER,
        "CIEDE2000 left at the patches",
        _at("colour", "residual_de00_median"),
    ),
    Column(
        "residual_de00_max", NUMBER, "the same at the worst", _at("colour", "residual_de00_max")
    ),
    Column("spoiled_prints", TEXT, "prints whose twin stands in", _spoiled),
    Column("blot_l", NUMBER, "CIE L* of the blot, D50", _part(0, "blot", "lab_d50")),
    Column("blot_a", NUMBER, "CIE a*", _part(1, "blot", "lab_d50")),
    Column("blot_b", NUMBER, "CIE b*", _part(2, "blot", "lab_d50")),
    Column("blot_area_mm2", NUMBER, "area of the blot", _at("blot", "area_mm2")),
    Column("blot_unevenness", NUMBER, "spread over its core", _at("blot", "unevenness")),
    Column("width_px", WHOLE, "width of the photo", _at("photo", "width_px")),
    Column("height_px", WHOLE, "height of the photo", _at("photo", "height_px")),
    Column("trimester", WHOLE, "as told", _at("subject", "trimester")),
    Column("gestation_weeks", WHOLE, "as told", _at("subject", "gestation_weeks")),
    Column("elevation_m", NUMBER, "as told", _at("subject", "elevation_m")),
    Column("smoking", NAME, "as told", _at("subject", "smoking")),
    Column("calibration_id", NAME, "calibration", _at("calibration", "id")),
    Column("calibration_basis", NAME, "measured or simulated", _at("calibration", "basis")),
    Column("calibration_sha256", NAME, "hash of the calibration", _at("calibration", "sha256")),
    Column("protocol_id", NAME, "protocol", _at("protocol", "id")),
    Column("protocol_sha256", NAME, "hash of the protocol", _at("protocol", "sha256")),
    Column("version", NAME, "version of cardreader", _at("software", "version")),
)


def row(result: Result) -> Json:
    """A photo's row, as a copy that is the caller's own."""
    return dict(result.cells)
