"""What is said of a day whose readings lie off those before, and what to do."""

from __future__ import annotations

from dataclasses import dataclass, replace

from sqlalchemy.orm import object_session

from cardreader.decide.rule import Outcome
from cardreader.decide.statements import TEXT, Statement
from cardreader.register.base import local_day
from cardreader.register.blots import decision_of
from cardreader.register.dayshift import DayShift, day_shift
from cardreader.register.kinds import Source
from cardreader.register.models import Reading
from cardreader.web import texts
from cardreader.web.resultview import ResultView
from cardreader.web.texts import gettext as _
from cardreader.web.texts import mark

IN_DOUBT = mark("Uncertain: all readings of this day lie too high.")


@dataclass(frozen=True)
class DayOff:
    """What is found and what follows from it, in the visitor's language; ``day`` in ISO 8601."""

    found: str
    follows: str
    day: str


def day_off(shift: DayShift | None) -> DayOff | None:
    """The words; None where nothing is off."""
    if shift is None:
        return None
    facts = {
        "day": texts.day(shift.on),
        "by": texts.number(abs(shift.shift_g_dl)),
        "women": shift.women,
    }
    if shift.shift_g_dl > 0:
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


def in_doubt(reading: Reading) -> bool:
    """Whether a photo calls her well on a day whose readings lie too high."""
    session = object_session(reading)
    if session is None or reading.source != Source.PHOTO or reading.hb_g_dl is None:
        return False
    if Outcome(decision_of(reading)["outcome"]) is not Outcome.NOT_ANAEMIC:
        return False
    shift = day_shift(session, local_day(reading.taken_at))
    return shift is not None and shift.shift_g_dl > 0


def doubted(view: ResultView, shift: DayShift | None) -> ResultView:
    """A result without its all-clear, where all readings of its day lie too high."""
    too_high = shift is not None and shift.shift_g_dl > 0
    if not too_high or view.outcome is not Outcome.NOT_ANAEMIC or not view.screening:
        return view
    return replace(
        view,
        outcome=Outcome.UNCERTAIN,
        headline=IN_DOUBT,
        short=IN_DOUBT,
        actions=tuple(TEXT[s] for s in (Statement.CONFIRM_AT_FACILITY, Statement.DANGER_SIGNS)),
        usual_care=(),
        to_confirm=True,
    )
