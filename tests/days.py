"""The day that a test runs on: asked for within it, since a run may go on over midnight."""

from __future__ import annotations

import datetime as dt


def today() -> dt.date:
    """The calendar day, where this machine stands."""
    return dt.date.today()
