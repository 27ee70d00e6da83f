"""What a woman is found by: her code, and the village she was seen in.

A code that was mistyped is mended, and the former one stays with her record: found
under either, it goes when the record is deleted. The trail notes that and by whom a
code was mended, and holds no code itself.
"""

from __future__ import annotations

import datetime as dt

from sqlalchemy import select
from sqlalchemy.orm import Session

from cardreader.register.events import note, standing_events
from cardreader.register.kinds import EventKind
from cardreader.register.models import Event, Woman
from cardreader.register.women import clean_code, find_woman, written_alike


class DoubtedCodeError(Exception):
    """A photo that waited under a code may be another woman's than she who would get it.

    ``code`` is what it waited under, ``other`` the code of the woman who may be meant;
    ``changed``: she had the code when the photo was taken, and somebody else has it now. Else
    nobody has it, and hers is written almost alike.
    """

    def __init__(self, code: str, other: str, changed: bool) -> None:
        super().__init__(f"{code} may be meant for {other}")
        self.code, self.other, self.changed = code, other, changed


class DoubtedWeeksError(Exception):
    """Weeks told with a photo that waited are far from hers who has its code: another's, perhaps.

    ``known`` and ``told``: completed weeks on the day of the photo.
    """

    def __init__(self, code: str, known: int, told: int) -> None:
        super().__init__(f"{code} is in week {known}, and {told} was told")
        self.code, self.known, self.told = code, known, told


def mend_code(session: Session, woman: Woman, code: str, on: dt.date, by: str | None) -> None:
    """Give her the code that was meant; ValueError when it is none, or another woman's."""
    code = clean_code(code)
    if code == woman.code:
        return
    known = find_woman(session, code)
    if known is not None and known is not woman:
        raise ValueError("this code is taken")
    note(session, woman, EventKind.CODE_MENDED, on, by, words=woman.code)
    woman.code = code
    session.flush()


def woman_meant(session: Session, code: str, at: dt.datetime, sure: bool) -> Woman | None:
    """The woman of a code that a photo of a time waited under; None where nobody has it.

    The phone had no register to look it up in. So what a page asks before it makes a second
    record of one woman is asked when the photo comes in, and so is a code that has another
    bearer since: DoubtedCodeError for either, unless ``sure``.
    """
    woman, then = find_woman(session, code), called_then(session, code, at)
    if woman is None and then is not None:
        return then
    other = then if woman is not None else written_alike(session, code)
    if other is not None and other is not woman and not sure:
        raise DoubtedCodeError(clean_code(code), other.code, woman is not None)
    return woman


def called_then(session: Session, code: str, at: dt.datetime) -> Woman | None:
    """The one woman whose code was this at a time, and was mended since; None where it isn't one.

    A photo may have waited on a phone meanwhile, under the code that was typed then.
    """
    mended = select(Event.woman_id).where(
        Event.kind == EventKind.CODE_MENDED.value,
        Event.words == clean_code(code),
        Event.entered_at > at,
        Event.set_aside_at.is_(None),
    )
    found = session.scalars(select(Woman).where(Woman.id.in_(mended))).all()
    return found[0] if len(found) == 1 else None


def set_village(session: Session, woman: Woman, village: str, on: dt.date, by: str | None) -> None:
    """Note the village or session place she is seen in; the last one noted counts."""
    if village and village != village_of(woman):
        note(session, woman, EventKind.VILLAGE, on, by, words=village)


def village_of(woman: Woman) -> str:
    """The village noted last; empty when none was."""
    noted = standing_events(woman, EventKind.VILLAGE)
    return (noted[-1].words or "") if noted else ""
