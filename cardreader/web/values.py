"""Taking in a value that was read elsewhere: on the tube, or by a laboratory.

The pages and the API both enter it here; `photos` does the same for a photo.
"""

from __future__ import annotations

import datetime as dt

from sqlalchemy.orm import Session

from cardreader.register.base import utc_now
from cardreader.register.doubt import refer_if_result_doubted
from cardreader.register.history import point_of
from cardreader.register.models import Reading, Visit, Woman
from cardreader.register.recording import on_day, record_lab, record_tube, subject_of
from cardreader.register.submissions import find_submission
from cardreader.register.tube import TubeUnit
from cardreader.web.entrylimits import may_be_dated
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
    rules = state.reader.rules
    new = find_submission(session, key) is None
    reading = record_tube(session, woman, key, value, unit, at, by, rules, subject, visit, sure)
    if new:
        refer_if_result_doubted(session, woman, point_of(reading), state.rules, by)
    return reading


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
    rules = state.reader.rules
    new = find_submission(session, key) is None
    reading = record_lab(
        session, woman, key, hb_g_dl, method, place, on_day(on, today), by, rules, subject, sure
    )
    if new:
        # A severe one that comes in behind a better result, which would have been asked about.
        refer_if_result_doubted(session, woman, point_of(reading), state.rules, by)
    return reading
