"""What registers differ over, in words: the field, and each of its values."""

from __future__ import annotations

import datetime as dt
from typing import Any

from cardreader.decide.subject import Smoking
from cardreader.register.kinds import BirthOutcome, ReferralOutcome, Regimen
from cardreader.register.merge.conflicts import Conflict
from cardreader.register.merge.contradictions import Contradiction
from cardreader.register.merge.store import utc
from cardreader.register.women import Closing
from cardreader.web import texts, words
from cardreader.web.texts import gettext as _
from cardreader.web.texts import mark

_FIELDS = {
    ("woman", "code"): mark("Her code in your register"),
    ("woman", "gestation"): mark("Weeks of pregnancy"),
    ("woman", "smoking"): mark("Smoking"),
    ("woman", "closing"): mark("Whether she is followed"),
    ("woman", "birth"): mark("Birth"),
    ("referral", "closing"): mark("What became of her referral"),
    ("treatment", "regimen"): mark("Iron-folic acid"),
}


_CONTRADICTED = {
    Contradiction.PREGNANCY: mark("Her pregnancy"),
    Contradiction.CLOSING: mark("Whether she is followed"),
    Contradiction.SMOKING: mark("Smoking"),
}


def said_in(kind: Contradiction) -> str:
    """What records contradict each other in."""
    return _(_CONTRADICTED[kind])


def choice_words(kind: Contradiction, value: dict[str, Any]) -> str:
    """What one of the records says of it."""
    match kind:
        case Contradiction.CLOSING:
            return _closing(value)
        case Contradiction.SMOKING:
            return _(words.SMOKING[Smoking(value["smoking"])])
    weeks = _gestation(value)
    if value["birth_on"] is None:
        return weeks
    return _birth(value) if value["gestation_weeks"] is None else f"{_birth(value)} {weeks}"


def field_words(conflict: Conflict) -> str:
    """What the values are of."""
    known = _FIELDS.get((conflict.table, conflict.field))
    return f"{conflict.table}: {conflict.field}" if known is None else _(known)


def value_words(conflict: Conflict, value: dict[str, Any]) -> str:
    """What one of the values says."""
    match conflict.table, conflict.field:
        case "woman", "gestation":
            return _gestation(value)
        case "woman", "smoking":
            found = value["smoking"]
            return _("Not known") if found is None else _(words.SMOKING[Smoking(found)])
        case "woman", "closing":
            return _closing(value)
        case "woman", "birth":
            return _birth(value)
        case "referral", "closing":
            return _referral(value)
        case "treatment", "regimen":
            return _(words.REGIMENS[Regimen(value["regimen"])])
    return ", ".join(_("Not known") if v is None else str(v) for v in value.values())


def _gestation(value: dict[str, Any]) -> str:
    if value["gestation_weeks"] is None:
        return _("Weeks of pregnancy not known.")
    day = "" if value["gestation_on"] is None else texts.day(_date(value["gestation_on"]))
    return _("Week %(weeks)s on %(day)s") % {"weeks": value["gestation_weeks"], "day": day}


def _closing(value: dict[str, Any]) -> str:
    if value["closed_on"] is None:
        return _("She is followed here.")
    closed = _("Closed on %(day)s.") % {"day": texts.day(_date(value["closed_on"]))}
    reason = value["closed_reason"]
    return closed if reason is None else f"{closed} {_(words.CLOSINGS[Closing(reason)])}"


def _birth(value: dict[str, Any]) -> str:
    if value["birth_on"] is None:
        return _("No birth noted")
    born = _("Gave birth on %(day)s.") % {"day": texts.day(_date(value["birth_on"]))}
    outcome = value["birth_outcome"]
    return born if outcome is None else f"{born} {_(words.BIRTHS[BirthOutcome(outcome)])}"


def _referral(value: dict[str, Any]) -> str:
    outcome = value["outcome"]
    told = "" if outcome is None else _(words.REFERRAL_OUTCOMES[ReferralOutcome(outcome)])
    closed = utc(value["closed_at"])
    if closed is None:
        return f"{_('Referral open')}. {told}".strip()
    return f"{told} ({texts.moment(closed)})"


def _date(text: str) -> dt.date:
    return dt.date.fromisoformat(text)
