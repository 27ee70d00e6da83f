"""Which tables travel between registers, and which columns of a record change together.

Every table with a woman's entries travels, also one that is made later: a column that
is named nowhere here is a field of its own.
"""

from __future__ import annotations

import datetime as dt
from functools import cache
from typing import Any

from sqlalchemy import DateTime, MetaData, Table

from cardreader.register.base import Base, UtcDateTime
from cardreader.register.models import Woman

WOMAN = Woman.__tablename__
_TOGETHER: dict[str, dict[str, tuple[str, ...]]] = {
    WOMAN: {
        "gestation": ("gestation_weeks", "gestation_on"),
        "closing": ("closed_on", "closed_reason", "followed_from"),
        "birth": ("birth_on", "birth_outcome"),
    },
    "visit": {"result": ("hb_g_dl", "low_g_dl", "high_g_dl", "sd_g_dl", "band", "result")},
    "reading": {"set_aside": ("set_aside_at", "set_aside_why")},
    "referral": {
        "alarm": ("band", "hb_g_dl", "low_g_dl", "high_g_dl", "urgent", "source"),
        "closing": ("outcome", "closed_at", "closing_reading_id"),
    },
}
_LOCAL = {"reading": ("photo_file",), WOMAN: ("contradicts",)}
"""What is true of one register alone: where it keeps a photo, what it found of her records."""
_FIXED = ("id", "woman_id")


@cache
def plain_tables() -> dict[str, Table]:
    """The tables that travel, in the order in which rows can be entered.

    Times in them are naive UTC, as they are kept, and as a file holds them.
    """
    copy = MetaData()
    for table in Base.metadata.sorted_tables:
        plain = table.to_metadata(copy)
        for column in plain.columns:
            if isinstance(column.type, UtcDateTime):
                column.type = DateTime()
    names = [table.name for table in Base.metadata.sorted_tables]
    return {name: copy.tables[name] for name in names if name in travelling_names()}


@cache
def travelling_names() -> frozenset[str]:
    """The names of the tables that travel."""
    tables = Base.metadata.tables.values()
    return frozenset(t.name for t in tables if t.name == WOMAN or _is_of_a_woman(t))


def _is_of_a_woman(table: Table) -> bool:
    keys = table.c.woman_id.foreign_keys if {"id", "woman_id"} <= set(table.c.keys()) else set()
    return any(key.column.table.name == WOMAN for key in keys)


@cache
def fields_of(table: str) -> dict[str, tuple[str, ...]]:
    """Field -> its columns, for every column that travels and may change."""
    together = _TOGETHER.get(table, {})
    grouped = {column for columns in together.values() for column in columns}
    left_out = {*grouped, *_FIXED, *_LOCAL.get(table, ())}
    alone = {c: (c,) for c in plain_tables()[table].c.keys() if c not in left_out}  # noqa: SIM118
    return {**together, **alone}


@cache
def field_of(table: str) -> dict[str, str]:
    """Column -> the field it belongs to."""
    return {column: field for field, columns in fields_of(table).items() for column in columns}


@cache
def travelling_columns(table: str) -> tuple[str, ...]:
    """The columns that a row takes with it."""
    local = _LOCAL.get(table, ())
    return tuple(name for name in plain_tables()[table].c.keys() if name not in local)  # noqa: SIM118


def plain(value: Any) -> Any:
    """A value as JSON holds it; times are naive UTC."""
    if isinstance(value, dt.datetime):
        value = value if value.tzinfo is None else value.astimezone(dt.UTC).replace(tzinfo=None)
    return value.isoformat() if isinstance(value, dt.date) else value
