"""What is dated in days to come was dated by a clock that was fast, here or at another register."""

from __future__ import annotations

import datetime as dt

from cardreader.register.base import local_day, utc_now

ZONES = dt.timedelta(days=1)
"""So far apart are the days of one moment in two time zones: another register's may be."""


def latest_day() -> dt.date:
    """The last day that a right clock can show anywhere by now."""
    return local_day(utc_now()) + ZONES


def is_to_come(at: dt.datetime) -> bool:
    """Whether a time can't have been yet."""
    return at > utc_now() + ZONES


def answers(result_at: dt.datetime, at: dt.datetime) -> bool:
    """Whether a laboratory result of one time is of blood taken after another.

    One dated in days to come is of any day: it answers what the same clock dated before it, and
    nothing that was read by a right one.
    """
    return result_at > at and (is_to_come(at) or not is_to_come(result_at))
