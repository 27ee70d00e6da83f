"""A woman's haemoglobin over time, and what follows from it. No database here.

``Measurement`` is one point: the combined photos of a visit, a tube reading or a
laboratory result. ``standing`` folds them, oldest first, into where she stands.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

from cardreader.decide.rule import Outcome
from cardreader.decide.statements import Statement
from cardreader.register.base import local_day
from cardreader.register.dayvisits import is_shown, lead_of, members, result_of
from cardreader.register.judging import ANAEMIC, TO_CONFIRM
from cardreader.register.kinds import Purpose, ReferralOutcome, Source
from cardreader.register.models import Reading, Referral, Visit, Woman
from cardreader.register.tocome import is_to_come

DATED_AHEAD = "dated_ahead"
"""In a reading's JSON: values of hers that were dated later than the clock as it was entered."""
_PRESSING = (Outcome.NOT_ANAEMIC, Outcome.UNCERTAIN, Outcome.ANAEMIC, Outcome.SEVERE)
_JUST_AFTER = dt.timedelta(seconds=1)


@dataclass(frozen=True)
class Measurement:
    """One haemoglobin value of a woman. ``low``/``high``: 90 % interval in g/dL."""

    at: dt.datetime
    source: Source
    hb_g_dl: float
    low_g_dl: float | None
    high_g_dl: float | None
    sd_g_dl: float
    outcome: Outcome
    visit_id: str | None = None
    reading_id: str | None = None
    may_be_severe: bool = False
    # Whether what was decided sends her at once.
    urgent: bool = False
    # Whether an open referral speaks of it: then no result that is there has answered it.
    asked: bool = False
    # The latest it can have been taken, where a clock could not be checked, or was wrong.
    latest_at: dt.datetime | None = None

    @property
    def certain_at(self) -> dt.datetime:
        """By when it was surely taken; what came before can't have answered it."""
        return self.latest_at or self.at

    @property
    def day(self) -> dt.date:
        """The calendar day it was taken on."""
        return local_day(self.at)

    @property
    def confirmed(self) -> bool:
        """Whether this is a laboratory result."""
        return self.source is Source.LAB


@dataclass(frozen=True)
class Standing:
    """Where a woman stands after all her measurements.

    ``anaemic`` and ``severe`` are lifted only by a laboratory result that says so:
    a screening result never takes a woman off a list. ``foremost``: of the values that they
    rest on the most pressing, the newest of these; None where nothing asks for anything.
    """

    latest: Measurement | None
    anaemic: bool
    severe: bool
    awaiting_confirmation: bool
    foremost: Measurement | None = None


def measurements(woman: Woman) -> list[Measurement]:
    """All values of a woman, oldest first; what was set aside is left out."""
    points = []
    for visit in filter(is_shown, woman.visits):
        entered = [reading for one in members(visit) for reading in one.readings]
        photos = [r for r in entered if counts(r) and r.source == Source.PHOTO]
        if (point := point_of_photos(visit, photos)) is not None:
            points.append(point)
    for reading in woman.readings:
        if reading.source != Source.PHOTO and counts(reading):
            points.append(point_of(reading))
    return sorted(points, key=lambda point: (point.at, point.confirmed))


def as_referred(woman: Woman) -> list[Measurement]:
    """All values of a woman, each as her referral has it where that makes more of it.

    Limits that turned out to be hers, after a birth or by other weeks or at another register,
    asked for more than was decided as it was entered. The value stays; where she stands and
    what lists say of her goes by what she was sent for.
    """
    return [_as_sent(point, woman.referrals) for point in measurements(woman)]


def _as_sent(point: Measurement, referrals: Sequence[Referral]) -> Measurement:
    of_it = [
        r
        for r in referrals
        if (r.hb_g_dl, r.source) == (point.hb_g_dl, point.source)
        and r.outcome not in (ReferralOutcome.READ, ReferralOutcome.MISTAKE)
        and (r.closed_at is None or r.closed_at >= point.certain_at)
    ]
    if any(r.closed_at is None and r.purpose == Purpose.TEST for r in of_it):
        point = replace(point, asked=True)
    worst = max(of_it, key=lambda r: rank(Outcome(r.band)), default=None)
    if worst is None or rank(Outcome(worst.band)) <= rank(point.outcome):
        return point
    outcome = Outcome(worst.band)
    severe = point.may_be_severe or (worst.urgent and outcome is Outcome.UNCERTAIN)
    return replace(
        point,
        outcome=outcome,
        may_be_severe=severe and outcome is not Outcome.SEVERE,
        urgent=point.urgent or worst.urgent,
    )


