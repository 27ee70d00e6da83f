"""What this register says, out of its tables and back into them."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping
from functools import cache
from typing import Any

from sqlalchemy import Select, Table, bindparam, insert, or_, select, update
from sqlalchemy.orm import Session

from cardreader.register.fieldchanges import FIRST, first_id
from cardreader.register.fieldgroups import (
    WOMAN,
    fields_of,
    plain,
    plain_tables,
    travelling_columns,
)
from cardreader.register.merge.choosing import row_of
from cardreader.register.merge.fitting import fit
from cardreader.register.merge.state import (
    Change,
    Joined,
    Key,
    Record,
    Row,
    WomanState,
    record_of,
)
from cardreader.register.mergemodels import (
    FieldChange,
    JoinedAway,
    Joining,
    Moved,
)
from cardreader.register.parts import SOME, in_parts
from cardreader.register.rowcheck import RowError, checked_row

# What is asked at each change, made once.
_JOINED = select(JoinedAway).where(or_(JoinedAway.woman_id.in_(SOME), JoinedAway.into_id.in_(SOME)))
_CHANGES = select(FieldChange).where(
    FieldChange.woman_id.in_(SOME),
    FieldChange.in_table.in_(bindparam("tables", expanding=True)),
)
_CHANGES_OF_RECORDS = select(FieldChange.id).where(FieldChange.record.in_(SOME))
_INTO = select(JoinedAway.woman_id, JoinedAway.into_id).where(JoinedAway.woman_id.in_(SOME))


def load_joinings(session: Session) -> dict[str, Joined]:
    """Every joining there ever was."""
    return {
        j.id: Joined(
            *(j.id, j.one_id, j.other_id, plain(j.entered_at), plain(j.parted_at)),
            entered_by=j.entered_by,
            parted_by=j.parted_by,
        )
        for j in session.scalars(select(Joining))
    }


def load_women(
    session: Session, women: Collection[str], tables: Collection[str] | None = None
) -> dict[str, WomanState]:
    """What is said of these women's own records; who isn't here is left out.

    ``tables``: of some tables alone, that of the women among them.
    """
    out: dict[str, WomanState] = {}
    for some in in_parts(women):
        out.update(_load(session, some, plain_tables().keys() if tables is None else tables))
    return out


def _load(session: Session, women: list[str], tables: Collection[str]) -> dict[str, WomanState]:
    rows = _rows(session, women, tables)
    changes: dict[Key, list[Change]] = defaultdict(list)
    for found in session.scalars(_CHANGES, {"some": women, "tables": list(tables)}):
        changes[found.in_table, found.record].append(_change(found))
    out = {}
    for woman, records in rows.items():
        if (WOMAN, woman) in records:
            out[woman] = WomanState(
                woman,
                {key: record_of(key[0], row, changes[key]) for key, row in records.items()},
            )
    return out


def _change(kept: FieldChange) -> Change:
    return Change(
        *(kept.id, kept.field, kept.said["value"], kept.at, frozenset(kept.said["replaces"])),
        by=kept.by,
        register_id=kept.register_id,
    )


def _rows(session: Session, women: list[str], tables: Collection[str]) -> dict[str, dict[Key, Row]]:
    """Own rows of women as they stand, by table and id."""
    out: dict[str, dict[Key, Row]] = defaultdict(dict)
    asked = set(women)
    away = list(session.scalars(_JOINED, {"some": women}))
    for one in away:
        if one.woman_id in asked:
            out[one.woman_id][WOMAN, one.woman_id] = dict(one.row)
    homes: dict[str, dict[str, str]] = defaultdict(dict)
    if out:  # what hangs on another is always of one who is joined away
        for moved in session.scalars(select(Moved).where(Moved.own_id.in_(women))):
            homes[moved.in_table][moved.record] = moved.own_id
    guests = _guests(session, {one.into_id for one in away} & asked)
    for name in tables:
        of_women, by_id = _asked(name)
        for row in session.execute(of_women, {"some": women}).mappings():
            if row["id"] not in guests:
                own = row["id"] if name == WOMAN else row["woman_id"]
                out[own][name, row["id"]] = {k: plain(v) for k, v in row.items()}
        for some in in_parts(homes.get(name, ())):
            for row in session.execute(by_id, {"some": some}).mappings():
                own = homes[name][row["id"]]
                out[own][name, row["id"]] = {k: plain(v) for k, v in row.items()} | {
                    "woman_id": own
                }
    return out


@cache
def _asked(name: str) -> tuple[Select[Any], Select[Any]]:
    """What asks a table for the rows of ``some`` women, and for those with ``some`` ids.

    Made once: to put a statement together takes as long as to run it.
    """
    table = plain_tables()[name]
    rows = select(*(table.c[column] for column in travelling_columns(name)))
    whose = table.c.id if name == WOMAN else table.c.woman_id
    return rows.where(whose.in_(SOME)), rows.where(table.c.id.in_(SOME))


def _guests(session: Session, shown: set[str]) -> set[str]:
    """Records that hang on these women and are not their own."""
    if not shown:
        return set()
    away = select(JoinedAway.woman_id).where(JoinedAway.into_id.in_(shown))
    return set(session.scalars(select(Moved.record).where(Moved.own_id.in_(away))))


# --- back into the tables -----------------------------------------------------------


def write_women(
    session: Session, women: Iterable[WomanState], before: Mapping[str, WomanState]
) -> None:
    """Make the tables say this; ``before`` is what they say now of the same women.

    Only of women who are shown by themselves. RowError for what can't be in them.
    """
    new: dict[str, list[Record]] = defaultdict(list)
    changed: dict[str, list[Record]] = defaultdict(list)
    owner: dict[Key, str] = {}
    for woman in women:
        known = before[woman.id].records if woman.id in before else {}
        for key, record in woman.records.items():
            if record != known.get(key):
                (changed if key in known else new)[record.table].append(record)
                owner[key] = woman.id
    _must_be_new(session, new)
    for name, table in plain_tables().items():
        added, mended = new.get(name, []), changed.get(name, [])
        rows = {record.id: row_of(record) for record in (*added, *mended)}
        fit(session, table, rows)
        if added:
            # Columns that don't travel may be empty, and are.
            session.execute(insert(table), [checked_row(table, rows[r.id]) for r in added])
        _update(session, table, [rows[r.id] for r in mended])
        _keep_changes(session, (*added, *mended), owner, rows)


def _update(session: Session, table: Table, rows: list[Row]) -> None:
    if not rows:
        return
    names = tuple(n for n in travelling_columns(table.name) if n not in ("id", "woman_id"))
    session.connection().execute(
        update(table)
        .where(table.c.id == bindparam("the_id"))
        .values({name: bindparam(f"new_{name}") for name in names}),
        [
            {
                "the_id": row["id"],
                **{f"new_{n}": v for n, v in checked_row(table, row, names).items()},
            }
            for row in rows
        ],
    )


def write_row(session: Session, record: Record, own: str, instead: Row | None = None) -> None:
    """Show a record as it is said, or with some values ``instead``; what is said is kept."""
    table = plain_tables()[record.table]
    rows = {record.id: row_of(record) | (instead or {})}
    fit(session, table, rows)
    _update(session, table, list(rows.values()))
    _keep_changes(session, (record,), {(record.table, record.id): own}, rows)


def _must_be_new(session: Session, records: Mapping[str, list[Record]]) -> None:
    for name, added in records.items():
        ids = plain_tables()[name].c.id
        for some in in_parts(record.id for record in added):
            if session.scalar(select(ids).where(ids.in_(some)).limit(1)) is not None:
                raise RowError(f"a record of {name} is another woman's here")


def _keep_changes(
    session: Session,
    records: Collection[Record],
    owner: Mapping[Key, str],
    rows: Mapping[str, Row],
) -> None:
    """Keep what isn't kept yet, and which changes hold now."""
    known: set[str] = set()
    for some in in_parts(r.id for r in records):
        known |= set(session.scalars(_CHANGES_OF_RECORDS, {"some": some}))
    new: list[Row] = []
    over: list[str] = []
    for record in records:
        kept = {**record.changes, **_shown_otherwise(record, rows[record.id])}
        names = {change.field for change in kept.values()}
        heads = {change.id for name in names for change in record.heads(name)}
        for change in kept.values():
            if change.id in known:
                over += [] if change.id in heads else [change.id]
            else:
                new.append(_as_row(record, change, owner, change.id in heads))
    if new:
        session.execute(insert(FieldChange), new)
    for some in in_parts(over):
        session.execute(update(FieldChange).where(FieldChange.id.in_(some)).values(head=False))


