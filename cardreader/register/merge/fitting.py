"""What the tables can't hold as another register says it: references to nothing, taken codes."""

from __future__ import annotations

from collections.abc import Collection, Mapping

from sqlalchemy import Table, select
from sqlalchemy.orm import Session

from cardreader.register.fieldgroups import WOMAN, plain_tables
from cardreader.register.merge.state import Row
from cardreader.register.mergemodels import JoinedAway
from cardreader.register.models import Account
from cardreader.register.parts import in_parts
from cardreader.register.rowcheck import RowError

LONGEST_KEY = 64

LONGEST_CODE = 24


def fit(session: Session, table: Table, rows: Mapping[str, Row]) -> None:
    """Change in place what the table can't hold: references to what isn't here, taken codes."""
    for column in table.columns:
        for key in column.foreign_keys:
            if column.name != "woman_id":
                _drop_missing(session, key.column.table, column.name, rows)
    if table.name == WOMAN:
        _free_codes(session, rows)
    if "submission_key" in table.c:
        _free_keys(session, table, rows)


def _drop_missing(session: Session, target: Table, name: str, rows: Mapping[str, Row]) -> None:
    wanted = {row[name] for row in rows.values() if row[name] is not None}
    here: set[str] = set()
    if target.name in plain_tables() or target.name == Account.__tablename__:
        for some in in_parts(wanted):
            here |= set(session.scalars(select(target.c.id).where(target.c.id.in_(some))))
    here |= {one for one in wanted if one in rows}
    for row in rows.values():
        if row[name] not in here:
            row[name] = None


def _free_codes(session: Session, rows: Mapping[str, Row]) -> None:
    taken: set[str] = set()
    keeps: set[str] = set()
    woman = plain_tables()[WOMAN].c
    for some in in_parts({row["code"] for row in rows.values()}):
        for code, one in session.execute(select(woman.code, woman.id).where(woman.code.in_(some))):
            # Who has a code keeps it, unless she gets another now.
            if rows.get(one, {}).get("code") == code:
                keeps.add(one)
            else:
                taken.add(code)
        taken |= set(session.scalars(select(JoinedAway.code).where(JoinedAway.code.in_(some))))
    used: set[str] = set()
    for row in sorted(rows.values(), key=lambda row: row["id"] not in keeps):
        if row["code"] in taken | used:
            row["code"] = free_code(session, row["code"], row["id"], used)
        used.add(row["code"])


def free_code(
    session: Session, code: str, woman_id: str, used: Collection[str] = frozenset()
) -> str:
    """Her code, or one made of it and her id where another woman here has it."""
    for digits in (0, 4, 8, 12):
        ending = f"-{woman_id.replace('-', '')[:digits].upper()}" if digits else ""
        tried = code[: LONGEST_CODE - len(ending)].rstrip("-/") + ending
        if tried not in used and not _is_taken(session, tried, woman_id):
            return tried
    raise RowError("no code is left for a woman whose code another has")


def _is_taken(session: Session, code: str, woman_id: str) -> bool:
    woman = plain_tables()[WOMAN].c
    taken = select(woman.id).where(woman.code == code, woman.id != woman_id)
    away = select(JoinedAway.woman_id).where(
        JoinedAway.code == code, JoinedAway.woman_id != woman_id, JoinedAway.into_id != woman_id
    )
    return session.execute(taken.union_all(away)).first() is not None


def _free_keys(session: Session, table: Table, rows: Mapping[str, Row]) -> None:
    keys = {row["submission_key"] for row in rows.values()}
    owner: dict[str, str] = {}
    for some in in_parts(keys):
        key = table.c.submission_key
        owner.update(
            (row[0], row[1])
            for row in session.execute(select(key, table.c.id).where(key.in_(some)))
        )
    for row in rows.values():
        key = row["submission_key"]
        if owner.setdefault(key, row["id"]) != row["id"]:
            row["submission_key"] = f"{key[: LONGEST_KEY - 37]}~{row['id']}"
