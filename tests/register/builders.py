"""Small builders for the register's tests; all women, codes and values are invented."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from math import sqrt
from uuid import uuid4

from cardreader.decide.protocolfile import load_protocol
from cardreader.decide.rule import Outcome, decide
from cardreader.decide.subject import Subject
from cardreader.hb.distribution import HbDistribution
from cardreader.register import recording, visits, women
from cardreader.register.base import utc_now
from cardreader.register.phoneclock import TakenAt
from cardreader.register.recording import PhotoFacts
from cardreader.result.asjson import decision_json

PROTOCOL = load_protocol()
NOBODY = Subject(gestation_weeks=20)


def facts(hb_g_dl: float, sd_g_dl: float = 0.4, lot: str = "000123", sha: str = "") -> PhotoFacts:
    """A photo that was read."""
    value = HbDistribution.normal(hb_g_dl, sd_g_dl)
    decision = decide(value, PROTOCOL, NOBODY)
    low, high = map(float, value.interval(0.9))
    return PhotoFacts(
        sha256=sha or f"{abs(hash((hb_g_dl, lot))):064x}"[:64],
        detail={
            "hb": {"g_dl": hb_g_dl},
            "sd": sd_g_dl,
            "decision": decision_json(decision),
            "calibration": {"id": "test"},
        },
        hb_g_dl=hb_g_dl,
        low_g_dl=low,
        high_g_dl=high,
        sd_g_dl=sd_g_dl,
        outcome=decision.outcome,
        refer=decision.refer,
        lot_id=lot,
        phone="Invented Phone 1",
    )


def refused(reason: str = "blurred", lot: str | None = None) -> PhotoFacts:
    """A photo that was refused."""
    return PhotoFacts(sha256="0" * 64, detail={"refusal": reason}, refusal=reason, lot_id=lot)


def combine(details: list[dict], subject: Subject, pale_blot: bool) -> PhotoFacts:
    """Mean of the blots, error of a mean; a pale blot beside them makes it uncertain."""
    mean = sum(d["hb"]["g_dl"] for d in details) / len(details)
    made = facts(mean, details[0]["sd"] / sqrt(len(details)))
    return replace(made, outcome=Outcome.UNCERTAIN) if pale_blot else made


def add_woman(session, code: str = "KX-1", weeks: int | None = 20, days_ago: int = 0):
    """A woman, added some days ago."""
    on = dt.date.today() - dt.timedelta(days=days_ago)
    woman = women.add_woman(session, code, weeks, on, None)
    woman.added_at = utc_now() - dt.timedelta(days=days_ago)
    return woman


def photo(session, woman, given: PhotoFacts, days_ago: float = 0, key: str = "", number: int = 1):
    """A photo entered for a visit some days ago."""
    at = utc_now() - dt.timedelta(days=days_ago)
    visit = visits.open_visit(session, woman, number, at.astimezone().date(), None)
    key = key or f"photo-{woman.code}-{uuid4().hex}"
    return recording.record_photo(session, visit, key, given, TakenAt(at), None, combine, NOBODY)


def lab(session, woman, hb_g_dl: float, days_ago: float = 0, key: str = "", sure: bool = False):
    """A laboratory result some days ago."""
    at = utc_now() - dt.timedelta(days=days_ago)
    key = key or f"lab-{woman.code}-{uuid4().hex}"
    return recording.record_lab(
        *(session, woman, key, hb_g_dl, "Cell counter", "Invented Clinic", at, None),
        *(PROTOCOL, NOBODY, sure),
    )
