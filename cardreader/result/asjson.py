"""A reading as JSON for machines.

``reading_json`` is the one JSON of this project: command line, web and batch
all give it for the same photo. ``reading.schema.json`` describes it.
"""

from __future__ import annotations

import json
from functools import cache
from math import isfinite
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cardreader.core.refusal import Refusal
from cardreader.core.units import G_L_PER_G_DL
from cardreader.decide.rule import Decision
from cardreader.decide.statements import TEXT, Statement
from cardreader.read.phonenote import CardPart, PhoneNote, VideoFrame
from cardreader.result.provisos import (
    basis_statement,
    blot_statement,
    lot_statement,
    pairs_statement,
)

if TYPE_CHECKING:
    from cardreader.hb.calibration import Calibration
    from cardreader.hb.estimate import HbEstimate
    from cardreader.result.reading import Reading

SCHEMA = "cardreader-reading/1"
_SCHEMA_FILE = Path(__file__).parents[1] / "reading.schema.json"
SIGNIFICANT = 4
"""Digits kept in JSON: more than any reading deserves, enough to compare two runs."""


def reading_json(reading: Reading) -> dict[str, Any]:
    """A reading as a dict of JSON values, keys sorted, the same for the same reading.

    Numbers carry 4 significant digits; what is not known is null; a number that
    isn't finite raises ValueError, since JSON has no place for it.
    """
    out: dict[str, Any] = {
        "schema": SCHEMA,
        **judgement_json(reading.estimate, reading.decision, reading.refusal),
        "screening_only": True,
        "software": {"name": "cardreader", "version": reading.version},
        "photo": _photo(reading),
        "card": _card(reading),
        "colour": _colour(reading),
        "blot": _blot(reading),
        "calibration": _calibration(reading),
        "protocol": {"id": reading.protocol_id, "sha256": reading.protocol_sha256},
        "subject": _subject(reading),
    }
    if reading.paper:
        out["paper"] = paper_json(reading.paper, reading.another_paper)
    if reading.paper_taken and reading.estimate is not None:
        out["paper_taken"] = reading.paper_taken
    measured = None if reading.measured is None else reading.measured.as_json()
    return dict(sorted({**_plain_object(out), "measured": measured}.items()))


def paper_json(batch: str, another: bool) -> dict[str, Any]:
    """The batch of the blotting paper, and what must be said where it is another one."""
    return {"batch": batch, "statement": _statement(Statement.OTHER_PAPER) if another else None}


def judgement_json(
    estimate: HbEstimate | None, decision: Decision, refusal: Refusal | None
) -> dict[str, Any]:
    """What judging adds to a measurement, also to one that is judged again."""
    return {
        "status": "read" if refusal is None else "refused",
        "hb": None if estimate is None else estimate_json(estimate),
        "decision": decision_json(decision),
        "refusal": None if refusal is None else _plain_object(refusal_json(refusal) or {}),
    }


def dumps(value: dict[str, Any] | list[Any]) -> str:
    """JSON text of what this module gives: sorted, indented, ASCII, ending in a newline."""
    return json.dumps(value, indent=2, sort_keys=True, allow_nan=False) + "\n"


@cache
def reading_schema() -> dict[str, Any]:
    """The JSON Schema (draft 2020-12) that every ``reading_json`` fulfils."""
    schema: dict[str, Any] = json.loads(_SCHEMA_FILE.read_text("utf-8"))
    return schema


def estimate_json(estimate: HbEstimate) -> dict[str, Any]:
    """Value, interval and spread of an estimate, and the plain chances below 7 and 11 g/dL."""
    low, high = estimate.interval_g_dl
    beyond = pairs_statement(estimate)
    said = {} if beyond is None else {"beyond_pairs": _statement(beyond)}
    return _plain_object(
        {
            **said,
            "g_dl": estimate.hb_g_dl,
            "g_l": estimate.hb_g_dl * G_L_PER_G_DL,
            "interval": {
                "level": estimate.level,
                "low_g_dl": low,
                "high_g_dl": high,
                "low_g_l": low * G_L_PER_G_DL,
                "high_g_l": high * G_L_PER_G_DL,
            },
            "sd": {
                "measurement_g_dl": estimate.sd_measurement_g_dl,
                "calibration_g_dl": estimate.sd_calibration_g_dl,
                "volume_floor_g_dl": estimate.volume_floor_g_dl,
            },
            "p_below_7": estimate.p_below(7.0),
            "p_below_11": estimate.p_below(11.0),
        }
    )


def decision_json(decision: Decision) -> dict[str, Any]:
    """A decision with its words: every statement as code and text."""
    return _plain_object(
        {
            "outcome": decision.outcome,
            "headline": _statement(decision.headline),
            "band": decision.band.id if decision.band else None,
            "question": decision.question,
            "bands": [
                {
                    "id": b.id,
                    "title": b.title,
                    "group": b.group,
                    "from_g_dl": b.from_g_dl,
                    "below_g_dl": b.below_g_dl,
                    "probability": b.probability,
                }
                for b in decision.bands
            ],
            "p_severe": decision.p_severe,
            "p_anaemic": decision.p_anaemic,
            "adjustment_g_dl": decision.adjustment_g_dl,
            "adjusted_hb_g_dl": decision.adjusted_hb_g_dl,
            "refer": decision.refer,
            "confirm": decision.confirm,
            "screening_only": decision.screening_only,
            "actions": [_statement(s) for s in decision.actions],
            "usual_care": [_statement(s) for s in decision.usual_care],
            "cautions": [_statement(s) for s in decision.cautions],
            "notes": [_statement(s) for s in decision.notes],
        }
    )


