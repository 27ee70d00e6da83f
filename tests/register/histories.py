"""Random histories of a register: what workers do in any order, invented."""

from __future__ import annotations

from collections.abc import Callable

from builders import NOBODY, add_woman, combine, facts, lab, photo, refused
from hypothesis import strategies as st
from sqlalchemy import select
from sqlalchemy.orm import Session

from cardreader.register import recording, women
from cardreader.register.models import Reading, Regimen, Woman, local_day, utc_now

CODES = ("KX-1", "KX-2", "KX-3")
Step = Callable[[Session], object]


def _woman(session: Session, code: str) -> Woman:
    found = women.find_woman(session, code)
    return add_woman(session, code, days_ago=30) if found is None else found


def _open_visit(code: str) -> Step:
    return lambda s: recording.open_visit(s, _woman(s, code), 1, local_day(utc_now()), None)


def _photo(code: str, hb_g_dl: float, days_ago: int) -> Step:
    return lambda s: photo(s, _woman(s, code), facts(hb_g_dl), days_ago, number=days_ago + 1)


def _refused(code: str, reason: str, days_ago: int) -> Step:
    return lambda s: photo(s, _woman(s, code), refused(reason), days_ago, number=days_ago + 1)


def _lab(code: str, hb_g_dl: float, days_ago: int) -> Step:
    return lambda s: lab(s, _woman(s, code), hb_g_dl, days_ago)


def _set_aside(nth: int) -> Step:
    def step(session: Session) -> None:
        good = session.scalars(select(Reading).where(Reading.set_aside_at.is_(None))).all()
        if good:
            recording.set_aside(session, good[nth % len(good)], "slip", None, combine, NOBODY)

    return step


def _treat(code: str, regimen: Regimen) -> Step:
    return lambda s: women.start_treatment(s, _woman(s, code), regimen, local_day(utc_now()), None)


def _close(code: str, reason: women.Closing) -> Step:
    return lambda s: women.close_woman(s, _woman(s, code), reason, local_day(utc_now()), None)


_codes = st.sampled_from(CODES)
_values = st.floats(3.0, 16.0).map(lambda v: round(v, 3))
_days = st.integers(0, 4)

steps = st.one_of(
    st.builds(_open_visit, _codes),
    st.builds(_photo, _codes, _values, _days),
    st.builds(_refused, _codes, st.sampled_from(("blurred", "out_of_range")), _days),
    st.builds(_lab, _codes, _values, _days),
    st.builds(_set_aside, st.integers(0, 9)),
    st.builds(_treat, _codes, st.sampled_from(Regimen)),
    st.builds(_close, _codes, st.sampled_from(women.Closing)),
)
"""One thing that somebody does; each is given a session."""