def rank(outcome: Outcome) -> int:
    """How pressing an outcome of a value is, 0 the least."""
    return _PRESSING.index(outcome)


def pressing(point: Measurement) -> int:
    """How pressing a value is, 0 the least: what may be severe before what is anaemic."""
    if point.may_be_severe and point.outcome is not Outcome.SEVERE:
        return 2 * rank(Outcome.ANAEMIC) + 1
    return 2 * rank(point.outcome)


def point_of_photos(visit: Visit, photos: Sequence[Reading]) -> Measurement | None:
    """What photos of a visit, with those of visits that are one with it, came to as a point.

    None where there is no photo, or no value.
    """
    result = result_of(visit)
    if result.hb_g_dl is None or result.band is None or not photos:
        return None
    decision = (result.result or {}).get("decision")
    return Measurement(
        at=max(r.taken_at for r in photos),
        latest_at=max(certain_at(r) for r in photos),
        source=Source.PHOTO,
        hb_g_dl=result.hb_g_dl,
        low_g_dl=result.low_g_dl,
        high_g_dl=result.high_g_dl,
        sd_g_dl=result.sd_g_dl or 0.0,
        outcome=Outcome(result.band),
        visit_id=lead_of(visit).id,
        may_be_severe=may_be_severe(decision),
        urgent=sends_at_once(decision),
    )


def point_of(reading: Reading) -> Measurement:
    """A tube or laboratory reading as a point; ValueError when it holds no value."""
    if reading.hb_g_dl is None or reading.band is None:
        raise ValueError("a reading without a value is no point")
    return Measurement(
        at=reading.taken_at,
        latest_at=certain_at(reading),
        source=Source(reading.source),
        hb_g_dl=reading.hb_g_dl,
        low_g_dl=reading.low_g_dl,
        high_g_dl=reading.high_g_dl,
        sd_g_dl=reading.sd_g_dl or 0.0,
        outcome=Outcome(reading.band),
        visit_id=reading.visit_id,
        reading_id=reading.id,
        may_be_severe=may_be_severe((reading.detail or {}).get("decision")),
        urgent=sends_at_once((reading.detail or {}).get("decision")),
    )


def may_be_severe(decision: dict[str, Any] | None) -> bool:
    """Whether a decision's question is severe anaemia: uncertain, and not to be taken lightly."""
    return (decision or {}).get("question") == Statement.MAY_BE_SEVERE


def sends_at_once(decision: dict[str, Any] | None) -> bool:
    """Whether a decision sends her on at once."""
    return bool((decision or {}).get("refer"))


def certain_at(reading: Reading) -> dt.datetime:
    """By when a reading was surely taken.

    Its own time, except where only a phone's clock tells it: then when it came in. Nor is it
    older than what was there when it was entered, though dated later than the clock showed.
    """
    unchecked = reading.phone_taken_at is not None and reading.clock_behind_s is None
    at = max(reading.taken_at, reading.entered_at) if unchecked else reading.taken_at
    ahead = set((reading.detail or {}).get(DATED_AHEAD) or ())
    if not ahead:
        return at
    known = (r.taken_at for r in reading.woman.readings if r.id in ahead and counts(r))
    return max([at, *(one + _JUST_AFTER for one in known)])


def counts(reading: Reading) -> bool:
    """Whether a reading has a value and was not set aside."""
    return reading.hb_g_dl is not None and reading.set_aside_at is None


def standing(points: Sequence[Measurement]) -> Standing:
    """Fold measurements, oldest first, into where the woman stands.

    A laboratory result answers only what was surely taken before it, and that no open referral
    asks after, as where the two contradict each other and nobody was asked; one that is dated
    in days to come, what is dated so, too.
    """
    left: list[Measurement] = []
    for point in sorted(points, key=lambda p: (p.certain_at, p.confirmed)):
        if point.confirmed:
            ahead = is_to_come(point.at)
            left = [p for p in left if p.asked or (ahead and not is_to_come(p.certain_at))]
        if point.outcome in (ANAEMIC if point.confirmed else TO_CONFIRM):
            left.append(point)
    return Standing(
        points[-1] if points else None,
        anaemic=any(p.outcome in ANAEMIC for p in left),
        severe=any(p.outcome is Outcome.SEVERE for p in left),
        awaiting_confirmation=any(not p.confirmed for p in left),
        foremost=max(left, key=lambda p: (pressing(p), p.at), default=None),
    )
