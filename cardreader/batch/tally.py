"""Counts of a result table: what a summary shows, worked out before anything is drawn."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from cardreader.batch.advice import Remedy, remedies
from cardreader.batch.sessions import SessionOff, Sessions, doubted_in

MOST_GROUPS = 20
"""Groups shown one by one; what is left is taken together."""
OTHERS = "all others"
NOT_STATED = "not stated"

Row = dict[str, Any]


@dataclass(frozen=True)
class Group:
    """Photos that have a phone, a lot or a light in common.

    ``p10``, ``median`` and ``p90`` are of haemoglobin in g/dL, None where
    nothing was read.
    """

    name: str
    photos: int
    read: int
    refused: int
    uncertain: int
    p10: float | None
    median: float | None
    p90: float | None

    @property
    def refused_share(self) -> float:
        """Share of photos that gave no reading."""
        return 1 - self.read / self.photos

    @property
    def uncertain_share(self) -> float | None:
        """Share of uncertain results among the readings; None when there are none."""
        return self.uncertain / self.read if self.read else None


@dataclass(frozen=True)
class Tally:
    """A result table in numbers. A content that is there several times counts once.

    Attributes
    ----------
    photos, distinct, read, refused, failed : int
        Rows, and of the distinct contents those that were read and that weren't.
    refer, confirm, as_protocol : int
        Of those that were read: to refer now, to confirm by a blood test, and neither, so
        that local protocol says whether to test.
    sessions_off : tuple of SessionOff
        Sessions whose readings as a whole lie off, the farthest first.
    hb_g_dl : outcome to values, each with how often it was read
    outcomes, reasons : (name, count) pairs, the most frequent first
    groups : column ("phone", "lot_id", "light") to its groups, the largest first
    """

    photos: int
    distinct: int
    read: int
    refused: int
    failed: int
    refer: int
    confirm: int
    as_protocol: int
    hb_g_dl: dict[str, dict[float, int]]
    outcomes: tuple[tuple[str, int], ...]
    reasons: tuple[tuple[str, int], ...]
    groups: dict[str, tuple[Group, ...]]
    sessions_off: tuple[SessionOff, ...] = ()

    @property
    def doubted(self) -> int:
        """Of ``as_protocol`` those of sessions that lie too high: a blood test tells."""
        return doubted_in(self.sessions_off)

    @property
    def remedies(self) -> tuple[tuple[Remedy, int], ...]:
        """What is left to do about those without a reading, and about how many of them."""
        return remedies(self.reasons)


@dataclass
class _Counting:
    """What is counted of a group while rows go by."""

    photos: int = 0
    uncertain: int = 0
    hb_g_dl: Counter[float] = field(default_factory=Counter)

    def add(self, row: Row) -> None:
        self.photos += 1
        self.uncertain += row["outcome"] == "uncertain"
        if row["status"] == "read":
            self.hb_g_dl[row["hb_g_dl"]] += 1

    def take_in(self, other: _Counting) -> None:
        self.photos += other.photos
        self.uncertain += other.uncertain
        self.hb_g_dl.update(other.hb_g_dl)


class Tallier:
    """Counts rows as they go by, and holds none.

    Readings have four significant digits, so that their values are counted one by one;
    memory grows with the number of phones, lots, lights and sessions alone.
    """

    def __init__(self) -> None:
        self.rows: Counter[str] = Counter()
        """Every row by its status, those of a content that was there before too."""
        self.row_reasons: Counter[str] = Counter()
        """Why every row that was not read wasn't, those of such contents too."""
        self._once: Counter[str] = Counter()
        self._reasons: Counter[str] = Counter()
        self._follows: Counter[str] = Counter()
        self._hb: dict[str, Counter[float]] = {}
        self._sessions = Sessions()
        self._groups: dict[str, dict[str, _Counting]] = {"phone": {}, "lot_id": {}, "light": {}}

    def add(self, row: Row) -> None:
        """Count a row of the result table."""
        status = row["status"]
        self.rows[status] += 1
        if row["reason"]:
            self.row_reasons[row["reason"]] += 1
        if row["duplicate_of"] is not None:
            return
        self._once[status] += 1
        if row["reason"]:
            self._reasons[row["reason"]] += 1
        if status == "read":
            self._hb.setdefault(row["outcome"], Counter())[row["hb_g_dl"]] += 1
            follows = _what_follows(row)
            self._follows[follows] += 1
            self._sessions.add(row, unlikely=follows == "as_protocol")
        for key, groups in self._groups.items():
            groups.setdefault(row[key] or NOT_STATED, _Counting()).add(row)

    def result(self) -> Tally:
        """All that was counted."""
        return Tally(
            photos=self.rows.total(),
            distinct=self._once.total(),
            read=self._once["read"],
            refused=self._once["refused"],
            failed=self._once["failed"],
            refer=self._follows["refer"],
            confirm=self._follows["confirm"],
            as_protocol=self._follows["as_protocol"],
            hb_g_dl={outcome: dict(values) for outcome, values in sorted(self._hb.items())},
            outcomes=ranked(Counter({name: hb.total() for name, hb in self._hb.items()})),
            reasons=ranked(self._reasons),
            groups={key: _shown(groups) for key, groups in self._groups.items()},
            sessions_off=self._sessions.off(),
        )


def tally(rows: Iterable[Row]) -> Tally:
    """Count rows of a result table."""
    counting = Tallier()
    for row in rows:
        counting.add(row)
    return counting.result()


def _what_follows(row: Row) -> str:
    if row["refer"]:
        return "refer"
    return "confirm" if row["confirm"] else "as_protocol"


def ranked(counts: Counter[str]) -> tuple[tuple[str, int], ...]:
    """Names and their counts, the most frequent first."""
    return tuple(sorted(counts.items(), key=lambda item: (-item[1], item[0])))


def _shown(groups: dict[str, _Counting]) -> tuple[Group, ...]:
    ranked = sorted(groups, key=lambda name: (-groups[name].photos, name))
    shown = [_group(name, groups[name]) for name in ranked[:MOST_GROUPS]]
    if len(ranked) > MOST_GROUPS:
        rest = _Counting()
        for name in ranked[MOST_GROUPS:]:
            rest.take_in(groups[name])
        shown.append(_group(OTHERS, rest))
    return tuple(shown)


def _group(name: str, counted: _Counting) -> Group:
    hb = counted.hb_g_dl
    low, middle, high = quantiles(hb, (0.1, 0.5, 0.9)) if hb else (None, None, None)
    return Group(
        name=name,
        photos=counted.photos,
        read=hb.total(),
        refused=counted.photos - hb.total(),
        uncertain=counted.uncertain,
        p10=low,
        median=middle,
        p90=high,
    )


def quantiles(counts: Counter[float], at: tuple[float, ...]) -> list[float]:
    """Quantiles of values that were counted, between neighbours in proportion as NumPy does."""
    values = np.array(sorted(counts))
    up_to = np.cumsum([counts[value] for value in values.tolist()])
    place = np.array(at) * (up_to[-1] - 1)
    below, above = (
        values[np.searchsorted(up_to, whole, side="right")]
        for whole in (np.floor(place), np.ceil(place))
    )
    between: list[float] = (below + (place - np.floor(place)) * (above - below)).tolist()
    return between
