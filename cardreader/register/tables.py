"""The register as CSV: readings, what was noted, referrals, and pairs for the drift watch."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable
from dataclasses import fields

from sqlalchemy import select
from sqlalchemy.orm import Session, selectinload

from cardreader.register.base import local_day
from cardreader.register.blots import believed_band
from cardreader.register.confirmations import Confirmation, confirmations
from cardreader.register.dayvisits import lead_of
from cardreader.register.models import Event, Reading, Referral

READING_COLUMNS = (
    "woman_id",
    "reading_id",
    "visit_number",
    "gestation_weeks",
    "source",
    "taken_on",
    "hb_g_dl",
    "low_g_dl",
    "high_g_dl",
    "outcome",
    "refusal",
    "lot_id",
    "phone",
    "method",
    "place",
    "set_aside",
)


EVENT_COLUMNS = (
    "woman_id",
    "event_id",
    "kind",
    "on",
    "choice",
    "amount",
    "referral_id",
    "set_aside",
)
REFERRAL_COLUMNS = (
    "woman_id",
    "referral_id",
    "purpose",
    "urgent",
    "result",
    "hb_g_dl",
    "opened_on",
    "outcome",
    "closed_on",
    "closing_reading_id",
)


def readings_csv(session: Session, codes: bool) -> str:
    """Every reading, oldest first; ``codes`` adds the women's codes."""
    query = (
        select(Reading)
        .order_by(Reading.taken_at, Reading.id)
        .options(selectinload(Reading.woman), selectinload(Reading.visit))
    )
    header = (("code",) if codes else ()) + READING_COLUMNS
    return _csv(header, (_reading_row(r, codes) for r in session.scalars(query)))


def _reading_row(reading: Reading, codes: bool) -> tuple[object, ...]:
    day = local_day(reading.taken_at)
    row = (
        reading.woman_id,
        reading.id,
        lead_of(reading.visit).number if reading.visit else None,
        reading.woman.gestation_at(day),
        reading.source,
        day.isoformat(),
        reading.hb_g_dl,
        reading.low_g_dl,
        reading.high_g_dl,
        believed_band(reading),
        reading.refusal,
        reading.lot_id,
        reading.phone,
        reading.method,
        reading.place,
        "yes" if reading.set_aside_at else "",
    )
    return ((reading.woman.code, *row)) if codes else row


def events_csv(session: Session, codes: bool) -> str:
    """Births, tablets, outcomes of referrals, closings and all else noted, oldest first.

    ``codes`` adds the women's codes and what was written down in words, which may name a place.
    """
    query = select(Event).order_by(Event.on, Event.entered_at).options(selectinload(Event.woman))
    header = (("code",) if codes else ()) + EVENT_COLUMNS + (("words",) if codes else ())
    return _csv(header, (_event_row(event, codes) for event in session.scalars(query)))


def _event_row(event: Event, codes: bool) -> tuple[object, ...]:
    row = (
        event.woman_id,
        event.id,
        event.kind,
        event.on.isoformat(),
        event.choice,
        event.amount,
        event.referral_id,
        "yes" if event.set_aside_at else "",
    )
    return (event.woman.code, *row, event.words) if codes else row


def referrals_csv(session: Session, codes: bool) -> str:
    """Every referral and what became of it, oldest first."""
    query = select(Referral).order_by(Referral.opened_at).options(selectinload(Referral.woman))
    header = (("code",) if codes else ()) + REFERRAL_COLUMNS
    return _csv(header, (_referral_row(r, codes) for r in session.scalars(query)))


def _referral_row(referral: Referral, codes: bool) -> tuple[object, ...]:
    row = (
        referral.woman_id,
        referral.id,
        referral.purpose,
        "yes" if referral.urgent else "",
        referral.band,
        referral.hb_g_dl,
        local_day(referral.opened_at).isoformat(),
        referral.outcome,
        referral.closed_at and local_day(referral.closed_at).isoformat(),
        referral.closing_reading_id,
    )
    return (referral.woman.code, *row) if codes else row


def confirmations_csv(session: Session, lab_sd_g_dl: float) -> str:
    """Pairs of reading and laboratory result, for the drift watch; ``lab_sd_g_dl`` is what is
    assumed of every result."""
    pairs = confirmations(session)
    names = [field.name for field in fields(Confirmation)]
    rows = ((*(getattr(pair, name) for name in names), lab_sd_g_dl) for pair in pairs)
    return _csv([*names, "lab_sd_g_dl"], rows)


def _csv(header: Iterable[str], rows: Iterable[tuple[object, ...]]) -> str:
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(header)
    writer.writerows([_cell(value) for value in row] for row in rows)
    return out.getvalue()


def _cell(value: object) -> object:
    # A spreadsheet would run a text that starts like a formula.
    if isinstance(value, str) and value[:1] in ("=", "+", "-", "@", "\t", "\r"):
        return "'" + value
    return "" if value is None else value
