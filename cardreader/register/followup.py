"""Who is due, who is overdue, and whose haemoglobin does not rise. No database here.

The figures are those of the protocol file, with their origin.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from math import erf, hypot, sqrt

from cardreader.decide.followuprules import FollowUpRules
from cardreader.register.history import Measurement, Standing
from cardreader.register.kinds import Regimen
from cardreader.register.models import Treatment


class DueKind(StrEnum):
    """Why she is to be seen; all but ``BIRTH`` ask for a test."""

    SEVERE = "severe"
    MONTHLY = "monthly"
    SCHEDULED = "scheduled"
    WITHOUT_WEEKS = "without_weeks"
    BIRTH = "birth"
    AFTER_BIRTH = "after_birth"
    DAY_OFF = "day_off"


@dataclass(frozen=True)
class Due:
    """When she is to be seen next; ``overdue`` once ``last_on`` has passed."""

    kind: DueKind
    first_on: dt.date
    last_on: dt.date
    visit_number: int | None = None

    def is_due(self, today: dt.date) -> bool:
        """Whether the test should be made now."""
        return today >= self.first_on

    def is_overdue(self, today: dt.date) -> bool:
        """Whether the time for the test has passed."""
        return today > self.last_on


def next_due(
    rules: FollowUpRules,
    standing: Standing,
    points: Sequence[Measurement],
    gestation_start: dt.date | None,
    added_on: dt.date,
    birth_on: dt.date | None = None,
    again_from: dt.date | None = None,
    seen_on: Sequence[dt.date] = (),
    in_doubt: bool = False,
) -> Due | None:
    """The next test, or the question about her birth; None once the test after it is made.

    ``gestation_start`` is the day of week 0. Anaemic women, and those whose
    screening awaits confirmation, are tested monthly; severely anaemic ones sooner.
    After a birth one test is due, and those go on. Until then nobody is left without a day:
    without her weeks she is tested again and again, and when they are over she is asked
    about the birth. Who is followed anew (``again_from``) when the time after a birth is over,
    or comes again then (``seen_on``, the days of her visits), may be pregnant again: her weeks
    are asked for. While her records contradict each other on it (``in_doubt``) she is followed
    as somebody who gave birth and as somebody whose weeks are not known.
    """
    if points and (standing.anaemic or standing.awaiting_confirmation):
        kind = DueKind.SEVERE if standing.severe else DueKind.MONTHLY
        days = rules.severe_days if standing.severe else rules.monthly_days
        first = points[-1].day + dt.timedelta(days=days)
        return Due(kind, first, first + dt.timedelta(days=rules.grace_days))
    if birth_on is not None:
        after = _after_birth(rules, points, birth_on)
        if in_doubt:
            both = (after, _without_weeks(rules, points, added_on))
            return min((due for due in both if due is not None), key=lambda due: due.last_on)
        anew = again_from is not None and again_from > _last_after(rules, birth_on)
        if after is None and (anew or _came_again(rules, points, birth_on, seen_on)):
            return _without_weeks(rules, points, added_on)
        return after
    if gestation_start is None:
        return _without_weeks(rules, points, added_on)
    tested_on = [point.day for point in points]
    for number, (first_week, last_week) in enumerate(rules.visit_weeks, start=1):
        first = gestation_start + dt.timedelta(weeks=first_week)
        # The last week is whole: its seventh day still counts.
        last = gestation_start + dt.timedelta(weeks=last_week + 1, days=-1)
        if last < added_on or any(day >= first for day in tested_on):
            continue
        return Due(DueKind.SCHEDULED, max(first, added_on), last, number)
    grace = dt.timedelta(days=rules.grace_days)
    if not any(day >= gestation_start for day in tested_on):
        # She came after the last visit's weeks: the test is due all the same.
        return Due(DueKind.SCHEDULED, added_on, added_on + grace, len(rules.visit_weeks))
    over = gestation_start + dt.timedelta(weeks=rules.ask_birth_week)
    return Due(DueKind.BIRTH, over, over + grace)


def _without_weeks(rules: FollowUpRules, points: Sequence[Measurement], added_on: dt.date) -> Due:
    grace = dt.timedelta(days=rules.grace_days)
    if not points:
        return Due(DueKind.WITHOUT_WEEKS, added_on, added_on + grace, 1)
    first = points[-1].day + dt.timedelta(days=rules.without_weeks_days)
    return Due(DueKind.WITHOUT_WEEKS, first, first + grace)


def _last_after(rules: FollowUpRules, birth_on: dt.date) -> dt.date:
    return birth_on + dt.timedelta(days=rules.after_birth_days[1])


def _came_again(
    rules: FollowUpRules,
    points: Sequence[Measurement],
    birth_on: dt.date,
    seen_on: Sequence[dt.date],
) -> bool:
    """Whether she came after all that followed from a birth had ended.

    That is the test after it, and where she was anaemic the result that says she is no more.
    """
    first = birth_on + dt.timedelta(days=rules.after_birth_days[0])
    tested = [point.day for point in points if point.day >= first]
    results = [point.day for point in points if point.confirmed]
    over = max([_last_after(rules, birth_on), *tested[:1], *results])
    screened = [point.day for point in points if not point.confirmed]
    return any(day > over for day in (*seen_on, *screened))


def _after_birth(
    rules: FollowUpRules, points: Sequence[Measurement], birth_on: dt.date
) -> Due | None:
    first, last = (birth_on + dt.timedelta(days=days) for days in rules.after_birth_days)
    if any(point.day >= first for point in points):
        return None
    return Due(DueKind.AFTER_BIRTH, first, last)


def gestation_start(weeks: int | None, on: dt.date | None) -> dt.date | None:
    """The day of week 0 that a gestation told on a day points to."""
    if weeks is None or on is None:
        return None
    return on - dt.timedelta(weeks=weeks)


@dataclass(frozen=True)
class MissingRise:
    """Haemoglobin did not rise as expected on treatment.

    ``change_g_dl`` and ``sd_change_g_dl``: the change and its standard deviation;
    ``p_enough``: probability that the true change reaches the expected one.
    """

    since: dt.date
    days: int
    change_g_dl: float
    sd_change_g_dl: float
    expected_g_dl: float
    p_enough: float


def missing_rise(
    rules: FollowUpRules, treatments: Sequence[Treatment], points: Sequence[Measurement]
) -> MissingRise | None:
    """Flag a woman on treatment whose haemoglobin has not risen as expected.

    Compares the last value up to the start of treatment with the newest one, once
    ``rise_after_days`` lie between. None while too early, without both values, or
    when the rise was seen. Expecting 1 g/dL in a month is common practice (from
    memory, no source). The start may fall on the day of the first value.
    """
    running = [t for t in treatments if t.regimen == Regimen.TREATMENT and t.ended_on is None]
    if not running:
        return None
    start = running[-1].started_on
    before = [p for p in points if p.day <= start]
    after = [p for p in points if p.day >= start + dt.timedelta(days=rules.rise_after_days)]
    if not before or not after:
        return None
    first, last = before[-1], after[-1]
    change = last.hb_g_dl - first.hb_g_dl
    if change >= rules.rise_g_dl:
        return None
    sd = hypot(first.sd_g_dl, last.sd_g_dl)
    return MissingRise(
        since=start,
        days=(last.day - start).days,
        change_g_dl=change,
        sd_change_g_dl=sd,
        expected_g_dl=rules.rise_g_dl,
        p_enough=_p_at_least(rules.rise_g_dl, change, sd),
    )


def _p_at_least(threshold: float, mean: float, sd: float) -> float:
    if sd == 0:
        return float(mean >= threshold)
    return 0.5 * (1 + erf((mean - threshold) / (sd * sqrt(2))))
