"""Random histories of a register: what workers do in any order, invented."""

from __future__ import annotations

import datetime as dt
import hashlib
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from uuid import uuid4

from builders import NOBODY, PROTOCOL, add_woman, combine, facts, lab, photo, refused
from hypothesis import strategies as st
from sqlalchemy import select
from sqlalchemy.orm import Session

from cardreader.core.shipped import shipped
from cardreader.hb.container import load_calibration
from cardreader.register import calibrations, closing, recording, settingaside, visits, women
from cardreader.register.base import local_day, utc_now
from cardreader.register.births import note_birth
from cardreader.register.calibrations import BusyError
from cardreader.register.kinds import BirthOutcome, ReferralOutcome, Regimen
from cardreader.register.knownby import mend_code
from cardreader.register.merge.following import Judge
from cardreader.register.merge.joining import join_two, part
from cardreader.register.mergemodels import Joining
from cardreader.register.models import Event, JudgedAgain, Reading, Visit, Woman
from cardreader.register.openreferrals import TELLABLE, open_referrals
from cardreader.register.paper import set_paper
from cardreader.register.phoneclock import taken_at
from cardreader.register.referrals import send_for_test, tell_outcome
from cardreader.register.removal import Removed, remove_woman
from cardreader.register.tablets import count_tablets, give_tablets
from cardreader.register.undoing import UNDOABLE, undo_event

CODES = ("KX-1", "KX-2", "KX-3")
Step = Callable[[Session], object]


def _woman(session: Session, code: str) -> Woman:
    found = women.find_woman(session, code)
    return add_woman(session, code, days_ago=30) if found is None else found


def _open_visit(code: str) -> Step:
    return lambda s: visits.open_visit(s, _woman(s, code), 1, local_day(utc_now()), None)


def _photo(code: str, hb_g_dl: float, days_ago: int) -> Step:
    return lambda s: photo(s, _woman(s, code), facts(hb_g_dl), days_ago, number=days_ago + 1)


def _refused(code: str, reason: str, days_ago: int) -> Step:
    return lambda s: photo(s, _woman(s, code), refused(reason), days_ago, number=days_ago + 1)


def _lab(code: str, hb_g_dl: float, days_ago: int) -> Step:
    return lambda s: lab(s, _woman(s, code), hb_g_dl, days_ago, sure=True)


def _set_aside(nth: int) -> Step:
    def step(session: Session) -> None:
        good = session.scalars(select(Reading).where(Reading.set_aside_at.is_(None))).all()
        if good:
            settingaside.set_aside(session, good[nth % len(good)], "slip", None, combine, NOBODY)

    return step


def _treat(code: str, regimen: Regimen) -> Step:
    return lambda s: women.start_treatment(s, _woman(s, code), regimen, local_day(utc_now()), None)


def _close(code: str, reason: women.Closing) -> Step:
    return lambda s: closing.close_woman(
        s, _woman(s, code), reason, local_day(utc_now()), None, "gone", sure=True
    )


def _reopen(code: str) -> Step:
    def step(session: Session) -> None:
        woman = _woman(session, code)
        if woman.closed_on is not None:
            closing.reopen_woman(session, woman, local_day(utc_now()), None)

    return step


def _outcome(code: str, outcome: ReferralOutcome) -> Step:
    def step(session: Session) -> None:
        for referral in open_referrals(_woman(session, code))[:1]:
            tell_outcome(
                session, referral, outcome, local_day(utc_now()), None, PROTOCOL.follow_up, "said"
            )

    return step


def _birth(code: str, outcome: BirthOutcome) -> Step:
    return lambda s: note_birth(
        s, _woman(s, code), outcome, local_day(utc_now()), None, PROTOCOL, sure=True
    )


def _send(code: str, urgent: bool) -> Step:
    return lambda s: send_for_test(s, _woman(s, code), utc_now(), urgent, None)


def _tablets(code: str, amount: int) -> Step:
    return lambda s: give_tablets(s, _woman(s, code), amount, local_day(utc_now()), None)


def _tablets_left(code: str, amount: int) -> Step:
    return lambda s: count_tablets(s, _woman(s, code), amount, local_day(utc_now()), None)


def _end_treatment(code: str) -> Step:
    return lambda s: women.end_treatment(s, _woman(s, code), local_day(utc_now()), None)


def _undo(nth: int) -> Step:
    def step(session: Session) -> None:
        events = session.scalars(select(Event).where(Event.set_aside_at.is_(None))).all()
        undoable = [event for event in events if event.kind in UNDOABLE]
        if undoable:
            undo_event(session, undoable[nth % len(undoable)], None)

    return step


def _late_photo(code: str, hb_g_dl: float, days_slow: int) -> Step:
    """A photo by a phone whose clock is some days slow."""

    def step(session: Session) -> None:
        woman, now = _woman(session, code), utc_now()
        visit = visits.open_visit(session, woman, 1, local_day(now), None)
        slow = now - dt.timedelta(days=days_slow)
        recording.record_photo(
            *(session, visit, f"late-{woman.code}-{uuid4().hex}", facts(hb_g_dl)),
            *(taken_at(slow, slow if days_slow % 2 else None, now), None, combine, NOBODY),
        )

    return step


def _calibration(problem: str) -> Step:
    def step(session: Session) -> None:
        with suppress(BusyError):
            row = calibrations.begin(session, "invented", None, 3)
            calibrations.fail(session, row.id, problem)

    return step


