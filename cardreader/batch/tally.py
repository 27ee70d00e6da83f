"""Counts of a result table: what a summary shows, worked out before anything is drawn."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    import pyarrow as pa

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
    hb_g_dl : outcome to values
    outcomes, reasons : (name, count) pairs, the most frequent first
    groups : column ("phone", "lot_id", "light") to its groups, the largest first
    """

    photos: int
    distinct: int
    read: int
    refused: int
    failed: int
    hb_g_dl: dict[str, tuple[float, ...]]
    outcomes: tuple[tuple[str, int], ...]
    reasons: tuple[tuple[str, int], ...]
    groups: dict[str, tuple[Group, ...]]


_COLUMNS = (
    "duplicate_of", "status", "reason", "outcome", "hb_g_dl", "phone", "lot_id", "light",
)  # fmt: skip


def tally(table: pa.Table) -> Tally:
    """Count a result table."""
    rows = table.select(_COLUMNS).to_pylist()
    once = [row for row in rows if row["duplicate_of"] is None]
    status = Counter(row["status"] for row in once)
    read = [row for row in once if row["status"] == "read"]
    hb: dict[str, list[float]] = {}
    for row in read:
        hb.setdefault(row["outcome"], []).append(row["hb_g_dl"])
    return Tally(
        photos=len(rows),
        distinct=len(once),
        read=status["read"],
        refused=status["refused"],
        failed=status["failed"],
        hb_g_dl={outcome: tuple(values) for outcome, values in sorted(hb.items())},
        outcomes=_ranked(row["outcome"] for row in read),
        reasons=_ranked(row["reason"] for row in once if row["reason"]),
        groups={key: _groups(once, key) for key in ("phone", "lot_id", "light")},
    )


def _ranked(names: Iterable[str]) -> tuple[tuple[str, int], ...]:
    return tuple(sorted(Counter(names).items(), key=lambda item: (-item[1], item[0])))


def _groups(rows: list[Row], key: str) -> tuple[Group, ...]:
    by_name: dict[str, list[Row]] = {}
    for row in rows:
        by_name.setdefault(row[key] or NOT_STATED, []).append(row)
    ranked = sorted(by_name, key=lambda name: (-len(by_name[name]), name))
    if len(ranked) > MOST_GROUPS:
        rest = [row for name in ranked[MOST_GROUPS:] for row in by_name[name]]
        return (*(_group(n, by_name[n]) for n in ranked[:MOST_GROUPS]), _group(OTHERS, rest))
    return tuple(_group(name, by_name[name]) for name in ranked)


def _group(name: str, rows: list[Row]) -> Group:
    hb = [row["hb_g_dl"] for row in rows if row["status"] == "read"]
    low, middle, high = np.percentile(hb, (10, 50, 90)).tolist() if hb else (None, None, None)
    return Group(
        name=name,
        photos=len(rows),
        read=len(hb),
        refused=len(rows) - len(hb),
        uncertain=sum(row["outcome"] == "uncertain" for row in rows),
        p10=low,
        median=middle,
        p90=high,
    )
