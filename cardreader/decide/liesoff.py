"""Whether readings of one session as a whole lie off what is usual: no single photo shows it.

Another blotting paper that nobody told, damp blots, drops from a squeezed finger or bleached cards
move all readings of a session in one direction, and each of them may still look like a reading.
Women of one place don't differ so much from one session to the next.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import sqrt

LEAST_WOMEN = 6
LEAST_BEFORE, LEAST_DAYS = 20, 2
"""Women that a session is held against, and of how many sessions."""
BETWEEN_DAYS_SD_G_DL = 0.5
"""By how much the means of sessions differ beside chance: other villages, other lamps."""
LIMIT_SD = 3.0
LEAST_SHIFT_G_DL = 1.0
_QUARTILES_SD = 1.349
"""Between a normal distribution's quartiles."""


@dataclass(frozen=True)
class Usual:
    """What other sessions came to: haemoglobin of ``women`` on ``days``, g/dL and its square."""

    middle_g_dl: float
    variance: float
    women: int
    days: int


def enough(women: int, days: int) -> bool:
    """Whether so many values on so many days tell what is usual."""
    return women >= LEAST_BEFORE and days >= LEAST_DAYS


def usual(counts: Mapping[float, int], days: int) -> Usual | None:
    """Of values and how often each was read; None where they are too few, or all one.

    By the quartiles, so that a session that was off doesn't hide another.
    """
    women = sum(counts.values())
    if not enough(women, days):
        return None
    low, middle, high = _quartiles(counts, women)
    variance = ((high - low) / _QUARTILES_SD) ** 2
    return Usual(middle, variance, women, days) if variance else None


def _quartiles(counts: Mapping[float, int], women: int) -> list[float]:
    found: list[float] = []
    passed = 0
    for value in sorted(counts):
        passed += counts[value]
        while len(found) < 3 and passed > (len(found) + 1) * women // 4:
            found.append(value)
    return found


def lies_off(
    shift_g_dl: float, information: float, against: Usual, apart_sd_g_dl: float = 0.0
) -> bool:
    """Whether the mean of a session lies off by more than sessions do.

    A random-effects mean (DerSimonian and Laird 1986, from memory) whose scatter between sessions
    is given. ``information``: the inverse square of the mean's standard error by its women alone,
    (g/dL)^-2. ``apart_sd_g_dl``: by how much what read the session and what read the others may
    differ.
    """
    between = BETWEEN_DAYS_SD_G_DL**2 * (1 + 1 / against.days)
    sd = sqrt(1 / information + against.variance / against.women + between + apart_sd_g_dl**2)
    return abs(shift_g_dl) >= max(LIMIT_SD * sd, LEAST_SHIFT_G_DL)