def refusal_json(refusal: Refusal | None) -> dict[str, Any] | None:
    """A refusal with its advice, or None."""
    if refusal is None:
        return None
    return {
        "reason": str(refusal.reason),
        "stage": refusal.stage,
        "detail": refusal.detail,
        "advice": refusal.advice,
    }


def _statement(code: Statement) -> dict[str, str]:
    return {"code": str(code), "text": TEXT[code]}


def _photo(reading: Reading) -> dict[str, Any]:
    photo = reading.photo
    if photo is None:
        return {"sha256": reading.sha256}
    taken = photo.exif.taken
    return {
        "sha256": reading.sha256,
        "width_px": photo.full_size[0],
        "height_px": photo.full_size[1],
        "working_scale": photo.scale,
        "make_model": photo.exif.make_model,
        "taken": taken.isoformat() if taken else None,
        "orientation": photo.exif.orientation,
        "icc_profile": photo.icc_name or None,
        **_phone_note(photo.phone_note),
    }


def _phone_note(note: PhoneNote | None) -> dict[str, Any]:
    """What the phone did to the photo before sending it; nothing where it did nothing."""
    if isinstance(note, VideoFrame):
        return {"video_frame": True}
    if isinstance(note, CardPart):
        return {"card_part": {"original_sha256": note.original_sha256}}
    if note is None:
        return {}
    width, height = note.from_size
    return {
        "reduced": {
            "from_width_px": width,
            "from_height_px": height,
            "quality": note.quality,
            "original_sha256": note.original_sha256,
        }
    }


def _card(reading: Reading) -> dict[str, Any] | None:
    pose, lot = reading.pose, reading.lot
    if pose is None:
        return None
    statement = lot_statement(reading)
    # A demonstration's colours come with the program, and are never measured anew.
    printed = lot is not None and not lot.is_demonstration
    return {
        **({"colours": lot.fingerprint} if lot is not None and printed else {}),
        "lot_id": reading.lot_id,
        "basis": lot.basis if lot else None,
        "expires": lot.expires.isoformat() if lot else None,
        "px_per_mm": pose.px_per_mm,
        "tilt_deg": pose.tilt_deg,
        "residual_px": pose.residual_px,
        "blur_mm": pose.sharpness,
        "statement": _statement(statement) if statement else None,
    }


def _colour(reading: Reading) -> dict[str, Any] | None:
    if reading.correction is None:
        return None
    residual = sorted(float(r) for r in reading.correction.residual_de00)
    return {
        "residual_de00_median": residual[len(residual) // 2],
        "residual_de00_max": residual[-1],
        "spoiled_prints": list(reading.correction.spoiled_prints),
    }


def _blot(reading: Reading) -> dict[str, Any] | None:
    blot = reading.blot
    if blot is None:
        return None
    statement = blot_statement(reading)
    return {
        "lab_d50": [float(v) for v in blot.lab],
        "paper_lab_d50": [float(v) for v in blot.paper_lab],
        "log_ratio_xyz": [float(v) for v in blot.log_ratio],
        "area_mm2": float(blot.area_mm2),
        "unevenness": float(blot.unevenness),
        "n_pixels": int(blot.n_pixels),
        **({"statement": _statement(statement)} if statement else {}),
    }


def _calibration(reading: Reading) -> dict[str, Any]:
    return _of_calibration(
        reading.calibration_id, reading.calibration_basis, reading.calibration_sha256
    )


def calibration_json(calibration: Calibration) -> dict[str, Any]:
    """A calibration as every reading by it names it."""
    return _of_calibration(calibration.id, calibration.basis, calibration.sha256)


def _of_calibration(name: str, basis: str, sha256: str) -> dict[str, Any]:
    statement = basis_statement(basis)
    return {
        "id": name,
        "basis": basis,
        "sha256": sha256,
        "statement": _statement(statement) if statement else None,
    }


def _subject(reading: Reading) -> dict[str, Any]:
    subject = reading.subject
    trimester = subject.known_trimester
    return {
        "pregnant": subject.pregnant,
        "trimester": None if trimester is None else int(trimester),
        "gestation_weeks": subject.gestation_weeks,
        "elevation_m": subject.elevation_m,
        "smoking": subject.smoking,
    }


def _plain_object(value: dict[str, Any]) -> dict[str, Any]:
    return {key: _plain(value[key]) for key in sorted(value)}


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return _plain_object(value)
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    if isinstance(value, str):
        return str(value)  # an enum's own type would show in a repr, and does nothing in JSON
    if value is None or isinstance(value, bool | int):
        return value
    return rounded(float(value))


def rounded(value: float) -> float:
    """A number to 4 significant digits; ValueError when it isn't finite."""
    if not isfinite(value):
        raise ValueError(f"{value} has no place in a reading")
    return float(f"{value:.{SIGNIFICANT}g}")
