"""What options of the commands may be: types for argparse whose errors are one line."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from datetime import date


def number(low: float, high: float) -> Callable[[str], float]:
    """A number from low to high."""

    def parse(text: str) -> float:
        try:
            value = float(text)
        except ValueError:
            value = float("nan")
        if not low <= value <= high:
            raise argparse.ArgumentTypeError(f"{text!r} is not a number from {low:g} to {high:g}")
        return value

    return parse


def whole(low: int, high: int) -> Callable[[str], int]:
    """A whole number from low to high."""

    def parse(text: str) -> int:
        if not text.isdecimal() or not low <= int(text) <= high:
            raise argparse.ArgumentTypeError(f"{text!r} is not a whole number, {low} to {high}")
        return int(text)

    return parse


def day(text: str) -> date:
    """A day as YYYY-MM-DD."""
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is no date; write it as 2026-03-31") from None


def seed_option(group: argparse._ActionsContainer, default: int, same: str) -> None:
    """Add ``--seed``; ``same`` says what comes out the same for the same seed."""
    group.add_argument(
        "--seed",
        type=whole(0, 2**31),
        default=default,
        metavar="N",
        help=f"same seed, same {same} (default: {default})",
    )


def workers_option(group: argparse._ActionsContainer, default: int | None = 1) -> None:
    """Add ``--workers``; None means one a core."""
    group.add_argument(
        "--workers",
        type=whole(1, 1024),
        default=default,
        metavar="N",
        help=f"processes (default: {default or 'one a core'})",
    )
