"""Weeks of pregnancy that are known better, and what was read while they were not.

Where the limits differ by trimester a value may have passed for that of another one.
"""

from __future__ import annotations

import datetime as dt

from sqlalchemy.orm import Session

from cardreader.decide.protocol import Protocol
from cardreader.register.closing import tell_weeks
from cardreader.register.heldagain import pressing_by_weeks
from cardreader.register.history import measurements
from cardreader.register.models import Woman
from cardreader.register.recording import subject_of
from cardreader.register.referrals import refer


def mend_weeks(
    session: Session,
    woman: Woman,
    weeks: int,
    on: dt.date,
    by: str | None,
    protocol: Protocol,
    elevation_m: float | None,
) -> None:
    """Note her weeks as told on a day, and hold what was read before against them.

    What the limits ask for more opens a referral, as after a birth; the values stay as they
    were entered. BeforeBirthError as `tell_weeks`.
    """
    then = {point: [subject_of(woman, point.day, elevation_m)] for point in measurements(woman)}
    tell_weeks(session, woman, weeks, on, by)
    for found in pressing_by_weeks(woman, then.__getitem__, protocol, elevation_m):
        refer(session, woman, found.point, found.urgent, by, found.purpose)
