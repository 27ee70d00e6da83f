"""Taking in a value that was read elsewhere: on the tube, or by a laboratory.

The pages and the API both enter it here; `photos` does the same for a photo.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable

from sqlalchemy.orm import Session

from cardreader.register.base import utc_now
from cardreader.register.doubt import refer_if_result_doubted
from cardreader.register.entrylimits import may_be_dated
from cardreader.register.history import point_of
from cardreader.register.models import Reading, Visit, Woman
from cardreader.register.recording import on_day, record_lab, record_tube, subject_of
from cardreader.register.submissions import find_submission
from cardreader.register.tube import TubeUnit
from cardreader.web.state import State


def enter_tube(
    state: State,
    session: Session,
    woman: Woman,
    key: str,
    value: float,
    unit: TubeUnit,
    by: str,
    on: dt.date | None = None,
    visit: Visit | None = None,
    sure: bool = False,
) -> Reading:
    """Enter a tube reading of now, or of a day written on paper.

    ``value`` is in the unit of the scale that was read. DoubtfulError when it is asked about
    first, unless ``sure``.
    """
    today = state.today()
    subject = subject_of(woman, on or today, state.settings.elevation_m)
    at = utc_now() if on is None else on_day(on, today)
    given = (value, unit, at, by, state.reader.rules, subject, visit, sure)
    return _entered(state, session, key, by, lambda: record_tube(session, woman, key, *given))


def enter_lab(
    state: State,
    session: Session,
    woman: Woman,
    key: str,
    hb_g_dl: float,
    method: str,
    place: str,
    on: dt.date,
    by: str,
    sure: bool = False,
) -> Reading:
    """Enter a laboratory result of a day; it closes her open referral.

    DoubtfulError when it is asked about first, unless ``sure``.
    """
    today = state.today()
    if not may_be_dated(on, today):
        raise ValueError(f"a result of {on} can't be entered on {today}")
    subject = subject_of(woman, on, state.settings.elevation_m)
    at = on_day(on, today)
    given = (hb_g_dl, method, place, at, by, state.reader.rules, subject, sure)
    return _entered(state, session, key, by, lambda: record_lab(session, woman, key, *given))


def _entered(
    state: State, session: Session, key: str, by: str, record: Callable[[], Reading]
) -> Reading:
    """What ``record`` enters, or has entered before under this key.

    A new value that comes in behind a better result opens a referral: in their order that result
    would have been asked about.
    """
    new = find_submission(session, key) is None
    reading = record()
    if new:
        refer_if_result_doubted(session, reading.woman, point_of(reading), state.rules, by)
    return reading
