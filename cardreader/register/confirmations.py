"""Pairs of a screening reading and the laboratory result that came back for it.

They feed the drift watch: a card lot or a phone whose readings move away from
the laboratory's shows here first.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from sqlalchemy import select
from sqlalchemy.orm import Session, selectinload

from cardreader.register.base import local_day
from cardreader.register.history import counts
from cardreader.register.kinds import Source
from cardreader.register.models import Reading, Visit, Woman

LONGEST_GAP = dt.timedelta(days=14)
"""Haemoglobin may truly change in longer; the two would not be the same quantity."""


@dataclass(frozen=True)
class Confirmation:
    """One photo reading with the laboratory result of the same woman."""

    woman_id: str
    reading_id: str
    read_on: dt.date
    confirmed_on: dt.date
    hb_g_dl: float
    low_g_dl: float | None
    high_g_dl: float | None
    sd_g_dl: float | None
    lab_g_dl: float
    lab_method: str
    lot_id: str | None
    phone: str | None


def confirmations(session: Session) -> list[Confirmation]:
    """All pairs, oldest result first. A photo goes with the first result after it."""
    women = session.scalars(
        select(Woman).options(
            selectinload(Woman.readings), selectinload(Woman.visits).selectinload(Visit.readings)
        )
    )
    pairs = [pair for woman in women for pair in _pairs(woman)]
    return sorted(pairs, key=lambda pair: (pair.confirmed_on, pair.read_on, pair.reading_id))


def _pairs(woman: Woman) -> list[Confirmation]:
    good = [r for r in woman.readings if counts(r)]
    labs = [r for r in good if r.source == Source.LAB]
    pairs = []
    for photo in (r for r in good if r.source == Source.PHOTO):
        lab = next((r for r in labs if _answers(r, photo)), None)
        if lab is not None and photo.hb_g_dl is not None and lab.hb_g_dl is not None:
            pairs.append(
                Confirmation(
                    woman_id=woman.id,
                    reading_id=photo.id,
                    read_on=local_day(photo.taken_at),
                    confirmed_on=local_day(lab.taken_at),
                    hb_g_dl=photo.hb_g_dl,
                    low_g_dl=photo.low_g_dl,
                    high_g_dl=photo.high_g_dl,
                    sd_g_dl=photo.sd_g_dl,
                    lab_g_dl=lab.hb_g_dl,
                    lab_method=lab.method or "",
                    lot_id=photo.lot_id,
                    phone=photo.phone,
                )
            )
    return pairs


def _answers(lab: Reading, photo: Reading) -> bool:
    return dt.timedelta(0) <= lab.taken_at - photo.taken_at <= LONGEST_GAP