def _shown_otherwise(record: Record, row: Row) -> dict[str, Change]:
    """First values that the row doesn't show: they are kept, or they would be lost."""
    out = {}
    changed = {change.field for change in record.changes.values()}
    for name, columns in fields_of(record.table).items():
        if name in changed:
            continue
        value = {column: record.row[column] for column in columns}
        if any(row[column] != value[column] for column in columns):
            first = first_id(record.id, name, value)
            out[first] = Change(first, name, value, FIRST)
    return out


def _as_row(record: Record, change: Change, owner: Mapping[Key, str], head: bool) -> Row:
    return {
        "id": change.id,
        "woman_id": owner[record.table, record.id],
        "in_table": record.table,
        "record": record.id,
        "field": change.field,
        "said": {"value": change.value, "replaces": sorted(change.replaces)},
        "at": change.at,
        "by": change.by,
        "register_id": change.register_id,
        "head": head,
    }


def utc(text: str | None) -> dt.datetime | None:
    """A time as a file holds it, aware."""
    return None if text is None else dt.datetime.fromisoformat(text).replace(tzinfo=dt.UTC)


def shown_values(session: Session, women: Collection[str]) -> dict[str, Any]:
    """Woman's id -> the id of the woman she is shown as."""
    away = {
        row[0]: row[1] for some in in_parts(women) for row in session.execute(_INTO, {"some": some})
    }
    return {one: away.get(one, one) for one in women}
