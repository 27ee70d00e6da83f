"""Judging values that were not read from a photo, with the same protocol as photos."""

from __future__ import annotations

from typing import TYPE_CHECKING

from cardreader.decide.protocol import Protocol
from cardreader.decide.rule import Decision, Outcome, decide
from cardreader.decide.subject import Subject

if TYPE_CHECKING:
    from cardreader.hb.distribution import HbDistribution

ANAEMIC = frozenset({Outcome.SEVERE, Outcome.ANAEMIC})
TO_CONFIRM = frozenset({Outcome.SEVERE, Outcome.ANAEMIC, Outcome.UNCERTAIN})
"""Screening outcomes that need a confirmatory test at a health facility."""

LEVEL = 0.9
"""Of the interval kept beside a value."""


def value_of(hb_g_dl: float, sd_g_dl: float) -> HbDistribution:
    """A value with a normal error; ``sd_g_dl`` 0 is exact. ValueError for a negative sd."""
    # What reckons with whole distributions is loaded once a value is judged, not by each start.
    from cardreader.hb.distribution import HbDistribution

    return HbDistribution.normal(hb_g_dl, sd_g_dl)


def judge(value: HbDistribution, protocol: Protocol, subject: Subject) -> Decision:
    """Decision on a tube or laboratory value.

    A laboratory value is the reference that the screening is confirmed by, so it
    is judged as exact (``sd_g_dl`` 0): it may not come out as uncertain.
    """
    return decide(value, protocol, subject)
