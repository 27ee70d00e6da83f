"""The register's own laboratory pairs: what a site's calibration is made of, and what is lacking.

A pair is what was measured of a kept photo, whether it gave a value or not, and a
laboratory value of the same woman close enough in time to be of the same blood.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection
from dataclasses import dataclass
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session, selectinload

from cardreader.core import unitlook
from cardreader.read.chain import CHAIN
from cardreader.register.base import local_day
from cardreader.register.blots import blot_of
from cardreader.register.history import counts
from cardreader.register.kinds import Source
from cardreader.register.models import Reading, Woman

SEVERE_G_DL, HIGH_G_DL = 7.0, 12.0


@dataclass(frozen=True)
class SitePair:
    """A kept photo with its laboratory value. ``level`` is the laboratory reading's id,
    ``lot_basis`` how its card's lot was known when it was measured, ``lot_colours`` its
    `Lot.fingerprint` of then."""

    reading_id: str
    woman_id: str
    level: str
    lab_g_dl: float
    lot_id: str
    phone: str
    day: dt.date
    operator: str
    blot: str
    paper: str
    sha256: str
    measured: dict[str, Any]
    lot_basis: str = ""
    lot_colours: str = ""


@dataclass(frozen=True)
class PairsFound:
    """All pairs of some lots, oldest first; ``other_chain`` more were measured by another
    version's chain and can't be used without their photos."""

    pairs: tuple[SitePair, ...]
    other_chain: int = 0

    def __len__(self) -> int:
        return len(self.pairs)


def find_pairs(session: Session, lot_ids: Collection[str], longest: dt.timedelta) -> PairsFound:
    """The pairs of cards of these lots, each photo with the laboratory value nearest in time."""
    query = select(Woman).order_by(Woman.added_at, Woman.id)
    women = session.scalars(query.options(selectinload(Woman.readings)))
    pairs, other = [], 0
    for woman in women:
        labs = [r for r in woman.readings if r.source == Source.LAB and counts(r)]
        for photo in woman.readings if labs else ():
            if not _is_usable(photo, lot_ids):
                continue
            lab = min(labs, key=lambda r: abs(r.taken_at - photo.taken_at))
            if abs(lab.taken_at - photo.taken_at) > longest:
                continue
            if (photo.detail or {})["measured"].get("chain") != CHAIN:
                other += 1
                continue
            pairs.append(_pair(photo, lab))
    return PairsFound(tuple(sorted(pairs, key=lambda p: (p.day, p.reading_id))), other)


def _is_usable(reading: Reading, lot_ids: Collection[str]) -> bool:
    kept = (reading.detail or {}).get("measured")
    return (
        reading.source == Source.PHOTO
        and reading.set_aside_at is None
        and isinstance(kept, dict)
        and reading.lot_id in lot_ids
    )


def _pair(photo: Reading, lab: Reading) -> SitePair:
    assert lab.hb_g_dl is not None
    assert photo.detail is not None
    card = photo.detail.get("card") or {}
    return SitePair(
        reading_id=photo.id,
        woman_id=photo.woman_id,
        level=lab.id,
        lab_g_dl=lab.hb_g_dl,
        lot_id=photo.lot_id or "",
        phone=photo.phone or "phone not known",
        day=local_day(photo.taken_at),
        operator=photo.entered_by or "-",
        blot=f"{photo.visit_id}/{blot_of(photo)}",
        paper=photo.paper or "",
        sha256=photo.photo_sha256 or "",
        measured=photo.detail["measured"],
        lot_basis=card.get("basis") or "",
        lot_colours=card.get("colours") or "",
    )


def reach(found: PairsFound) -> tuple[float, float] | None:
    """Lowest and highest laboratory value of the pairs, g/dL; None without a pair."""
    values = [pair.lab_g_dl for pair in found.pairs]
    return (min(values), max(values)) if values else None


def look_like_mmol_l(found: PairsFound) -> bool:
    """Whether the pairs' laboratory values, taken for g/dL, look as a whole like mmol/L."""
    by_level = {pair.level: pair.lab_g_dl for pair in found.pairs}
    return unitlook.look_like_mmol_l(list(by_level.values()))


@dataclass(frozen=True)
class Lack:
    """One thing a calibration wants: how many there are, and how many it wants at least.

    ``what`` is one of `WANTED`.
    """

    what: str
    have: int
    want: int

    @property
    def enough(self) -> bool:
        """Whether nothing is lacking here."""
        return self.have >= self.want


LEAST_WOMEN = 5
"""With fewer there is no calibration, nor one for a batch of paper
(`calibrate.workflow.LEAST_WOMEN_OF_A_SITE`)."""

WANTED = {
    "women": 40,
    "severe": 35,
    "high": 10,
    "phones": 3,
    "days": 5,
    "two_blots": 10,
}
"""Least numbers. Of women: from there on their exact rank has a say in the width of intervals
(`calibrate.site.WOMEN_FOR_RANK`). Of women below 7 g/dL: from there on none missed means
surely fewer than one in ten (Wilson; `calibrate.verdict.MISSED_AT_MOST`). At or above 12 g/dL,
phones, days (which stand for lamps) and women with two blots: ours."""


def lacking(found: PairsFound) -> tuple[Lack, ...]:
    """What there is of each thing that is wanted."""
    by_woman: dict[str, list[SitePair]] = {}
    for pair in found.pairs:
        by_woman.setdefault(pair.woman_id, []).append(pair)
    lowest = [min(p.lab_g_dl for p in own) for own in by_woman.values()]
    highest = [max(p.lab_g_dl for p in own) for own in by_woman.values()]
    two = sum(
        max(len({p.blot for p in own if p.level == level}) for level in {p.level for p in own}) > 1
        for own in by_woman.values()
    )
    have = {
        "women": len(by_woman),
        "severe": sum(hb < SEVERE_G_DL for hb in lowest),
        "high": sum(hb >= HIGH_G_DL for hb in highest),
        "phones": len({p.phone for p in found.pairs}),
        "days": len({p.day for p in found.pairs}),
        "two_blots": two,
    }
    return tuple(Lack(what, have[what], want) for what, want in WANTED.items())


def women_on(found: PairsFound, paper: str | None = None) -> int:
    """Women with a pair, on any paper or on one batch of it."""
    return len({pair.woman_id for pair in found.pairs if paper in (None, pair.paper)})