def _in_use(nth: int) -> Step:
    """A calibration put into use, or the one before again, and a visit judged otherwise by it."""

    def step(session: Session) -> None:
        given = load_calibration(shipped("worlds"))
        if nth % 2:
            row = calibrations.begin(session, f"invented {nth}", None, 3)
            calibrations.finish(session, row.id, calibrations.Made(given, {"women": nth}, "<p>"))
            use = calibrations.put_into_use(session, row, "invented", None)
        elif calibrations.in_use(session) is None:
            return
        else:
            use = calibrations.go_back(session, "invented", None)
        for visit in session.scalars(select(Visit)).all()[:nth]:
            session.add(
                JudgedAgain(
                    **{"use_id": use.id, "visit_id": visit.id},
                    **{"at": utc_now(), "was": "anaemic", "outcome": "severe"},
                    **{"may_be_severe": bool(nth % 3), "hb_g_dl": 6.5 if nth % 3 else None},
                )
            )

    return step


def _join(nth: int):
    def step(session) -> None:
        found = session.scalars(select(Woman).order_by(Woman.id)).all()
        if len(found) > 1:
            one, other = found[nth % len(found)], found[(nth + 1) % len(found)]
            join_two(session, one.id, other.id, None, Judge(combine) if nth % 3 else None)

    return step


def _part(nth: int):
    def step(session) -> None:
        standing = session.scalars(select(Joining).where(Joining.parted_at.is_(None))).all()
        if standing:
            part(session, standing[nth % len(standing)], None, Judge(combine) if nth % 3 else None)

    return step


def _remove(nth: int) -> Callable[[Session], Removed | None]:
    """What lies outside the database is left to whoever does it."""

    def step(session: Session) -> Removed | None:
        found = session.scalars(select(Woman).order_by(Woman.id)).all()
        return remove_woman(session, found[nth % len(found)], None) if found else None

    return step


def _field(nth: int, weeks: int) -> object:
    def step(session) -> None:
        found = session.scalars(select(Woman).order_by(Woman.id)).all()
        if found:
            her = found[nth % len(found)]
            women.set_gestation(session, her, weeks, local_day(utc_now()), None)
            if weeks % 3 == 0:
                mend = f"KX-{weeks % 4}"
                if women.find_woman(session, mend) is None:
                    mend_code(session, her, mend, local_day(utc_now()), None)

    return step


def _paper(name: str) -> Step:
    return lambda s: set_paper(s, name, None)


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
    st.builds(_reopen, _codes),
    st.builds(_outcome, _codes, st.sampled_from(TELLABLE)),
    st.builds(_birth, _codes, st.sampled_from(BirthOutcome)),
    st.builds(_tablets, _codes, st.integers(0, 100)),
    st.builds(_tablets_left, _codes, st.integers(0, 100)),
    st.builds(_end_treatment, _codes),
    st.builds(_undo, st.integers(0, 9)),
    st.builds(_send, _codes, st.booleans()),
    st.builds(_late_photo, _codes, _values, _days),
    st.builds(_calibration, st.sampled_from(("no pair", "x" * 500))),
    st.builds(_in_use, st.integers(0, 3)),
    st.builds(_paper, st.sampled_from(("B-1", "B-2"))),
)
"""One thing that somebody does; each is given a session."""


@dataclass(frozen=True)
class KeptPhoto:
    """A photo of today whose file is kept by the register that it was sent to."""

    code: str
    hb_g_dl: float
    content: bytes = field(default_factory=lambda: uuid4().bytes * 40)

    def enter(self, session: Session, file: str) -> None:
        sha = hashlib.sha256(self.content).hexdigest()
        woman = _woman(session, self.code)
        photo(session, woman, facts(self.hb_g_dl, sha=sha), 0).photo_file = file


@dataclass(frozen=True)
class NewCalibration:
    """A calibration that comes into use, by which everything kept is judged again."""

    less_g_dl: float

    def put(self, session: Session) -> str:
        row = calibrations.begin(session, f"invented {uuid4().hex}", None, 3)
        given = load_calibration(shipped("worlds"))
        calibrations.finish(session, row.id, calibrations.Made(given, {"women": 3}, "<p>"))
        return calibrations.put_into_use(session, row, "invented", None).id


_nth = st.integers(0, 5)
kept_photos = st.builds(KeptPhoto, _codes, _values)
joinings = st.one_of(st.builds(_join, _nth), st.builds(_join, _nth), st.builds(_part, _nth))
new_calibrations = st.builds(NewCalibration, st.sampled_from((0.5, 1.5, 3.0)))
anything = st.one_of(
    *[steps] * 4,
    *[st.builds(_field, _nth, st.integers(10, 30))] * 2,
    st.builds(_join, _nth),
    st.builds(_part, _nth),
    st.builds(_remove, _nth),
)
"""Also what makes of two records one, or ends one."""

seen_today = [st.builds(_photo, _codes, _values, st.just(0)) for _ in range(6)]
"""Photos of today: where several registers take them, they are of one visit."""

_two = st.sampled_from(CODES[:2])
one_day = st.one_of(
    # Strategies of their own: of one and the same only the first would count.
    *(st.builds(_photo, _two, st.floats(8.8, 13.0), st.just(0)) for _ in range(8)),
    st.builds(_photo, _two, st.floats(4.0, 7.0), st.just(0)),
    st.builds(_refused, _two, st.sampled_from(("blurred", "out_of_range")), st.just(0)),
    st.builds(_open_visit, _two),
    st.builds(_set_aside, st.integers(0, 9)),
    st.builds(_join, _nth),
    st.builds(_part, _nth),
)
"""What may come to one visit of today, or part it, of two women."""


one_severe = [(1, _photo(CODES[0], 5.0, 0)), (2, _photo(CODES[0], 12.0, 0))]
"""Two registers see one of them today, and together the blots would hide what one says."""


def two_women(session: Session) -> None:
    """Enter those two."""
    for code in CODES[:2]:
        _woman(session, code)
