"""Reading the fields of a form, collecting what is wrong in words a person understands."""

from __future__ import annotations

import datetime as dt
import re
from enum import StrEnum
from math import isfinite
from typing import TypeVar

from starlette.datastructures import FormData

from cardreader.core.written import as_line, ascii_digits
from cardreader.register.entrylimits import OLDEST_RESULT_DAYS, may_be_dated
from cardreader.register.women import clean_code
from cardreader.web.texts import gettext as _
from cardreader.web.texts import number

Choice = TypeVar("Choice", bound=StrEnum)
KEY = re.compile(r"[A-Za-z0-9_-]{8,64}")
"""What a submission key may look like."""


class Fields:
    """A form being read; ``problems`` maps field names to what is wrong."""

    def __init__(self, form: FormData) -> None:
        self._form = form
        self.problems: dict[str, str] = {}

    def raw(self, name: str) -> str:
        """The text of a field, trimmed; empty when missing."""
        value = self._form.get(name, "")
        return value.strip() if isinstance(value, str) else ""

    @property
    def values(self) -> dict[str, str]:
        """All text fields as typed, to show the form again."""
        return {k: v for k, v in self._form.items() if isinstance(v, str)}

    def text(self, name: str, longest: int, needed: bool = True) -> str:
        """A line of text."""
        value = as_line(self.raw(name))
        if needed and not value:
            self.problems[name] = _("Fill this in.")
        elif len(value) > longest:
            self.problems[name] = _("At most %(n)s letters.") % {"n": longest}
        return value

    def code(self, name: str) -> str:
        """A woman's code."""
        try:
            return clean_code(self.raw(name))
        except ValueError:
            self.problems[name] = _("3 to 24 letters A to Z, digits, '-' or '/'. No names.")
            return ""

    def whole(self, name: str, low: int, high: int, needed: bool = True) -> int | None:
        """A whole number within limits."""
        value = ascii_digits(self.raw(name))
        if not value and not needed:
            return None
        if re.fullmatch(r"\d{1,9}", value, re.ASCII) and low <= int(value) <= high:
            return int(value)
        self.problems[name] = _("A whole number from %(low)s to %(high)s.") % {
            "low": low,
            "high": high,
        }
        return None

    def decimal(self, name: str, low: float, high: float) -> float | None:
        """A number within limits; comma and point both mark the decimals."""
        text = ascii_digits(self.raw(name)).replace(",", ".")
        value = float(text) if re.fullmatch(r"\d{1,6}(\.\d{0,6})?", text, re.ASCII) else None
        if value is not None and isfinite(value) and low <= value <= high:
            return value
        self.problems[name] = _("A number from %(low)s to %(high)s.") % {
            "low": number(low, 0 if float(low).is_integer() else 1),
            "high": number(high, 0 if float(high).is_integer() else 1),
        }
        return None

    def day(self, name: str, today: dt.date) -> dt.date:
        """The date of a result or a treatment: not to come, not too long ago."""
        try:
            value = dt.date.fromisoformat(ascii_digits(self.raw(name)))
        except ValueError:
            value = dt.date.min
        if not may_be_dated(value, today):
            self.problems[name] = (
                _("Longer ago than %(days)s days. Look at the year.") % {"days": OLDEST_RESULT_DAYS}
                if dt.date.min < value < today
                else _("A date up to today.")
            )
            return today
        return value

    def choice(self, name: str, kind: type[Choice]) -> Choice:
        """One of a fixed set."""
        try:
            return kind(self.raw(name))
        except ValueError:
            self.problems[name] = _("Choose one.")
            return next(iter(kind))

    def key(self) -> str:
        """The submission key that came with the form."""
        value = self.raw("submission_key")
        if not KEY.fullmatch(value):
            self.problems["submission_key"] = _("This page is out of date. Load it again.")
        return value
