"""Whether this machine's clock can be right."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta


def clock_words(created: str) -> tuple[str, bool]:
    """What the clock shows, and what is wrong with it; whether it can be right.

    A clock before the day on which the calibration was ``created`` (ISO 8601) can't: days of
    expiry, and the order of all that is entered, hang on it.
    """
    now = datetime.now(UTC).astimezone()
    words = now.strftime("%Y-%m-%d %H:%M %Z")
    # The calibration may have been dated in another time zone.
    made = date.fromisoformat(created) - timedelta(1)
    if now.date() < made:
        return f"{words} lies before the calibration of {made}", False
    return words, True
