"""Judging values that were not read from a photo, with the same protocol as photos."""

from __future__ import annotations

from cardreader.decide.protocol import Protocol
from cardreader.decide.rule import Decision, Outcome, decide
from cardreader.decide.subject import Subject
from cardreader.hb.distribution import HbDistribution

ANAEMIC = frozenset({Outcome.SEVERE, Outcome.ANAEMIC})
TO_CONFIRM = frozenset({Outcome.SEVERE, Outcome.ANAEMIC, Outcome.UNCERTAIN})
"""Screening outcomes that need a confirmatory test at a health facility."""

LEVEL = 0.9
"""Of the interval kept beside a value."""


def judge(value: HbDistribution, protocol: Protocol, subject: Subject) -> Decision:
    """Decision on a tube or laboratory value.

    A laboratory value is the reference that the screening is confirmed by, so it
    is judged as exact (``sd_g_dl`` 0): it may not come out as uncertain.
    """
    return decide(value, protocol, subject)
