"""Whether a laboratory value fits what was read: asked before it ends anything.

A value of 14.6 after a photo of 4.6 is more often a slip of the pen, or another
woman's slip, than a recovery.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import hypot
from statistics import NormalDist

from sqlalchemy.orm import Session

from cardreader.decide.followuprules import FollowUpRules
from cardreader.decide.rule import Outcome
from cardreader.register.asking import readings_of
from cardreader.register.base import local_day, utc_now
from cardreader.register.earlydate import EarlyDate, early_date
from cardreader.register.history import Measurement, as_referred, measurements
from cardreader.register.judging import LEVEL, TO_CONFIRM
from cardreader.register.models import Referral, Woman
from cardreader.register.openreferrals import NEAR_DAYS
from cardreader.register.referrals import refer

DAYS_A_MONTH = 30
ASKED_FROM_G_DL = 18.0
"""Values from here on are asked about: a pregnant woman's hardly ever are so high (invented)."""
SD_TO_END = NormalDist().inv_cdf((1 + LEVEL) / 2)
"""Standard deviations from a value to the end of its interval."""

SAME_G_DL = 0.05
"""Two results of a day that lie closer are one: of one test, rounded or in another unit."""

SURE_AGAINST = "sure_against"
"""In a laboratory result's JSON: the readings that it contradicts and was entered in spite of."""


@dataclass(frozen=True)
class Doubt:
    """A laboratory value further from another value of hers than both errors allow, g/dL."""

    point: Measurement
    lab_g_dl: float
    lab_at: dt.datetime
    allowed_g_dl: float

    @property
    def apart_g_dl(self) -> float:
        """How far the two lie apart."""
        return abs(self.lab_g_dl - self.point.hb_g_dl)

    @property
    def is_newer(self) -> bool:
        """Whether the value was read after the laboratory's: then that can't answer it."""
        return self.point.certain_at > self.lab_at

    @property
    def is_second(self) -> bool:
        """Whether the other is a laboratory's of the same day: two tests, or a slip of the pen."""
        return self.point.confirmed and self.point.day == local_day(self.lab_at)


class DoubtfulError(ValueError):
    """The value is asked about before it is entered.

    ``doubts`` says against what; ``high_g_dl`` is a value that blood hardly ever holds, ``early``
    a day that lies before what is likely; else None.
    """

    def __init__(
        self,
        doubts: tuple[Doubt, ...],
        high_g_dl: float | None = None,
        early: EarlyDate | None = None,
    ) -> None:
        super().__init__("it contradicts what is known of her, or is hardly ever so high or so old")
        self.doubts = doubts
        self.high_g_dl = high_g_dl
        self.early = early


def hardly_ever(hb_g_dl: float) -> float | None:
    """The value itself where it is asked about though nothing contradicts it, else None.

    Percent on a tube, or a haematocrit, typed as g/dL makes of the palest blood the best.
    """
    return hb_g_dl if hb_g_dl >= ASKED_FROM_G_DL else None


def lab_asked(
    woman: Woman, hb_g_dl: float, taken_at: dt.datetime, rules: FollowUpRules
) -> DoubtfulError | None:
    """What is to be asked of a laboratory value before it is entered; None where it is plain."""
    doubts = lab_doubts(woman, hb_g_dl, taken_at, rules)
    high, early = hardly_ever(hb_g_dl), early_date(woman, local_day(taken_at), rules)
    if not doubts and high is None and early is None:
        return None
    return DoubtfulError(doubts, high, early)


def lab_doubts(
    woman: Woman, hb_g_dl: float, taken_at: dt.datetime, rules: FollowUpRules
) -> tuple[Doubt, ...]:
    """What a laboratory value contradicts: her newest value, and the severe one it would lift.

    And what was read in the days after it: a slip that was dated yesterday is no less often
    another woman's, and the two stand side by side on her page. And another result of its day.
    """
    points = as_referred(woman)
    before = _doubts(points, hb_g_dl, taken_at, rules)
    far = before + _later_doubts(points, hb_g_dl, taken_at, rules)
    known = [doubt.point for doubt in far]
    others = (_doubt(p, hb_g_dl, taken_at, rules) for p in points if p not in known)
    return far + tuple(d for d in others if d.is_second and d.apart_g_dl > SAME_G_DL)


