"""Judging values that were not read from a photo, with the same protocol as photos."""

from __future__ import annotations

from dataclasses import dataclass
from math import erfc, sqrt

from cardreader.decide.protocol import Protocol
from cardreader.decide.rule import Decision, Outcome, decide
from cardreader.decide.subject import Subject

ANAEMIC = frozenset({Outcome.SEVERE, Outcome.ANAEMIC})
TO_CONFIRM = frozenset({Outcome.SEVERE, Outcome.ANAEMIC, Outcome.UNCERTAIN})
"""Screening outcomes that need a confirmatory test at a health facility."""

Z_90 = 1.6448536269514722
"""Half-width of a central 90 % interval of the normal distribution, in standard deviations."""


@dataclass(frozen=True)
class NormalHb:
    """A haemoglobin value with a normal error; ``sd_g_dl`` 0 is an exact value."""

    hb_g_dl: float
    sd_g_dl: float

    def p_below(self, threshold_g_dl: float) -> float:
        """Probability that haemoglobin is below ``threshold_g_dl``."""
        if self.sd_g_dl == 0:
            return float(self.hb_g_dl < threshold_g_dl)
        return 0.5 * erfc((self.hb_g_dl - threshold_g_dl) / (self.sd_g_dl * sqrt(2)))

    @property
    def interval_g_dl(self) -> tuple[float, float]:
        """Central 90 % interval, cut at zero."""
        half = Z_90 * self.sd_g_dl
        return max(0.0, self.hb_g_dl - half), self.hb_g_dl + half


def judge(value: NormalHb, protocol: Protocol, subject: Subject) -> Decision:
    """Decision on a tube or laboratory value.

    A laboratory value is the reference that the screening is confirmed by, so it
    is judged as exact (``sd_g_dl`` 0): it may not come out as uncertain.
    """
    return decide(value, protocol, subject)
