"""A TOML table read key by key, so that a misspelt key is told and not passed over."""

from __future__ import annotations

from math import isfinite
from typing import Any


class ProtocolError(ValueError):
    """A protocol that can't be used; the message names the file, the place and the fault."""


class Table:
    """One TOML table, read key by key; a key nobody asked for is a fault.

    A misspelt key would otherwise be passed over in silence, and with it a
    limit somebody believed they had set.
    """

    def __init__(self, values: dict[str, Any], where: str) -> None:
        self._values = dict(values)
        self._where = where

    def at(self, key: str) -> str:
        """The key with the tables it lies in, as a fault names it."""
        return f"{self._where}.{key}" if self._where else key

    def take(self, key: str, kind: type, default: Any = ...) -> Any:
        """A value of a kind; without a default it must be there."""
        if key not in self._values:
            if default is ...:
                raise ProtocolError(f"{self.at(key)} is missing")
            return default
        value = self._values.pop(key)
        # bool is an int to Python, but "true" is no number to anybody else.
        if not isinstance(value, kind) or (isinstance(value, bool) and kind is not bool):
            raise ProtocolError(f"{self.at(key)} must be {KIND_NAMES[kind]}, not {shown(value)}")
        return value

    def text(self, key: str, default: Any = ...) -> str:
        """A trimmed text; empty only as its default."""
        value = str(self.take(key, str, default)).strip()
        if not value and default is ...:
            raise ProtocolError(f"{self.at(key)} is empty")
        return value

    def number(self, key: str, low: float, high: float, default: Any = ...) -> float:
        """A finite number within limits."""
        value = self._values.get(key)
        if isinstance(value, int) and not isinstance(value, bool):
            # Compared as an integer: a huge one would overflow a float.
            self._values[key] = float(value) if abs(value) < 10**15 else float("inf")
        value = float(self.take(key, float, default))
        return within(value, low, high, self.at(key))

    def whole(self, key: str, low: int, high: int, default: Any = ...) -> int:
        """A whole number within limits."""
        value: int = self.take(key, int, default)
        if not low <= value <= high:
            raise ProtocolError(f"{self.at(key)} is {shown(value)}, outside {low} to {high}")
        return value

    def table(self, key: str) -> Table:
        """A table within; empty when it isn't there."""
        return Table(self.take(key, dict, {}), self.at(key))

    def __contains__(self, key: str) -> bool:
        return key in self._values

    def is_table(self, key: str) -> bool:
        """Whether a key holds a table."""
        return isinstance(self._values.get(key), dict)

    def finish(self) -> None:
        """ProtocolError when a key is left that nobody asked for."""
        if self._values:
            raise ProtocolError(f"{self.at(sorted(self._values)[0])} is not a known key")


KIND_NAMES = {
    bool: "true or false",
    int: "a whole number",
    float: "a number",
    str: "text in quotes",
    dict: "a table",
    list: "a list",
}


def shown(value: object) -> str:
    """A value as a fault shows it, cut to length."""
    return repr(value) if len(repr(value)) <= 40 else repr(value)[:37] + "..."


def within(value: float, low: float, high: float, where: str) -> float:
    """The value; ProtocolError when it isn't finite or lies outside."""
    if not (isfinite(value) and low <= value <= high):
        raise ProtocolError(f"{where} is {value:g}, outside {low:g} to {high:g}")
    return value
