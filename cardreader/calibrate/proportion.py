"""A share with its interval."""

from __future__ import annotations

from dataclasses import dataclass

from statsmodels.stats.proportion import proportion_confint

Interval = tuple[float, float]


@dataclass(frozen=True)
class Proportion:
    """``count`` of ``total`` with its Wilson interval; ``value`` is None for 0 of 0."""

    count: int
    total: int
    value: float | None
    ci: Interval | None
    confidence: float


def proportion(count: int, total: int, confidence: float = 0.95) -> Proportion:
    """Share with the Wilson score interval (Wilson, JASA 1927; 22: 209-212).

    Raises
    ------
    ValueError
        ``count`` is negative or above ``total``.
    """
    if not 0 <= count <= total:
        raise ValueError(f"count {count} must lie in 0..{total}")
    if total == 0:
        return Proportion(0, 0, None, None, confidence)
    low, high = proportion_confint(count, total, 1 - confidence, method="wilson")
    return Proportion(count, total, count / total, (float(low), float(high)), confidence)
