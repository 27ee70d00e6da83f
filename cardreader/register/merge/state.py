"""What a register says of women, and how two such sayings become one. No database here.

A record is its row as first entered and a set of changes. A change never changes; it
names those it replaces. What two registers say together is the union of their sets, so
joining is commutative, associative and idempotent, and nothing is lost. What holds of a
field is what nothing replaces: one value, or several side by side where two registers
changed it and neither knew of the other.
"""

from __future__ import annotations

import dataclasses
import datetime as dt
from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace
from typing import Any

from cardreader.register.fieldchanges import FIRST, first_id
from cardreader.register.fieldgroups import fields_of

Row = dict[str, Any]
"""A row as JSON holds it."""
Key = tuple[str, str]
"""A table's name and a record's id."""


@dataclass(frozen=True)
class Change:
    """A field's value; ``replaces`` the changes whose author knew of them."""

    id: str
    field: str
    value: Row
    at: dt.datetime
    replaces: frozenset[str] = frozenset()
    by: str | None = dataclasses.field(default=None, compare=False)
    register_id: str | None = dataclasses.field(default=None, compare=False)


@dataclass(frozen=True)
class Record:
    """A record: the row as entered, without the fields that have changes, and those."""

    table: str
    id: str
    row: Row
    changes: Mapping[str, Change] = dataclasses.field(default_factory=dict)
    _said: dict[str, Mapping[str, Change]] = dataclasses.field(
        default_factory=dict, init=False, repr=False, compare=False
    )
    """By field, once asked for: registers that meet ask several times."""

    def said(self, name: str) -> Mapping[str, Change]:
        """All that was ever said of a field, its first value among it."""
        if name not in self._said:
            self._said[name] = self._all_said(name)
        return self._said[name]

    def _all_said(self, name: str) -> dict[str, Change]:
        of_it = {c.id: c for c in self.changes.values() if c.field == name}
        if of_it or not set(fields_of(self.table)[name]) <= set(self.row):
            return of_it
        value = {column: self.row[column] for column in fields_of(self.table)[name]}
        first = first_id(self.id, name, value)
        return {first: Change(first, name, value, FIRST)}

    def heads(self, name: str) -> list[Change]:
        """What holds of a field, the oldest first: more than one where registers differ."""
        said = self.said(name)
        replaced = {other for change in said.values() for other in change.replaces}
        return sorted(
            (change for change in said.values() if change.id not in replaced),
            key=lambda change: (change.at, change.id),
        )


@dataclass(frozen=True)
class WomanState:
    """All that a register says of a woman's own record."""

    id: str
    records: Mapping[Key, Record] = dataclasses.field(default_factory=dict)


@dataclass(frozen=True)
class Joined:
    """That two records are one woman's, until parted."""

    id: str
    one_id: str
    other_id: str
    entered_at: str
    parted_at: str | None = None
    entered_by: str | None = dataclasses.field(default=None, compare=False)
    parted_by: str | None = dataclasses.field(default=None, compare=False)


@dataclass(frozen=True)
class State:
    """All that a register says. Who was deleted stays deleted, whatever others say of her."""

    women: Mapping[str, WomanState] = dataclasses.field(default_factory=dict)
    removed: frozenset[str] = frozenset()
    joinings: Mapping[str, Joined] = dataclasses.field(default_factory=dict)


def join(one: State, other: State) -> State:
    """What two registers say together."""
    removed = one.removed | other.removed
    women = {
        name: join_women(one.women.get(name), other.women.get(name))
        for name in {*one.women, *other.women} - removed
    }
    joinings = {
        name: join_joinings(one.joinings.get(name), other.joinings.get(name))
        for name in {*one.joinings, *other.joinings}
    }
    return State(women, removed, joinings)


def join_women(one: WomanState | None, other: WomanState | None) -> WomanState:
    """What two registers say of a woman together; ValueError for two women."""
    if one is None or other is None:
        found = one or other
        if found is None:
            raise ValueError("nothing was said of her")
        return found
    if one.id != other.id:
        raise ValueError("two women are joined by a joining alone")
    keys = {*one.records, *other.records}
    both = {key: _join_records(one.records.get(key), other.records.get(key)) for key in keys}
    return WomanState(one.id, both)


def _join_records(one: Record | None, other: Record | None) -> Record:
    if one is None or other is None:
        found = one or other
        assert found is not None
        return found
    if one == other:
        return one
    row: Row = {name: one.row[name] for name in ("id", "woman_id") if name in one.row}
    changes: dict[str, Change] = {}
    for name, columns in fields_of(one.table).items():
        said = {**one.said(name), **other.said(name)}
        if len(said) == 1 and (only := next(iter(said.values()))).at == FIRST:
            row.update({column: only.value[column] for column in columns})
        else:
            changes.update(said)
    return Record(one.table, one.id, row, changes)


def join_joinings(one: Joined | None, other: Joined | None) -> Joined:
    """A joining that was parted anywhere is parted; the first parting counts."""
    if one is None or other is None:
        found = one or other
        if found is None:
            raise ValueError("there is no joining")
        return found
    parted = [j for j in (one, other) if j.parted_at is not None]
    if not parted:
        return one
    first = min(parted, key=lambda j: j.parted_at or "")
    return replace(one, parted_at=first.parted_at, parted_by=first.parted_by)


def record_of(table: str, row: Row, changes: Collection[Change] = ()) -> Record:
    """A record from a row as it stands and the changes kept beside it."""
    first = dict(row)
    kept: dict[str, Change] = {}
    for name, columns in fields_of(table).items():
        said = [change for change in changes if change.field == name]
        if len(said) == 1 and said[0].at == FIRST:
            # Kept because the register shows something else; said is the first value alone.
            first.update(said[0].value)
        elif said:
            kept.update({change.id: change for change in said})
            for column in columns:
                first.pop(column, None)
    return Record(table, row["id"], first, kept)
