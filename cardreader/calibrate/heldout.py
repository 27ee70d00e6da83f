"""Readings of women by calibrations that never saw them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray

from cardreader.calibrate.coverage import laboratory_interval
from cardreader.calibrate.fit import Fit
from cardreader.calibrate.pairs import Pairs
from cardreader.calibrate.papers import readable_on
from cardreader.calibrate.splits import Split
from cardreader.decide.protocol import Protocol
from cardreader.decide.rule import Outcome, Question, decide
from cardreader.hb.calibration import Calibration

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class HeldOut:
    """Readings of all pairs, each by a calibration that never saw the woman.

    Arrays (n,); ``lab_low_g_dl`` and ``lab_high_g_dl`` are where the laboratory's value is to
    lie (`coverage.laboratory_interval`). ``accepted`` is False where the reader refuses the
    value or the colour, ``answer`` is one of the decision's answers, ``may_be_severe`` says
    that the decision refers her for severe anaemia.
    """

    pairs: Pairs
    hb_g_dl: Array
    low_g_dl: Array
    high_g_dl: Array
    lab_low_g_dl: Array
    lab_high_g_dl: Array
    sd_g_dl: Array
    accepted: NDArray[np.bool_]
    answer: NDArray[np.str_]
    may_be_severe: NDArray[np.bool_]
    models: tuple[str, ...]

    @property
    def covered(self) -> NDArray[np.bool_]:
        """Whether the interval holds the laboratory value, its own error allowed for."""
        lab = self.pairs.lab_g_dl
        return (self.lab_low_g_dl <= lab) & (lab <= self.lab_high_g_dl)

    def take(self, index: NDArray[np.intp]) -> HeldOut:
        """The readings at ``index``."""
        arrays = {f.name for f in fields(self)} - {"pairs", "models"}
        return replace(
            self,
            pairs=self.pairs.take(index),
            **{name: getattr(self, name)[index] for name in arrays},
        )


_WORDS = {
    Outcome.SEVERE: "severe",
    Outcome.ANAEMIC: "anaemic",
    Outcome.NOT_ANAEMIC: "not anaemic",
    Outcome.UNCERTAIN: "uncertain",
}


def hold_out(
    pairs: Pairs,
    splits: list[Split],
    make: Callable[[Pairs], Fit],
    protocol: Protocol,
) -> HeldOut:
    """Readings of the test part of every split by a calibration of its training part.

    The splits' test parts must not overlap; pairs in none of them are left out.
    """
    parts, order, models = [], [], []
    for train, test in splits:
        made = make(pairs.take(train))
        models.append(made.model)
        parts.append(read_part(pairs.take(test), made.calibration, protocol))
        order.append(test)
    at = np.concatenate(order)
    if np.unique(at).size != at.size:
        raise ValueError("the splits' test parts overlap")
    joined = {key: np.concatenate([part[key] for part in parts]) for key in parts[0]}
    found = HeldOut(pairs=pairs.take(at), models=tuple(models), **joined)
    return found.take(np.argsort(at))


def read_part(pairs: Pairs, calibration: Calibration, protocol: Protocol) -> dict[str, NDArray]:
    """What a calibration makes of pairs: the arrays of `HeldOut`, by their names."""
    found = pairs.estimates(calibration)
    read = found.final()
    low, high = read.interval(calibration.coverage)
    lab_low, lab_high = laboratory_interval(read, pairs, calibration)
    answers, severe = [], []
    for at in range(len(pairs)):
        decision = decide(read[at], protocol)
        answers.append(_WORDS[decision.outcome])
        severe.append(
            decision.outcome is Outcome.SEVERE or decision.question is Question.MAY_BE_SEVERE
        )
    return {
        "hb_g_dl": read.median,
        "low_g_dl": low,
        "high_g_dl": high,
        "lab_low_g_dl": lab_low,
        "lab_high_g_dl": lab_high,
        "sd_g_dl": read.sd,
        "accepted": readable_on(found, pairs.paper),
        "answer": np.array(answers, dtype=str),
        "may_be_severe": np.array(severe, dtype=bool),
    }
