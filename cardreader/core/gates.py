"""Where the numbers come from that a reading is decided by: limits, priors, sizes.

Each room states it for its own constants in a module ``gates``; `docs/gates.md` is made
from these. The value is always that of the constant itself, so the two can't differ.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from operator import attrgetter
from types import ModuleType
from typing import Any


class Origin(StrEnum):
    """How a number was come by."""

    STANDARD = "standard"
    DERIVED = "derived"
    MEASURED = "measured"
    CHOSEN = "chosen"


@dataclass(frozen=True)
class Gate:
    """One constant: its name in the module, its unit, and why it is what it is.

    ``why`` says for `MEASURED` on what; for `CHOSEN` why not half or double, and what was
    seen of it since.
    """

    name: str
    unit: str
    origin: Origin
    why: str


@dataclass(frozen=True)
class Stage:
    """The constants of one module, in the order of the page.

    ``beside`` names those that decide nothing: codes of a format, steps of a search. What
    a class gives where nothing is said is named with it, ``Settings.timeout_s``.
    ValueError for a name that the module doesn't have.
    """

    title: str
    module: ModuleType
    gates: tuple[Gate, ...]
    beside: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        names = [*(gate.name for gate in self.gates), *self.beside]
        for name in names:
            try:
                attrgetter(name)(self.module)
            except AttributeError:
                raise ValueError(f"{self.module.__name__} has no {name}") from None
        if len(set(names)) < len(names):
            raise ValueError(f"a constant of {self.module.__name__} is stated twice")

    def value(self, gate: Gate) -> Any:
        """What the constant is."""
        return attrgetter(gate.name)(self.module)


def standard(name: str, unit: str, why: str) -> Gate:
    """A number that a standard or a definition gives."""
    return Gate(name, unit, Origin.STANDARD, why)


def derived(name: str, unit: str, why: str) -> Gate:
    """A number that follows from others."""
    return Gate(name, unit, Origin.DERIVED, why)


def measured(name: str, unit: str, why: str) -> Gate:
    """A number set by what was seen on simulated photos or draws."""
    return Gate(name, unit, Origin.MEASURED, why)


def chosen(name: str, unit: str, why: str) -> Gate:
    """A number that somebody found sensible; ``why``, and what half or double would do."""
    return Gate(name, unit, Origin.CHOSEN, why)