def unasked_doubts(woman: Woman, result: Measurement, rules: FollowUpRules) -> list[Doubt]:
    """What a result contradicts that was entered at another register, so that nobody was asked.

    Only what asked for a test, and the result denies; two results that say the same stand,
    and so does one against what whoever entered it was asked about.
    """
    points = measurements(woman)
    entered = next((r for r in woman.readings if r.id == result.reading_id), None)
    sure = set((entered.detail or {}).get(SURE_AGAINST) or ()) if entered is not None else set()
    found = _doubts(
        [p for p in points if p.reading_id != result.reading_id],
        *(result.hb_g_dl, result.at, rules),
    )
    return [
        doubt
        for doubt in found
        if doubt.point.outcome in TO_CONFIRM
        and doubt.point.hb_g_dl < result.hb_g_dl
        and not sure.issuperset(named(woman, (doubt,)))
        and not any(
            p.confirmed and p.at > doubt.point.certain_at and p.reading_id != result.reading_id
            for p in points
        )
    ]


def named(woman: Woman, doubts: Sequence[Doubt]) -> list[str]:
    """The readings that doubts are about, by id; those of all blots of a visit."""
    return sorted({r.id for doubt in doubts for r in readings_of(woman, doubt.point)})


def _doubts(
    points: Sequence[Measurement], hb_g_dl: float, taken_at: dt.datetime, rules: FollowUpRules
) -> tuple[Doubt, ...]:
    before = [p for p in points if p.day <= local_day(taken_at)]
    newest = before[-1:]
    last_lab = max((i for i, p in enumerate(before) if p.confirmed), default=0)
    # What an open referral asks after no result before has lifted, though it came after it.
    standing = [p for i, p in enumerate(before) if i >= last_lab or p.asked]
    return _contradicted((*newest, *_severe(standing)), hb_g_dl, taken_at, rules)


def _later_doubts(
    points: Sequence[Measurement], hb_g_dl: float, taken_at: dt.datetime, rules: FollowUpRules
) -> tuple[Doubt, ...]:
    """The first value after it, and the last that says severe."""
    day = local_day(taken_at)
    after = [p for p in points if day < p.day <= day + dt.timedelta(days=NEAR_DAYS)]
    return _contradicted((*after[:1], *_severe(after)), hb_g_dl, taken_at, rules)


def _severe(points: Sequence[Measurement]) -> list[Measurement]:
    """The last of them that says severe, or that it may be."""
    return [p for p in points if p.outcome is Outcome.SEVERE or p.may_be_severe][-1:]


def _contradicted(
    points: Sequence[Measurement], hb_g_dl: float, taken_at: dt.datetime, rules: FollowUpRules
) -> tuple[Doubt, ...]:
    found = {id(p): p for p in points}
    doubts = (_doubt(p, hb_g_dl, taken_at, rules) for p in found.values())
    return tuple(doubt for doubt in doubts if doubt.apart_g_dl > doubt.allowed_g_dl)


def refer_if_result_doubted(
    session: Session,
    woman: Woman,
    point: Measurement,
    rules: FollowUpRules,
    by: str | None,
) -> Referral | None:
    """Open a referral for a value that came in late and contradicts the result after it.

    Entered in their order, that result would have been asked about before it ended anything.
    Two results that say the same stand. None where nothing is to be asked.
    """
    after = [p for p in measurements(woman) if p.confirmed and p.at > point.certain_at]
    if len(after) != 1 or point.outcome not in TO_CONFIRM:
        return None
    doubt = _doubt(point, after[0].hb_g_dl, after[0].at, rules)
    if doubt.lab_g_dl <= point.hb_g_dl or doubt.apart_g_dl <= doubt.allowed_g_dl:
        return None
    return refer(session, woman, replace(point, latest_at=utc_now()), point.urgent, by)


def _doubt(
    point: Measurement, hb_g_dl: float, taken_at: dt.datetime, rules: FollowUpRules
) -> Doubt:
    lab = rules.laboratory
    end = point.high_g_dl if hb_g_dl > point.hb_g_dl else point.low_g_dl
    # The reading's own interval, on the side where the laboratory's value lies.
    sd = _lab_sd(point.hb_g_dl, rules) if end is None else abs(end - point.hb_g_dl) / SD_TO_END
    days = abs(taken_at - point.at).days
    return Doubt(
        point,
        hb_g_dl,
        taken_at,
        lab.apart_sd * hypot(sd, _lab_sd(hb_g_dl, rules))
        + lab.change_g_dl_a_month * days / DAYS_A_MONTH,
    )


def _lab_sd(hb_g_dl: float, rules: FollowUpRules) -> float:
    return hb_g_dl * rules.laboratory.error_percent / 100 / 2
