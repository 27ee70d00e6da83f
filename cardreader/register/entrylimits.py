"""Of which visit and of which day a value that is typed in may be."""

from __future__ import annotations

import datetime as dt

HIGHEST_VISIT = 60

OLDEST_RESULT_DAYS = 400
"""A result dated further back is taken for a slip (invented, generous)."""


def may_be_dated(on: dt.date, today: dt.date) -> bool:
    """Whether a result entered today may be of that day: not to come, not too long ago."""
    return today - dt.timedelta(days=OLDEST_RESULT_DAYS) <= on <= today
