"""What is said of a day whose readings lie off those before, and what to do."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from sqlalchemy.orm import object_session

from cardreader.decide.rule import Outcome
from cardreader.decide.statements import TEXT, Statement
from cardreader.register.base import local_day
from cardreader.register.blots import decision_of
from cardreader.register.daydoubt import calls_her_well, doubted_days
from cardreader.register.dayshift import DayShift, day_shift
from cardreader.register.history import Measurement
from cardreader.register.kinds import Source
from cardreader.register.models import Reading, Woman
from cardreader.web import texts
from cardreader.web.resultview import ResultView
from cardreader.web.texts import gettext as _
from cardreader.web.texts import mark
from cardreader.web.words import outcome_words

IN_DOUBT = mark("Uncertain: all readings of this day lie too high.")


@dataclass(frozen=True)
class DayOff:
    """What is found and what follows from it, in the visitor's language; ``day`` in ISO 8601."""

    found: str
    follows: str
    day: str


def shift_of_its_day(reading: Reading) -> DayShift | None:
    """Of the day of a reading; None where nothing is off, and for what no photo told."""
    session = object_session(reading)
    if session is None or reading.hb_g_dl is None or reading.source != Source.PHOTO:
        return None
    return day_shift(session, local_day(reading.taken_at))


def in_doubt(reading: Reading, shift: DayShift | None) -> bool:
    """Whether a reading is an all-clear of a day on which all readings lie too high."""
    too_high = shift is not None and shift.too_high
    said = Outcome(decision_of(reading)["outcome"])
    return too_high and said is Outcome.NOT_ANAEMIC and reading.source != Source.LAB


def day_off(shift: DayShift | None) -> DayOff | None:
    """The words; None where nothing is off."""
    if shift is None:
        return None
    facts = {
        "day": texts.day(shift.on),
        "by": texts.number(abs(shift.shift_g_dl)),
        "women": shift.women,
    }
    if shift.too_high:
        found = _("Readings of %(day)s lie about %(by)s g/dL higher than before (%(women)s women).")
        follows = _(
            "If blotting paper, card or drops have changed, or blots were damp, severe anaemia "
            "is missed. Find the cause, and send the women of that day for a blood test until "
            "it is found."
        )
    else:
        found = _("Readings of %(day)s lie about %(by)s g/dL lower than before (%(women)s women).")
        follows = _(
            "If blotting paper, card or drops have changed, or blood was thinned, women are sent "
            "on who need not be. Find the cause before more are read, and send on who was to be "
            "sent."
        )
    return DayOff(found % facts, follows, shift.on.isoformat())


def said_by_points(woman: Woman, points: Sequence[Measurement]) -> list[str]:
    """What her values say, in English, one by one: no photo of such a day calls her well."""
    days = doubted_days(woman, points)
    return [
        IN_DOUBT
        if calls_her_well(p) and p.day in days
        else outcome_words(p.outcome, p.source, p.may_be_severe)
        for p in points
    ]


def doubted(view: ResultView) -> ResultView:
    """A result that is `in_doubt`, without its all-clear."""
    return replace(
        view,
        outcome=Outcome.UNCERTAIN,
        headline=IN_DOUBT,
        short=IN_DOUBT,
        actions=tuple(TEXT[s] for s in (Statement.CONFIRM_AT_FACILITY, Statement.DANGER_SIGNS)),
        usual_care=(),
        to_confirm=True,
    )
