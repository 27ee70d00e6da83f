"""Sessions of a batch, the photos of one folder and day, whose readings as a whole lie off.

Each photo may look like a reading where another blotting paper was used, or all blots were damp;
the session's mean tells (`cardreader.decide.liesoff`). It is held against all other sessions of
the batch, as their order says nothing here.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from typing import Any

from cardreader.core.oneline import one_line
from cardreader.decide.liesoff import LEAST_WOMEN, lies_off, usual

MOST_SHOWN = 8
"""Sessions that are told one by one; all stand in run.json."""
_DECIMALS = 1
"""Decimals that values are counted by: memory grows with sessions, not with photos."""


@dataclass(frozen=True)
class SessionOff:
    """A session that lies off: how many of it were read, and by how much, g/dL.

    ``unlikely``: how many of those that were read were called not anaemic.
    """

    name: str
    read: int
    shift_g_dl: float
    unlikely: int

    @property
    def doubted(self) -> int:
        """Of how many 'anaemia is unlikely' isn't to be believed: all lie too high."""
        return self.unlikely if self.shift_g_dl > 0 else 0


def doubted_in(sessions: Iterable[SessionOff]) -> int:
    """Of how many 'anaemia is unlikely' isn't to be believed, in all of them."""
    return sum(session.doubted for session in sessions)


@dataclass
class _Session:
    hb_g_dl: Counter[float] = field(default_factory=Counter)
    unlikely: int = 0

    @property
    def mean_g_dl(self) -> float:
        """Mean of what was read."""
        return sum(hb * n for hb, n in self.hb_g_dl.items()) / self.hb_g_dl.total()


class Sessions:
    """Counts readings by session as rows go by, and holds none."""

    def __init__(self) -> None:
        self._all: Counter[float] = Counter()
        self._sessions: dict[str, _Session] = {}

    def add(self, row: dict[str, Any], *, unlikely: bool) -> None:
        """Count a row that was read; ``unlikely``: neither to be referred nor confirmed."""
        hb = round(row["hb_g_dl"], _DECIMALS)
        self._all[hb] += 1
        session = self._sessions.setdefault(_name(row), _Session())
        session.hb_g_dl[hb] += 1
        session.unlikely += unlikely

    def off(self) -> tuple[SessionOff, ...]:
        """Those that lie off, the farthest first."""
        found = sorted(self._off(), key=lambda session: (-abs(session.shift_g_dl), session.name))
        return tuple(found)

    def _off(self) -> Iterator[SessionOff]:
        for name, session in self._sessions.items():
            read = session.hb_g_dl.total()
            if read < LEAST_WOMEN:
                continue
            others = Counter(self._all)
            others.subtract(session.hb_g_dl)
            against = usual(others, len(self._sessions) - 1)
            if against is None:
                continue
            shift = session.mean_g_dl - against.middle_g_dl
            if lies_off(shift, read / against.variance, against):
                yield SessionOff(name, read, shift, session.unlikely)


def _name(row: dict[str, Any]) -> str:
    """Folder and day of a photo, as far as they are known."""
    folder = row["photo"].rpartition("/")[0]
    day = (row["taken"] or "")[:10]
    return ", ".join(part for part in (folder, day) if part) or "."


def session_words(off: SessionOff) -> str:
    """What is found of a session, in a sentence."""
    way = "higher" if off.shift_g_dl > 0 else "lower"
    by = f"{abs(off.shift_g_dl):.1f} g/dL {way}"
    return f"{one_line(off.name)}: its {off.read} readings lie about {by} than the other sessions'."


def what_follows(off: SessionOff) -> str:
    """What is to be done about a session."""
    if off.shift_g_dl < 0:
        return (
            "If paper, card or drops were others, or blood was thinned, women are sent on who "
            "need not be: find the cause."
        )
    unlikely = f", the {off.doubted} of whom anaemia seems unlikely too" if off.doubted else ""
    return (
        "If paper, card or drops were others, or blots were damp, severe anaemia is missed: find "
        f"the cause, and until then send all of them for a blood test{unlikely}."
    )
