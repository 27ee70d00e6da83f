"""Several photos of one woman, each of a blot of its own, taken together.

Scatter of blood volume from blot to blot averages out, so three blots say more
than one. Photos of the *same* blot don't: the caller must not pass them off as
more than one blot. The very same file counts once.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from cardreader.decide.rule import MAY_HIDE_SEVERE, Decision, decide, with_pale_blot
from cardreader.decide.statements import TEXT, Statement
from cardreader.result.report import (
    decision_json,
    estimate_json,
    foot_text,
    reading_json,
    reading_text,
    result_text,
)

if TYPE_CHECKING:
    from cardreader.decide.protocol import Protocol
    from cardreader.decide.subject import Subject
    from cardreader.hb.calibration import Calibration
    from cardreader.hb.estimate import HbEstimate
    from cardreader.pipeline import Reading

SCHEMA = "cardreader-readings/1"


@dataclass(frozen=True)
class Several:
    """Readings of one woman and what they say together.

    ``estimate`` is None when no photo could be read; ``decision`` is then that
    of a photo that wasn't read.
    """

    readings: tuple[Reading, ...]
    estimate: HbEstimate | None
    decision: Decision

    @property
    def disagree(self) -> bool:
        """Whether the blots lie further apart than one blot's own doubt explains."""
        singles = [r.estimate for r in self.readings if r.estimate is not None]
        return self.estimate is not None and blots_disagree(self.estimate, singles)

    @property
    def n_read(self) -> int:
        """How many of the photos could be read."""
        return sum(reading.estimate is not None for reading in self.readings)


def blots_disagree(together: HbEstimate, singles: Sequence[HbEstimate]) -> bool:
    """Whether taking blots together made the interval wider than any one's own."""
    return _width(together) > max(map(_width, singles))


def _width(estimate: HbEstimate) -> float:
    low, high = estimate.interval_g_dl
    return high - low


def take_together(
    readings: Sequence[Reading], calibration: Calibration, protocol: Protocol, subject: Subject
) -> Several:
    """Combine the readings of one woman. Raises ValueError for none."""
    from cardreader.hb.estimate import combine

    if not readings:
        raise ValueError("no reading to take together")
    once = tuple({reading.sha256: reading for reading in readings}.values())
    estimates = [reading.estimate for reading in once if reading.estimate is not None]
    if not estimates:
        return Several(once, None, once[0].decision)
    estimate = combine(estimates, calibration)
    decision = decide(estimate, protocol, subject)
    if any(r.refusal is not None and r.refusal.reason in MAY_HIDE_SEVERE for r in once):
        decision = with_pale_blot(decision)
    return Several(once, estimate, decision)


def several_json(several: Several) -> dict[str, Any]:
    """All readings, each as ``reading_json`` gives it, and the combined result or null."""
    combined = None
    if several.estimate is not None:
        combined = {
            "blots_disagree": several.disagree,
            "decision": decision_json(several.decision),
            "hb": estimate_json(several.estimate),
            "n_blots": several.n_read,
        }
    return {
        "combined": combined,
        "readings": [reading_json(reading) for reading in several.readings],
        "schema": SCHEMA,
        "screening_only": True,
    }


def several_text(several: Several) -> str:
    """The combined result for the outreach worker, after a line about each photo."""
    lines = [_line(i, reading) for i, reading in enumerate(several.readings, 1)]
    if several.disagree:
        lines.append(TEXT[Statement.BLOTS_DISAGREE])
    top = "\n".join(lines) + "\n\n"
    if several.estimate is None:
        return top + reading_text(several.readings[0])
    read = next(r for r in several.readings if r.estimate is not None)
    foot = (
        f"From {several.n_read} of {len(several.readings)} photos, each of a blot of its own; "
        f"several photos of one blot must not be taken together. {foot_text(read)}"
    )
    return top + result_text(several.estimate, several.decision, foot)


def _line(number: int, reading: Reading) -> str:
    if reading.estimate is None:
        reason = str(reading.refusal.reason) if reading.refusal is not None else "?"
        return f"Photo {number}: not read ({reason.replace('_', ' ')})"
    return f"Photo {number}: {reading.estimate.hb_g_dl:.1f} g/dL"
