"""When a photo was taken, where the phone's clock and the server's may differ.

The server's clock rules where it knows. A phone says when a photo was taken and,
when it sends, what its clock shows then: the difference of the two is true whatever
the clock shows. Where a phone doesn't say, its word is kept and not relied upon.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

OLDEST = dt.timedelta(days=60)
"""A photo kept longer on a phone than this is taken for one with a wrong clock."""
TOLERATED = dt.timedelta(minutes=5)
"""Clocks that differ by less are not worth a word."""


@dataclass(frozen=True)
class TakenAt:
    """When a photo was taken.

    ``at`` by the server's clock as well as can be known; ``phone_at`` the phone's own
    word, None without one; ``behind_s`` how far its clock is behind the server's, None
    when that isn't known and ``at`` is only the phone's word.
    """

    at: dt.datetime
    phone_at: dt.datetime | None = None
    behind_s: float | None = None


def taken_at(
    told: dt.datetime | None,
    sent: dt.datetime | None,
    now: dt.datetime,
    not_before: dt.datetime | None = None,
    moved: bool = False,
) -> TakenAt:
    """The time of a photo from the phone's words and the server's clock.

    ``not_before``: when the visit it belongs to was opened here. ``moved``: the phone's clock
    was set anew, perhaps between the two words, so that what lies between is only a word.
    """
    if not_before is not None:
        # A visit opened while this computer's clock was fast holds no photo back from now.
        not_before = min(not_before, now)
    if told is None:
        return TakenAt(now)
    if sent is not None:
        age = sent - told
        if dt.timedelta(0) <= age <= OLDEST:
            at = now - age
            behind_s = None if moved else (now - sent).total_seconds()
            return TakenAt(max(at, not_before or at), told, behind_s)
    if not_before is not None and not not_before <= told <= now:
        # It can't have been taken before there was a visit to take it for.
        nearest = not_before if told < not_before else now
        return TakenAt(nearest, told, (nearest - told).total_seconds())
    if not now - OLDEST <= told <= now + TOLERATED:
        return TakenAt(now, told)
    return TakenAt(min(told, now), told)
