"""Values held again against limits that turned out to be hers. No database here.

They were judged as a pregnant woman's and she had given birth, or by the trimester of weeks
that are known better now. The values stay as they were entered: what the limits ask for more
is told.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator
from dataclasses import dataclass, replace

from cardreader.decide.protocol import Protocol
from cardreader.decide.rule import Decision, Outcome
from cardreader.decide.subject import Subject
from cardreader.register.history import Measurement, measurements, rank
from cardreader.register.judging import judge, value_of
from cardreader.register.kinds import Purpose
from cardreader.register.models import Woman
from cardreader.register.recording import subject_of


@dataclass(frozen=True)
class Pressing:
    """A value that the limits make more of than was made of it."""

    point: Measurement
    urgent: bool
    purpose: Purpose


def pressing_since_birth(
    woman: Woman, protocol: Protocol, elevation_m: float | None
) -> Iterator[Pressing]:
    """Her values from the birth on that were judged as a pregnant woman's, where that is less."""
    for point in measurements(woman):
        subject = subject_of(woman, point.day, elevation_m)
        if subject.pregnant:
            continue
        decision = _judged_as(point, protocol, subject)
        if is_more(decision, point):
            yield pressing(point, decision)


def pressing_by_weeks(
    woman: Woman,
    before: Callable[[Measurement], Collection[Subject]],
    protocol: Protocol,
    elevation_m: float | None,
) -> Iterator[Pressing]:
    """Her values of which the limits by her weeks ask for more than those they were judged by.

    ``before``: whom a value was, or may have been, judged for.
    """
    for point in measurements(woman):
        now = subject_of(woman, point.day, elevation_m)
        then = [one for one in before(point) if one != now and one.pregnant]
        if not now.pregnant or not then:
            continue
        decision = _judged_as(point, protocol, now)
        # As it is judged here, too: or the weeks would get what the rounding did.
        least = min(rank(_judged_as(point, protocol, one).outcome) for one in then)
        if rank(decision.outcome) > max(rank(point.outcome), least):
            yield pressing(point, decision)


def _judged_as(point: Measurement, protocol: Protocol, subject: Subject) -> Decision:
    value = value_of(point.hb_g_dl, 0.0 if point.confirmed else point.sd_g_dl)
    return judge(value, protocol, subject)


def is_more(decision: Decision, point: Measurement) -> bool:
    """Whether a decision is worse than what a value was decided to be."""
    return rank(decision.outcome) > rank(point.outcome)


def pressing(point: Measurement, decision: Decision) -> Pressing:
    """A value as a decision that asks for more has it."""
    care = point.confirmed and decision.outcome is Outcome.SEVERE
    purpose = Purpose.CARE if care else Purpose.TEST
    return Pressing(replace(point, outcome=decision.outcome), decision.refer or care, purpose)
