"""What became of one photo, and the table of many."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from scipy.stats import beta

from cardreader.decide.protocol import Protocol
from cardreader.decide.rule import Outcome, decide
from cardreader.hb.estimate import HbEstimate
from cardreader.result.reading import Reading

CONFIDENCE = 0.99
NOT_ANAEMIC_BELOW_G_DL = 9.0
"""A truth at or below this that is called not anaemic is the error that does harm."""


class Fate(StrEnum):
    """What became of a photo."""

    READ = "read"
    REFUSED = "refused"
    WRONG = "wrong"


@dataclass(frozen=True)
class Verdict:
    """``error_g_dl`` and ``half_width_g_dl`` (of the 90 % interval) are None without a reading."""

    fate: Fate
    reason: str = ""
    error_g_dl: float | None = None
    half_width_g_dl: float | None = None
    harmful: bool = False


def stated_interval(estimate: HbEstimate, confidence: float = CONFIDENCE) -> tuple[float, float]:
    """Central interval of an estimate's distribution."""
    low, high = estimate.distribution.interval(confidence)
    return float(low), float(high)


def judge(reading: Reading, hb_g_dl: float, blood: bool, protocol: Protocol) -> Verdict:
    """Compare a reading with the truth; without blood any reading is wrong."""
    if reading.estimate is None:
        return Verdict(Fate.REFUSED, "" if reading.refusal is None else reading.refusal.reason)
    return judge_estimate(reading.estimate, protocol, hb_g_dl, blood)


def judge_estimate(
    estimate: HbEstimate, protocol: Protocol, hb_g_dl: float, blood: bool
) -> Verdict:
    """The same for a bare estimate."""
    low, high = stated_interval(estimate)
    right = blood and low <= hb_g_dl <= high
    cleared = decide(estimate, protocol).outcome is Outcome.NOT_ANAEMIC
    return Verdict(
        Fate.READ if right else Fate.WRONG,
        error_g_dl=estimate.hb_g_dl - hb_g_dl if blood else None,
        half_width_g_dl=(estimate.interval_g_dl[1] - estimate.interval_g_dl[0]) / 2,
        harmful=cleared and (not blood or hb_g_dl <= NOT_ANAEMIC_BELOW_G_DL),
    )


@dataclass(frozen=True)
class Row:
    """One cell of the matrix."""

    condition: str
    level: str
    says: str
    usable: bool
    verdicts: tuple[Verdict, ...]

    def count(self, fate: Fate) -> int:
        """Photos with this fate."""
        return sum(v.fate is fate for v in self.verdicts)

    @property
    def harmful(self) -> int:
        """Photos whose reading would do harm."""
        return sum(v.harmful for v in self.verdicts)

    @property
    def rmse_g_dl(self) -> float | None:
        """Of all photos that gave a reading."""
        errors = [v.error_g_dl for v in self.verdicts if v.error_g_dl is not None]
        return float(np.sqrt(np.mean(np.square(errors)))) if errors else None

    @property
    def half_width_g_dl(self) -> float | None:
        """Median half width of the 90 % interval."""
        widths = [v.half_width_g_dl for v in self.verdicts if v.half_width_g_dl is not None]
        return float(np.median(widths)) if widths else None

    @property
    def reasons(self) -> str:
        """The two commonest reasons of refusal with their counts."""
        counts = Counter(v.reason for v in self.verdicts if v.fate is Fate.REFUSED)
        return ", ".join(f"{reason} {n}" for reason, n in counts.most_common(2))


def upper_limit(k: int, n: int, confidence: float = 0.95) -> float:
    """One-sided upper limit of a proportion (Clopper and Pearson 1934)."""
    return 1.0 if k >= n else float(beta.ppf(confidence, k + 1, n - k))


def markdown(rows: Sequence[Row]) -> str:
    """The matrix as a Markdown table."""
    lines = [
        "| condition | severity | photos | read | refused | wrong | harmful | RMSE | ± 90 % "
        "| refused for |",
        "| --- | --- | ---: | ---: | ---: | ---: | ---: | ---: | ---: | --- |",
    ]
    for row in rows:
        n = len(row.verdicts)
        name = f"{row.level}: {row.says}" if row.usable else f"*{row.level}: {row.says}*"
        lines.append(
            f"| {row.condition} | {name} | {n} | {row.count(Fate.READ)} "
            f"| {row.count(Fate.REFUSED)} | {row.count(Fate.WRONG) or ''} | {row.harmful or ''} "
            f"| {_number(row.rmse_g_dl)} | {_number(row.half_width_g_dl)} | {row.reasons} |"
        )
    return "\n".join(lines) + "\n"


def _number(value: float | None) -> str:
    return "" if value is None else f"{value:.2f}"


def summary(rows: Sequence[Row]) -> str:
    """The aims and what came of them, as Markdown."""
    photos = sum(len(r.verdicts) for r in rows)
    wrong = sum(r.count(Fate.WRONG) for r in rows)
    read = sum(r.count(Fate.READ) for r in rows)
    harmful = sum(r.harmful for r in rows)
    lines = [
        f"{photos} photos: {read} read, {photos - read - wrong} refused, {wrong} wrong "
        f"({wrong / photos:.2%} of photos, {wrong / max(read + wrong, 1):.2%} of readings), "
        f"{harmful} harmful.",
        "",
    ]
    for title, chosen in (
        ("that ought to be read, mild", [r for r in rows if r.usable and r.level == "mild"]),
        (
            "that ought to be read, moderate",
            [r for r in rows if r.usable and r.level == "moderate"],
        ),
        ("harder than that", [r for r in rows if not r.usable]),
    ):
        n = sum(len(r.verdicts) for r in chosen)
        if not n:
            continue
        k = sum(r.count(Fate.READ) for r in chosen)
        bad = sum(r.count(Fate.WRONG) for r in chosen)
        lines.append(
            f"- Photos {title}: {k} of {n} read ({k / n:.1%}), {bad} wrong "
            f"(at most {upper_limit(bad, n):.2%} with 95 % confidence)."
        )
    short = [
        f"{r.condition} ({r.level}): {r.count(Fate.READ) / len(r.verdicts):.0%}"
        for r in rows
        if r.usable and r.level in ("none", "mild", "moderate")
        and r.count(Fate.READ) < 0.95 * len(r.verdicts)
    ]  # fmt: skip
    lines.append(f"- Read less often than 95 % though usable: {'; '.join(short) or 'none'}.")
    missed = [
        f"{r.condition} ({r.level}): {r.count(Fate.WRONG)} of {len(r.verdicts)}"
        for r in rows
        if r.count(Fate.WRONG)
    ]
    lines.append(f"- Wrong: {'; '.join(missed) or 'none'}.")
    return "\n".join(lines) + "\n"
