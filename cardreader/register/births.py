"""Birth and its outcome: the pregnancy ends, and she is tested once more."""

from __future__ import annotations

import datetime as dt

from sqlalchemy.orm import Session

from cardreader.decide.followuprules import FollowUpRules
from cardreader.decide.protocol import Protocol
from cardreader.register import audit
from cardreader.register.base import local_day
from cardreader.register.events import note, standing_events
from cardreader.register.followup import gestation_start
from cardreader.register.heldagain import pressing_since_birth
from cardreader.register.kinds import BirthOutcome, EventKind
from cardreader.register.models import Event, Woman
from cardreader.register.referrals import refer


class OddWeeksError(ValueError):
    """A birth that her weeks, or visits since, speak against is asked about first.

    ``week`` is that of the day, None where it is a fitting one, or not known.
    """

    def __init__(self, week: int | None) -> None:
        super().__init__(
            "she was seen since" if week is None else f"week {week} is odd for this outcome"
        )
        self.week = week


def note_birth(
    session: Session,
    woman: Woman,
    outcome: BirthOutcome,
    on: dt.date,
    by: str | None,
    protocol: Protocol,
    elevation_m: float | None = None,
    sure: bool = False,
) -> Event:
    """Note that her pregnancy ended; she stays on the lists until the test after it.

    A birth that is noted already is corrected: the earlier entry is set aside, save where it
    is another pregnancy's. Values from the birth on that were judged as a pregnant woman's are
    judged by the limits for after it, and what those ask for more opens a referral; the values
    stay as they were entered.

    OddWeeksError in weeks in which the protocol expects no such outcome, and for a day since
    which she was seen, unless ``sure``:
    more often the day is wrong, or the weeks, or it is another woman's birth.
    """
    week = _odd_week(woman, outcome, on, protocol.follow_up)
    # A month mistyped would pass the last test of the pregnancy for the one after the birth.
    seen_since = outcome is not BirthOutcome.NOT_KNOWN and any(v.on > on for v in woman.visits)
    if (week is not None or seen_since) and not sure:
        raise OddWeeksError(week)
    # Also where the last of several is put on an earlier day.
    last = [on] if woman.birth_on is None else [on, woman.birth_on]
    noted = [
        e
        for e in births_of_pregnancy(woman)
        if not any(is_of_another(e, day, protocol.follow_up) for day in last)
    ]
    same = next((e for e in noted if (e.on, e.choice) == (on, outcome.value)), None)
    if same is not None and len(noted) == 1:
        return same  # the form sent twice
    woman.birth_on, woman.birth_outcome = on, outcome.value
    _tell_weeks_before(woman, on)
    audit.append(session, "woman.birth", woman.id, by, outcome=outcome.value)
    event = same or note(session, woman, EventKind.BIRTH, on, by, choice=outcome.value)
    for earlier in noted:
        if earlier is not event:
            # Of one time, by which it is found again where the correction is taken back.
            earlier.set_aside_at = event.entered_at
            audit.append(session, "event.undo", earlier.id, by, kind=earlier.kind)
    for found in pressing_since_birth(woman, protocol, elevation_m):
        refer(session, woman, found.point, found.urgent, by, found.purpose)
    return event


def _tell_weeks_before(woman: Woman, birth_on: dt.date) -> None:
    """Weeks told since a birth that is noted late were told before it: they began as they did.

    Told after it they would contradict it, as where another register did not know of it.
    """
    told, start = woman.gestation_on, gestation_start(woman.gestation_weeks, woman.gestation_on)
    if told is not None and start is not None and told > birth_on >= start:
        woman.gestation_weeks = (birth_on - start).days // 7
        woman.gestation_on = start + dt.timedelta(weeks=woman.gestation_weeks)


def births_of_pregnancy(woman: Woman) -> list[Event]:
    """What is noted of this pregnancy's birth, by several registers perhaps more than once.

    A birth from before her weeks began, or from before her record was opened for another
    pregnancy, is of an earlier one; that which her record shows is of this.
    """
    start = gestation_start(woman.gestation_weeks, woman.gestation_on)
    opened = [e.entered_at for e in standing_events(woman, EventKind.REOPENED)]
    return [
        e
        for e in standing_events(woman, EventKind.BIRTH)
        if (e.on, e.choice) == (woman.birth_on, woman.birth_outcome)
        or (e.on >= start if start is not None else not opened or e.entered_at > max(opened))
    ]


def is_of_another(birth: Event, on: dt.date, rules: FollowUpRules) -> bool:
    """Whether a birth on a day can't be the one noted, nor a correction of it.

    It is so much later, than that day and than the entry, that a pregnancy lies between; and
    later than hers can last by the weeks told, where they are known.
    """
    between = dt.timedelta(weeks=rules.birth_weeks[0])
    start = gestation_start(birth.woman.gestation_weeks, birth.woman.gestation_on)
    if start is not None and on - start <= dt.timedelta(weeks=rules.birth_weeks[1] + 1):
        return False
    return on - max(birth.on, local_day(birth.entered_at)) >= between


def take_birth_back(session: Session, event: Event, by: str | None) -> None:
    """A birth that was set aside was none; what it had corrected holds again."""
    woman = event.woman
    for earlier in woman.events:
        if earlier.kind == EventKind.BIRTH and earlier.set_aside_at == event.entered_at:
            earlier.set_aside_at = None
            audit.append(session, "event.restore", earlier.id, by, kind=earlier.kind)
    births = births_of_pregnancy(woman)
    woman.birth_on = births[-1].on if births else None
    woman.birth_outcome = births[-1].choice if births else None


def _odd_week(woman: Woman, outcome: BirthOutcome, on: dt.date, rules: FollowUpRules) -> int | None:
    """The week of pregnancy of a birth, where it is none for it; None also if not known."""
    start = gestation_start(woman.gestation_weeks, woman.gestation_on)
    if start is None or outcome is BirthOutcome.NOT_KNOWN:
        return None
    week = (on - start).days // 7
    first, last = rules.loss_weeks if outcome is BirthOutcome.LOSS else rules.birth_weeks
    return None if first <= week <= last else week
