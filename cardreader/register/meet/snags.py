"""Why two registers could not meet: each reason has words of its own."""

from __future__ import annotations

from enum import StrEnum


class Snag(StrEnum):
    """Names are sent from one register to the other; words belong to pages and commands."""

    NOT_REACHED = "not_reached"
    NO_REGISTER = "no_register"
    NO_CODE = "no_code"
    EXPIRED = "expired"
    WRONG_CODE = "wrong_code"
    TOO_MANY = "too_many"
    BUSY = "busy"
    OWN = "own"
    UNKNOWN_HERE = "unknown_here"
    UNKNOWN_THERE = "unknown_there"
    OTHER_CARD = "other_card"
    VERSION = "version"
    BROKEN_OFF = "broken_off"
    NOT_TAKEN_HERE = "not_taken_here"
    NOT_TAKEN_THERE = "not_taken_there"


class MeetError(Exception):
    """The meeting is over. ``detail`` is a line for the curious; ``left`` counts tries."""

    def __init__(self, snag: Snag, detail: str = "", left: int | None = None) -> None:
        super().__init__(detail or snag.value)
        self.snag, self.detail, self.left = snag, detail, left


OTHER_SIDE = {
    Snag.UNKNOWN_HERE: Snag.UNKNOWN_THERE,
    Snag.UNKNOWN_THERE: Snag.UNKNOWN_HERE,
    Snag.NOT_TAKEN_HERE: Snag.NOT_TAKEN_THERE,
    Snag.NOT_TAKEN_THERE: Snag.NOT_TAKEN_HERE,
}
"""What one register calls here, the other calls there; the rest is the same for both."""


def told_by_other(name: object, otherwise: Snag = Snag.NO_REGISTER) -> Snag:
    """A snag as the other register told it, as seen from here."""
    if not isinstance(name, str) or name not in set(Snag):
        return otherwise
    snag = Snag(name)
    return OTHER_SIDE.get(snag, snag)
