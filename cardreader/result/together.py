"""Readings of one woman's blots as one JSON and one text, see `pipeline.combine_readings`."""

from __future__ import annotations

from typing import Any

from cardreader.decide.statements import TEXT, Statement
from cardreader.result.asjson import decision_json, estimate_json, reading_json
from cardreader.result.astext import foot_text, reading_text, result_text
from cardreader.result.reading import CombinedReading, Reading, SameBlotReading

SCHEMA = "cardreader-readings/1"
SAME_BLOT_SCHEMA = "cardreader-same-blot/1"


def combined_json(combined: CombinedReading) -> dict[str, Any]:
    """All readings, each as ``reading_json`` gives it, and the combined result or null."""
    out = None
    if combined.estimate is not None:
        out = {
            "blots_disagree": combined.disagree,
            "decision": decision_json(combined.decision),
            "hb": estimate_json(combined.estimate),
            "n_blots": combined.n_read,
        }
    return {
        "combined": out,
        "readings": [reading_json(reading) for reading in combined.readings],
        "schema": SCHEMA,
        "screening_only": True,
    }


def combined_text(combined: CombinedReading) -> str:
    """The combined result for the outreach worker, after a line about each photo."""
    lines = [_line(i, reading) for i, reading in enumerate(combined.readings, 1)]
    if combined.disagree:
        lines.append(TEXT[Statement.BLOTS_DISAGREE])
    top = "\n".join(lines) + "\n\n"
    if combined.estimate is None:
        return top + reading_text(combined.readings[0])
    read = next(r for r in combined.readings if r.estimate is not None)
    foot = (
        f"From {combined.n_read} of {len(combined.readings)} photos, each of a blot of its own; "
        "several photos of one blot must not be taken together. "
        f"{foot_text(read, combined.estimate)}"
    )
    return top + result_text(combined.estimate, combined.decision, foot)


def same_blot_json(same: SameBlotReading) -> dict[str, Any]:
    """The one reading of all photos, and each photo's own, as ``reading_json`` gives them."""
    return {
        "readings": [reading_json(reading) for reading in same.readings],
        "schema": SAME_BLOT_SCHEMA,
        "screening_only": True,
        "together": reading_json(same.together),
    }


def same_blot_text(same: SameBlotReading) -> str:
    """The one reading for the outreach worker, after a line about each photo."""
    lines = [_line(i, reading) for i, reading in enumerate(same.readings, 1)]
    lines.append(f"{len(same.readings)} photos of one blot, read as one:")
    return "\n".join(lines) + "\n\n" + reading_text(same.together)


def _line(number: int, reading: Reading) -> str:
    if reading.estimate is None:
        reason = str(reading.refusal.reason) if reading.refusal is not None else "?"
        return f"Photo {number}: not read ({reason.replace('_', ' ')})"
    return f"Photo {number}: {reading.estimate.hb_g_dl:.1f} g/dL"
