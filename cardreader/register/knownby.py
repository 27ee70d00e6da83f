"""What a woman is found by: her code, and the village she was seen in.

A code that was mistyped is mended, and the former one stays with her record: found
under either, it goes when the record is deleted. The trail notes that and by whom a
code was mended, and holds no code itself.
"""

from __future__ import annotations

import datetime as dt

from sqlalchemy.orm import Session

from cardreader.register.events import note, standing_events
from cardreader.register.kinds import EventKind
from cardreader.register.models import Woman
from cardreader.register.women import clean_code, find_woman


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


def set_village(session: Session, woman: Woman, village: str, on: dt.date, by: str | None) -> None:
    """Note the village or session place she is seen in; the last one noted counts."""
    if village and village != village_of(woman):
        note(session, woman, EventKind.VILLAGE, on, by, words=village)


def village_of(woman: Woman) -> str:
    """The village noted last; empty when none was."""
    noted = standing_events(woman, EventKind.VILLAGE)
    return (noted[-1].words or "") if noted else ""
