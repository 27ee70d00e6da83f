"""From the reading's JSON, the one the reader gives everywhere, to what the register keeps."""

from __future__ import annotations

from math import hypot
from typing import Any

from cardreader.decide.rule import Outcome
from cardreader.register.recording import PhotoFacts


def facts_of(reading: dict[str, Any]) -> PhotoFacts:
    """Facts of a reading as ``cardreader.result.asjson.reading_json`` writes it."""
    photo, card, decision = reading["photo"], reading["card"], reading["decision"]
    common = {
        "sha256": photo["sha256"],
        "detail": reading,
        "lot_id": card["lot_id"] if card else None,
        "phone": (photo.get("make_model") or "")[:80] or None,
    }
    if reading["refusal"] is not None:
        return PhotoFacts(refusal=reading["refusal"]["reason"], **common)
    hb = reading["hb"]
    return PhotoFacts(
        hb_g_dl=hb["g_dl"],
        low_g_dl=hb["interval"]["low_g_dl"],
        high_g_dl=hb["interval"]["high_g_dl"],
        sd_g_dl=hypot(*hb["sd"].values()),
        outcome=Outcome(decision["outcome"]),
        refer=decision["refer"],
        **common,
    )
