"""A reading as JSON for machines and as plain text for the person in front of the woman.

``reading_json`` is the one JSON of this project: command line, web and batch
all give it for the same photo. ``reading.schema.json`` describes it.
"""

from __future__ import annotations

import json
import textwrap
from functools import cache
from importlib import resources
from math import ceil, floor, isfinite
from typing import TYPE_CHECKING, Any

from cardreader.core.refusal import Refusal
from cardreader.decide.rule import BandProbability, Decision
from cardreader.decide.statements import TEXT, Statement
from cardreader.read.phonenote import PhoneNote, VideoFrame

if TYPE_CHECKING:
    from cardreader.hb.calibration import Calibration
    from cardreader.hb.estimate import HbEstimate
    from cardreader.result.reading import Reading

SCHEMA = "cardreader-reading/1"
G_L_PER_G_DL = 10.0
TEXT_WIDTH = 72
SIGNIFICANT = 4
"""Digits kept in JSON: more than any reading deserves, enough to compare two runs."""


# --- JSON ------------------------------------------------------------------------


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
    text = resources.files("cardreader").joinpath("reading.schema.json").read_text("utf-8")
    schema: dict[str, Any] = json.loads(text)
    return schema


def estimate_json(estimate: HbEstimate) -> dict[str, Any]:
    """Value, interval and spread of an estimate, and the plain chances below 7 and 11 g/dL."""
    low, high = estimate.interval_g_dl
    return _plain_object(
        {
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
    return {
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
    return {
        "lab_d50": [float(v) for v in blot.lab],
        "paper_lab_d50": [float(v) for v in blot.paper_lab],
        "log_ratio_xyz": [float(v) for v in blot.log_ratio],
        "area_mm2": float(blot.area_mm2),
        "unevenness": float(blot.unevenness),
        "n_pixels": int(blot.n_pixels),
    }


def _calibration(reading: Reading) -> dict[str, Any]:
    return _of_calibration(
        reading.calibration_id, reading.calibration_basis, reading.calibration_sha256
    )


def calibration_json(calibration: Calibration) -> dict[str, Any]:
    """A calibration as every reading by it names it."""
    return _of_calibration(calibration.id, calibration.basis, calibration.sha256)


def _of_calibration(name: str, basis: str, sha256: str) -> dict[str, Any]:
    statement = _basis_statement(basis)
    return {
        "id": name,
        "basis": basis,
        "sha256": sha256,
        "statement": _statement(statement) if statement else None,
    }


def calibration_statement(reading: Reading) -> Statement | None:
    """What must be said about the calibration; anything not measured is said to be simulated."""
    return _basis_statement(reading.calibration_basis)


def _basis_statement(basis: str) -> Statement | None:
    return None if basis == "measured" else Statement.SIMULATED_CALIBRATION


def lot_statement(reading: Reading) -> Statement | None:
    """What must be said about the card when its colours come from no instrument."""
    if reading.lot is None:
        return None
    if reading.lot.basis == "nominal":
        return Statement.NOMINAL_LOT
    return Statement.SIMULATED_LOT if reading.lot.is_demonstration else None


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


# --- plain text ------------------------------------------------------------------


def reading_text(reading: Reading) -> str:
    """The result for the outreach worker: words first, then the number, then what to do.

    Plain text of at most 72 columns, ending in a newline.
    """
    if reading.refusal is not None:
        first = [[*headline_lines(reading.decision), *_wrap(reading.refusal.advice)]]
    elif reading.estimate is None:
        raise ValueError("a reading is either refused or has an estimate")
    else:
        first = _result(reading.estimate, reading.decision)
    return _join([*first, *_advice(reading.decision), _wrap(foot_text(reading))])


def result_text(estimate: HbEstimate, decision: Decision, foot: str) -> str:
    """The same for an estimate from several photos; ``foot`` tells how it came about."""
    return _join([*_result(estimate, decision), *_advice(decision), _wrap(foot)])


def headline(decision: Decision) -> str:
    """What the reading says, in a few words."""
    words = TEXT[decision.headline]
    if decision.band is not None and decision.headline is Statement.ANAEMIC:
        return f"{words.removesuffix('.')}: {decision.band.title}."
    return words


def headline_lines(decision: Decision) -> list[str]:
    """The headline, underlined."""
    words = headline(decision)
    return [words, "=" * len(words)]


def chance(probability: float) -> str:
    """A probability in words that hide neither a small nor a great one: "3 in 100"."""
    n = hundredths(probability)
    if n < 1:
        return "under 1 in 100"
    if n > 99:
        return "over 99 in 100"
    return f"{n} in 100"


def hundredths(probability: float) -> int:
    """How many in a hundred, by the digits that JSON keeps."""
    return round(100 * rounded(probability))


def band_name(band: BandProbability) -> str:
    """Title and limits of a band: "mild to moderate, 7 to below 11 g/dL"."""
    if band.from_g_dl is None:
        return f"{band.title}, below {band.below_g_dl:g} g/dL"
    if band.below_g_dl is None:
        return f"{band.title}, {band.from_g_dl:g} g/dL or more"
    return f"{band.title}, {band.from_g_dl:g} to below {band.below_g_dl:g} g/dL"


def number_text(estimate: HbEstimate) -> str:
    """The value in both units: "Haemoglobin about 8.9 g/dL (89 g/L)"."""
    g_l = estimate.hb_g_dl * G_L_PER_G_DL
    return f"Haemoglobin about {estimate.hb_g_dl:.1f} g/dL ({g_l:.0f} g/L)"


def interval_ends(low_g_dl: float, high_g_dl: float) -> tuple[float, float]:
    """The ends as they are shown, to a tenth; rounding widens them, never narrows.

    Worked out from the digits that JSON keeps, so that both say the same.
    """
    low, high = (round(rounded(end) * 10, 6) for end in (low_g_dl, high_g_dl))
    return floor(low) / 10, ceil(high) / 10


def interval_text(estimate: HbEstimate) -> str:
    """The interval in words."""
    low, high = interval_ends(*estimate.interval_g_dl)
    times = 100 * estimate.level
    often = "Nine times in ten" if round(times, 6) == 90 else f"{times:g} times in 100"
    return f"{often} between {low:.1f} and {high:.1f}"


def adjusted_text(decision: Decision) -> str:
    """The value after adjustment, or "" when nothing was taken off."""
    if decision.adjusted_hb_g_dl is None or decision.adjustment_g_dl < 0.05:
        return ""
    return (
        f"Judged as {decision.adjusted_hb_g_dl:.1f} g/dL: "
        f"{decision.adjustment_g_dl:.1f} taken off for elevation or smoking"
    )


# Each of these gives paragraphs: lists of lines, set apart by an empty line.


def _join(paragraphs: list[list[str]]) -> str:
    return "\n\n".join("\n".join(lines) for lines in paragraphs) + "\n"


def _result(estimate: HbEstimate, decision: Decision) -> list[list[str]]:
    number = [*headline_lines(decision), f"{number_text(estimate)}."]
    number.append(f"{interval_text(estimate)} g/dL.")
    if adjusted := adjusted_text(decision):
        number.append(f"{adjusted}.")
    names = [band_name(band) for band in decision.bands]
    width = max(len(name) for name in names)
    chances = [
        f"  {name:<{width}}  {chance(band.probability):>14}"
        for name, band in zip(names, decision.bands, strict=True)
    ]
    return [number, ["Chance that it is", *chances]]


def _advice(decision: Decision) -> list[list[str]]:
    out = [["Now", *_points(decision.actions)]]
    if decision.usual_care:
        once = "Once confirmed, local protocol" if decision.confirm else "Local protocol"
        out.append([f"{once} usually asks", *_points(decision.usual_care)])
    return [*out, _wrap(" ".join(TEXT[s] for s in decision.cautions))]


def foot_text(reading: Reading) -> str:
    """What the reading rests on, in a few sentences: notes, card, protocol, calibration."""
    codes = list(reading.decision.notes)
    codes += [s for s in (lot_statement(reading), calibration_statement(reading)) if s is not None]
    if reading.another_paper:
        codes.append(Statement.OTHER_PAPER)
    card = f"Card lot {reading.lot_id}. " if reading.lot_id else ""
    if reading.paper:
        card += f"Blotting paper {reading.paper}. "
    source = f"{card}Protocol {reading.protocol_id}. Calibration {reading.calibration_id}."
    return " ".join([*(TEXT[c] for c in codes), source])


def _points(codes: tuple[Statement, ...]) -> list[str]:
    return [line for code in codes for line in _wrap(TEXT[code], "  - ", "    ")]


def _wrap(text: str, first: str = "", rest: str = "") -> list[str]:
    return textwrap.wrap(
        text,
        TEXT_WIDTH,
        initial_indent=first,
        subsequent_indent=rest,
        break_long_words=False,
        break_on_hyphens=False,
    )
