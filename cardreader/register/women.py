"""Adding, finding and closing women, by pseudonymous code."""

from __future__ import annotations

import datetime as dt
import re
from enum import StrEnum

from sqlalchemy import bindparam, select
from sqlalchemy.orm import Session

from cardreader.core.written import as_line, ascii_dashes, ascii_digits
from cardreader.decide.subject import Smoking
from cardreader.register import audit
from cardreader.register.kinds import Regimen
from cardreader.register.mergemodels import JoinedAway
from cardreader.register.models import Treatment, Woman

CODE = re.compile(r"[A-Z0-9][A-Z0-9/-]{1,22}[A-Z0-9]")
GESTATION_WEEKS = (1, 44)
# Made once: each photo, page and entry asks it.
_BY_CODE = select(Woman).where(Woman.code == bindparam("code"))
_BY_CODE_JOINED_AWAY = select(Woman).where(
    Woman.id.in_(select(JoinedAway.into_id).where(JoinedAway.code == bindparam("code")))
)


class Closing(StrEnum):
    """Why a woman is no longer followed here."""

    DELIVERED = "delivered"
    MOVED = "moved"
    TRANSFERRED = "transferred"
    DIED = "died"
    OTHER = "other"


def clean_code(text: str) -> str:
    """Code as it is kept: capitals, no spaces, digits 0 to 9. ValueError when it isn't one.

    Three to 24 of A-Z, 0-9, ``/`` and ``-``: too little for a name and a surname,
    enough for the numbers that registers use.
    """
    code = written_as_code(text)
    if not CODE.fullmatch(code):
        raise ValueError("a code has 3 to 24 letters A to Z, digits, '-' or '/'")
    return code


def written_as_code(text: str) -> str:
    """What was typed of a code, or of a part of one, as codes are kept."""
    seen = re.sub(r"[\s\u200c-\u200f]+", "", as_line(text))
    return ascii_dashes(ascii_digits(seen)).upper()


def find_woman(session: Session, code: str) -> Woman | None:
    """The woman with that code, or None; also None for what can't be a code.

    The code of a record that is joined into another leads to the one that is shown.
    """
    try:
        code = clean_code(code)
    except ValueError:
        return None
    found = session.scalars(_BY_CODE, {"code": code}).first()
    return found or session.scalars(_BY_CODE_JOINED_AWAY, {"code": code}).first()


def written_alike(session: Session, code: str) -> Woman | None:
    """A woman whose code is the same but for dashes, slashes, leading zeros and letters that look
    like a digit beside one, or None.

    Two such codes may be two women's, and mostly are one woman's, whose history would lie in two
    records.
    """
    keys = _keys(clean_code(code))
    for woman_id, other in session.execute(select(Woman.id, Woman.code).order_by(Woman.code)):
        if other != code and not keys.isdisjoint(_keys(other)):
            return session.get(Woman, woman_id)
    return None


def _keys(code: str) -> set[str]:
    """What codes that are written alike have in common: the letter O may be meant for a zero."""
    meant = re.sub(r"(?<=\d)[OIL]|[OIL](?=[OIL]*\d)", lambda one: _MEANT[one[0]], code)
    return {_without_marks(code), _without_marks(meant)}


_MEANT = {"O": "0", "I": "1", "L": "1"}


def _without_marks(code: str) -> str:
    """A code without what comes and goes in writing; a mark between digits parts two numbers."""
    one = re.sub(r"(?<!\d)[/-]+|[/-]+(?!\d)", "", code.replace("/", "-"))
    return re.sub(r"(?<!\d)0+(?=\d)", "", one)


def add_woman(
    session: Session,
    code: str,
    gestation_weeks: int | None,
    on: dt.date,
    by: str | None,
    smoking: Smoking | None = None,
) -> Woman:
    """Add a woman; ValueError when the code is taken or is none."""
    code = clean_code(code)
    if find_woman(session, code) is not None:
        raise ValueError("this code is taken")
    woman = Woman(
        code=code,
        gestation_weeks=gestation_weeks,
        gestation_on=None if gestation_weeks is None else on,
        smoking=None if smoking is None else Smoking(smoking).value,
        added_by=by,
    )
    session.add(woman)
    session.flush()
    audit.append(session, "woman.add", woman.id, by)
    return woman


def set_gestation(session: Session, woman: Woman, weeks: int, on: dt.date, by: str | None) -> None:
    """Note the weeks of gestation as told on a day."""
    woman.gestation_weeks, woman.gestation_on = weeks, on
    audit.append(session, "woman.gestation", woman.id, by)


def start_treatment(
    session: Session, woman: Woman, regimen: Regimen, on: dt.date, by: str | None
) -> Treatment:
    """Note a regimen that the facility prescribed; it ends the one before.

    One that is noted late ends with the next: what was prescribed later goes on.
    """
    for same in woman.treatments:
        if (same.regimen, same.started_on, same.ended_on) == (Regimen(regimen).value, on, None):
            return same  # the form sent twice
    later = [t.started_on for t in woman.treatments if t.started_on > on]
    for earlier in woman.treatments:
        if earlier.ended_on is None and earlier.started_on <= on:
            earlier.ended_on = on
    treatment = Treatment(
        regimen=Regimen(regimen).value, started_on=on, ended_on=min(later, default=None)
    )
    woman.treatments.append(treatment)
    session.flush()
    audit.append(session, "treatment.start", woman.id, by, regimen=treatment.regimen)
    return treatment


def running_treatment(woman: Woman) -> Treatment | None:
    """What she takes now, or None. Records of two registers may bring two: then the newest."""
    return next(iter(running_treatments(woman)), None)


def running_treatments(woman: Woman) -> list[Treatment]:
    """All regimens that go on, the newest first: more than one is to be asked about."""
    return [t for t in reversed(woman.treatments) if t.ended_on is None]


def end_treatment(session: Session, woman: Woman, on: dt.date, by: str | None) -> None:
    """Note that she takes no tablets any more."""
    for running in woman.treatments:
        if running.ended_on is None:
            running.ended_on = max(on, running.started_on)
            audit.append(session, "treatment.end", woman.id, by)
