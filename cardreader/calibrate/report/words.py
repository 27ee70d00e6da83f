"""Numbers of the report as they are written."""

from __future__ import annotations

from cardreader.calibrate.proportion import Proportion


def share(found: Proportion) -> str:
    """A share with its interval and count."""
    if found.value is None or found.ci is None:
        return "none"
    low, high = found.ci
    return f"{found.value:.1%} ({low:.1%} to {high:.1%}), {found.count}/{found.total}"


def signed(value: float | None) -> str:
    """A number with its sign; empty for None."""
    return "" if value is None else f"{value:+.2f}"


def plain(value: float | None) -> str:
    """A number; empty for None."""
    return "" if value is None else f"{value:.2f}"


def interval(ci: tuple[float, float], digits: int = 2) -> str:
    """An interval with signs."""
    return f"{ci[0]:+.{digits}f} to {ci[1]:+.{digits}f}"
