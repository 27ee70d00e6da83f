"""Which photos of a batch somebody should look at."""

from __future__ import annotations

import heapq
from collections.abc import Callable
from typing import Any

MOST_SHOWN = 48
MOST_REFERRED = 500
"""Names that the page lists of photos whose women are to be referred; the table has them all."""

Row = dict[str, Any]
_KEPT = (
    "photo", "sha256", "status", "reason", "detail", "outcome", "question", "hb_g_dl",
    "hb_low_g_dl", "hb_high_g_dl", "p_severe", "p_anaemic", "refer",
)  # fmt: skip


class Doubtful:
    """Looks at rows as they go by, in order of name, and keeps at most a page of each kind.

    Readings that may be severe come first, then refusals and failures with each
    reason in turn, then other uncertain readings, the most open question first.
    """

    def __init__(self) -> None:
        self._severe = _Least(_gravest_first)
        self._open = _Least(lambda row: (abs(row["p_anaemic"] - 0.5), row["photo"]))
        self._not_read: dict[str, list[Row]] = {}
        self._refer = _Least(_gravest_first, MOST_REFERRED)

    def add(self, row: Row) -> None:
        """Look at a row of the result table; a content that was there before is passed over."""
        if row["duplicate_of"] is not None:
            return
        if row["refer"]:
            self._refer.add(row)
        if row["status"] != "read":
            same = self._not_read.setdefault(row["reason"], [])
            if len(same) < MOST_SHOWN:
                same.append(_kept(row))
        elif row["question"] == "may_be_severe":
            self._severe.add(row)
        elif row["question"] == "may_be_anaemic":
            self._open.add(row)

    def rows(self) -> list[Row]:
        """The rows to show, at most `MOST_SHOWN`, the gravest first."""
        severe, not_read, others = self._severe.rows(), self._in_turn(), self._open.rows()
        third = MOST_SHOWN // 3
        first = [*severe[:third], *not_read[:third], *others[:third]]
        more = [*severe[third:], *not_read[third:], *others[third:]]
        return [*first, *more][:MOST_SHOWN]

    def referred(self) -> list[Row]:
        """Photos whose women are to be referred, at most `MOST_REFERRED`, the gravest first."""
        return self._refer.rows()

    def _in_turn(self) -> list[Row]:
        by_reason = self._not_read
        out = []
        for turn in range(max(map(len, by_reason.values()), default=0)):
            out += [by_reason[r][turn] for r in sorted(by_reason) if turn < len(by_reason[r])]
        return out


def _gravest_first(row: Row) -> tuple[float, str]:
    return -row["p_severe"], row["photo"]


class _Least:
    """The rows of least key among all that were added, at most ``most``."""

    def __init__(self, key: Callable[[Row], tuple[float, str]], most: int = MOST_SHOWN) -> None:
        self._key, self._most = key, most
        self._rows: list[Row] = []

    def add(self, row: Row) -> None:
        self._rows.append(_kept(row))
        if len(self._rows) >= 20 * self._most:
            self._rows = self.rows()

    def rows(self) -> list[Row]:
        return heapq.nsmallest(self._most, self._rows, key=self._key)


def _kept(row: Row) -> Row:
    return {name: row[name] for name in _KEPT}
