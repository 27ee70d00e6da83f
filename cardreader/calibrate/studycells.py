"""The cells of the study table: from text to what it says, or in words why it says nothing."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

from cardreader.calibrate.spelling import spelling_key
from cardreader.calibrate.studycolumns import COLUMNS, Column
from cardreader.card import layout


class Fault(Exception):  # noqa: N818 - becomes a RowError
    """A cell that can't be used, with the reason."""


def _number(low: float, high: float) -> Callable[[str], float]:
    def parse(text: str) -> float:
        try:
            value = float(text.replace("_", "?"))  # for Python 1_1 is eleven, for a clerk a slip
        except ValueError:
            raise Fault(f"{text!r} is not a number{_hint(text)}") from None
        if not math.isfinite(value):
            raise Fault(f"{text!r} is not a number")
        if value <= 0 < low:
            raise Fault(f"{text} is not above 0")
        if not low <= value <= high:
            raise Fault(f"{text} is outside {low:g} to {high:g}")
        return value

    return parse


def _hint(text: str) -> str:
    if re.search(r"\d,\d", text):
        return "; write 11.2, not 11,2"
    return "; write the number alone, without its unit" if re.match(r"\d", text) else ""


def _whole(low: int, high: int) -> Callable[[str], int]:
    def parse(text: str) -> int:
        # A column with an empty cell leaves a data frame as 1.0 and 2.0.
        whole = re.fullmatch(r"(\d{1,9})([.,]0+)?", text)
        if not whole or not low <= int(whole[1]) <= high:
            raise Fault(f"{text!r} is not a whole number from {low} to {high}")
        return int(whole[1])

    return parse


def _lot(text: str) -> str:
    number = _whole(0, 10**9)(text)
    try:
        layout.marker_ids(number)
    except ValueError:
        raise Fault(f"{text!r} is not a card lot number") from None
    return f"{number:06d}"


def _choice(options: tuple[str, ...]) -> Callable[[str], str]:
    def parse(text: str) -> str:
        for option in options:
            if spelling_key(text) == spelling_key(option):
                return option
        raise Fault(f"{text!r} is not one of {', '.join(options)}")

    return parse


def _label(text: str) -> str:
    if len(text) > 100 or not text.isprintable():
        raise Fault("must be at most 100 printable characters")
    return text


def _photo(text: str) -> str:
    path = Path(_label(text))
    if path.is_absolute() or ".." in path.parts:
        raise Fault("must be a path below the folder of the table")
    return path.as_posix()  # ./a.jpg is a.jpg


_SPECIAL: dict[str, Callable[[str], Any]] = {"photo": _photo, "lot": _lot, "note": str}


def _parser(column: Column) -> Callable[[str], Any]:
    if column.name in _SPECIAL:
        return _SPECIAL[column.name]
    if column.limits is None:
        return _choice(column.options) if column.options else _label
    low, high = column.limits
    return _number(low, high) if column.kind == "number" else _whole(int(low), int(high))


PARSERS = {column.name: _parser(column) for column in COLUMNS}
