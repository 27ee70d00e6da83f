"""What a register shows of a field of which several values hold. No database here.

Until somebody decides, what is shown is what can hurt least: followed rather than
closed, urgent rather than not, still open rather than answered. All values stay.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from typing import Any

from cardreader.decide.rule import Outcome
from cardreader.decide.subject import Smoking
from cardreader.register.fieldgroups import WOMAN, fields_of
from cardreader.register.merge.contradictions import contradicting_pregnancies, of_one
from cardreader.register.merge.state import Change, Record, Row

_ALARM = (
    Outcome.SEVERE,
    Outcome.ANAEMIC,
    Outcome.UNCERTAIN,
    Outcome.NOT_READ,
    Outcome.NOT_ANAEMIC,
)


KNOWN_AGAIN = dt.timedelta(weeks=8)
"""From a birth until a pregnancy after it can be known of at all."""


_SMOKING = (
    *(Smoking.FROM_20, Smoking.FROM_10_TO_19, Smoking.UNDER_10, Smoking.SOME),
    *(None, Smoking.NONE),
)
"""The more she smokes, the more of what is measured is owed to it."""


def _by_smoking(value: Row) -> tuple[Any, ...]:
    smoking = value["smoking"]
    return (_SMOKING.index(None if smoking is None else Smoking(smoking)),)


def _by_alarm(value: Row) -> tuple[Any, ...]:
    band = value["band"]
    place = _ALARM.index(Outcome(band)) if band in set(Outcome) else len(_ALARM)
    hb = value["hb_g_dl"]
    return (not value.get("urgent", False), place, hb is None, hb or 0.0)


_CAUTION: dict[tuple[str, str], Callable[[Row], tuple[Any, ...]]] = {
    (WOMAN, "closing"): lambda v: (v["closed_on"] is not None,),
    (WOMAN, "birth"): lambda v: (v["birth_on"] is not None,),
    (WOMAN, "smoking"): _by_smoking,
    ("referral", "closing"): lambda v: (v["closed_at"] is not None,),
    ("referral", "alarm"): _by_alarm,
    ("visit", "result"): _by_alarm,
    # A mistake that one register saw is a mistake.
    ("reading", "set_aside"): lambda v: (v["set_aside_at"] is None, v["set_aside_at"] or ""),
    ("event", "set_aside_at"): lambda v: (v["set_aside_at"] is None, v["set_aside_at"] or ""),
    ("treatment", "ended_on"): lambda v: (v["ended_on"] is None, v["ended_on"] or ""),
}
"""The value that sorts first is shown."""

SETTLED = frozenset(
    {
        ("visit", "result"),
        ("referral", "alarm"),
        ("reading", "set_aside"),
        ("event", "set_aside_at"),
        ("treatment", "ended_on"),
    }
)
"""Fields that nobody need decide: what is shown follows from the rest of her record."""

_MEANT: dict[tuple[str, str], Callable[[Row], Any]] = {
    ("referral", "closing"): lambda v: (v["closed_at"] is not None, v["outcome"]),
    (WOMAN, "closing"): lambda v: (v["closed_on"] is not None, v["closed_reason"]),
    (WOMAN, "birth"): lambda v: (v["birth_on"], v["birth_outcome"]),
}
"""What two values must share to say the same; otherwise all of it."""


def shown(record: Record, name: str) -> Row:
    """The value of a field that the register shows."""
    heads = record.heads(name)
    caution = _CAUTION.get((record.table, name), lambda _: ())
    # The newest of the most cautious; by id where even the times are equal.
    best = min(caution(change.value) for change in heads)
    return [change for change in heads if caution(change.value) == best][-1].value


def row_of(record: Record) -> Row:
    """The row as the register shows it."""
    row = dict(record.row)
    for name in {change.field for change in record.changes.values()}:
        row.update(shown(record, name))
    if record.table != WOMAN:
        return row
    if len(told := told_by(record, row)) > 1:
        return {**row, **shown_of_joined([said for said, _ in told])}
    return of_one(row)


def told_by(record: Record, row: Row) -> list[tuple[Row, Change | None]]:
    """What a woman's record says of all of her, once for each of the weeks that stand.

    Registers that told other weeks apart from each other tell of pregnancies as two records do.
    The newest first, with what said so; one without where the weeks are not in doubt.
    """
    heads = record.heads("gestation")
    if not differ(WOMAN, "gestation", heads):
        return [(row, None)]
    return [({**row, **head.value}, head) for head in reversed(heads)]


def to_decide(record: Record) -> dict[str, list[Change]]:
    """Field -> the values that somebody must decide between, the oldest first."""
    out = {}
    for name in fields_of(record.table):
        if (record.table, name) not in SETTLED and differ(record.table, name, record.heads(name)):
            out[name] = record.heads(name)
    return out


def differ(table: str, name: str, heads: list[Change]) -> bool:
    """Whether the values of a field say different things."""
    meant = _MEANT.get((table, name), lambda value: value)
    return any(meant(change.value) != meant(heads[0].value) for change in heads[1:])


def shown_of_joined(told: Sequence[Row]) -> Row:
    """What is shown of a woman whose records say different things of all of her.

    ``told``: closing, birth, weeks, smoking and ``added_at`` of each record, the one entered first
    first; of a record in which several weeks stand once with each (`told_by`). She is followed if
    any record of hers is, and pregnant if any still is: with the weeks told last. A birth ends
    every pregnancy whose weeks were told by then, and every one without weeks of which it could
    not have been known by then that it is another: the limits for after a birth are the higher
    ones, and whoever comes later is asked for her weeks all the same.

    Where their pregnancies can't all be as told her weeks are not known, for which the strictest
    limits hold, and she gave birth if any of them says so: those limits are higher still.
    """
    said = [of_one(row) for row in told]
    followed = next((row for row in said if row["closed_on"] is None), said[0])
    smoking = min(said, key=_by_smoking)
    shown_now = {
        **_columns(followed, "closing"),
        **_columns(smoking, "smoking"),
    }
    if doubtful := contradicting_pregnancies(said):
        born = max(doubtful, key=lambda row: row["birth_on"] or "")
        unknown = {"gestation_weeks": None, "gestation_on": None}
        return {**shown_now, **_columns(born, "birth"), **unknown}
    births = [row["birth_on"] for row in said if row["birth_on"] is not None]
    last_birth = max(births, default="")
    pregnant = [row for row in said if row["birth_on"] is None and _goes_on(row, last_birth)]
    over = [row for row in said if row["birth_on"] == last_birth]
    weeks = max(pregnant or over, key=lambda row: row["gestation_on"] or "")
    return {**shown_now, **_columns(weeks, "birth"), **_columns(weeks, "gestation")}


def _columns(row: Row, name: str) -> Row:
    return {column: row[column] for column in fields_of(WOMAN)[name]}


def _goes_on(row: Row, last_birth: str) -> bool:
    told_on: str | None = row["gestation_on"]
    if told_on is not None or not last_birth:
        return told_on is None or told_on > last_birth
    since = max(row["added_at"][: len(last_birth)], row["followed_from"] or "")
    return since >= (dt.date.fromisoformat(last_birth) + KNOWN_AGAIN).isoformat()
