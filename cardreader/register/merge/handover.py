"""Writing what is new since the last hand-over to a known register into one sealed file."""

from __future__ import annotations

import tarfile
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sqlalchemy import func, select, text
from sqlalchemy.orm import Session

from cardreader.core.files import PRIVATE, open_atomic
from cardreader.register import audit
from cardreader.register.base import utc_now
from cardreader.register.database import Database, current_revision
from cardreader.register.fieldgroups import plain_tables
from cardreader.register.merge.parcel import Head, Packer, ParcelError
from cardreader.register.merge.registers import kin_of, own_register
from cardreader.register.merge.state import WomanState
from cardreader.register.merge.store import load_joinings, load_women
from cardreader.register.merge.together import Person
from cardreader.register.merge.wire import (
    REMOVED,
    joining_line,
    person_line,
    trail_line,
    woman_line,
)
from cardreader.register.mergemodels import (
    HeldBy,
    KnownRegister,
    OwnRegister,
    RemovedWoman,
    Touched,
)
from cardreader.register.models import Account, AuditEntry, Reading
from cardreader.register.parts import in_parts
from cardreader.register.photostore import PhotoStore, PhotoStoreError
from cardreader.terminal.progress import Progress

WOMEN_A_PART = 200
ENTRIES_A_PART = 5000


@dataclass(frozen=True)
class HandedOver:
    """What a hand-over holds."""

    to: str
    women: int
    removed: int
    photos: int
    whole: bool


def hand_over(
    database: Database,
    to_id: str,
    file: Path,
    everything: bool = False,
    photos: PhotoStore | None = None,
    by: str | None = None,
    progress: Progress | None = None,
) -> HandedOver:
    """Write what the register ``to_id`` wasn't told yet; with ``everything``, all of it.

    The file is whole or not there. Only then is it noted how far that register was told:
    a process killed in between tells it again next time, which does no harm. ParcelError
    when it isn't known.
    """
    progress = progress or Progress()
    with database.write() as session:
        own_register(session)  # made when it is first asked for
    with database.engine.connect() as connection:
        if not database.is_sqlite:
            connection.execute(text("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ"))
        with Session(connection) as session:
            known = session.get(KnownRegister, to_id)
            if known is None:
                raise ParcelError("that register is not known here: add its card first")
            own = own_register(session)
            since = (0, 0) if everything else (known.told, known.told_trail)
            women = _new(session, known, since[0])
            gone = _removed(session, since[0])
            head = _head(session, own, known, since, len(women))
            with (
                open_atomic(file, PRIVATE) as stream,
                tarfile.open(fileobj=stream, mode="w") as tar,
            ):
                packer = Packer(tar, head, own, known)
                _pack_trail(session, packer, since[1], head.up_to_trail)
                joinings = load_joinings(session).values()
                ids = set(women)
                joined = [j for j in joinings if j.one_id in ids or j.other_id in ids | gone]
                packer.lines(
                    [[REMOVED, one] for one in sorted(gone)] + [joining_line(j) for j in joined]
                )
                count = _pack_women(session, packer, women, own.id, photos, progress)
                packer.finish()
            done = HandedOver(known.name, len(women), len(gone), count, since == (0, 0))
    with database.write() as session:
        told = session.get_one(KnownRegister, to_id)
        told.told, told.told_trail, told.told_at = head.up_to, head.up_to_trail, utc_now()
        audit.append(session, "register.hand_over", to_id, by, women=len(women), up_to=head.up_to)
    return done


def _head(
    session: Session, own: OwnRegister, known: KnownRegister, since: tuple[int, int], women: int
) -> Head:
    return Head(
        giver=own.id,
        giver_name=own.name,
        taker=known.id,
        made_at=utc_now().isoformat(timespec="seconds"),
        revision=str(current_revision(session.connection())),
        since=since[0],
        up_to=session.scalar(select(func.max(Touched.seq))) or 0,
        since_trail=since[1],
        up_to_trail=session.scalar(select(func.max(AuditEntry.seq))) or 0,
        taken=known.taken,
        taken_trail=known.taken_trail,
        women=women,
    )


def _new(session: Session, known: KnownRegister, since: int) -> list[str]:
    """Women that register is to be told of, with everybody they were ever joined with."""
    removed = select(RemovedWoman.woman_id)
    query = select(Touched.woman_id).where(Touched.seq > since, Touched.woman_id.not_in(removed))
    if known.only_theirs:
        theirs = select(HeldBy.woman_id).where(HeldBy.register_id.in_(kin_of(session, known.id)))
        query = query.where(Touched.woman_id.in_(theirs))
    found = set(session.scalars(query))
    pairs = [(j.one_id, j.other_id) for j in load_joinings(session).values()]
    while more := {
        one for pair in pairs for one in pair if not found.isdisjoint(pair) and one not in found
    } - set(session.scalars(removed)):
        found |= more
    return sorted(found)


def _removed(session: Session, since: int) -> set[str]:
    query = select(RemovedWoman.woman_id).join(Touched, Touched.woman_id == RemovedWoman.woman_id)
    return set(session.scalars(query.where(Touched.seq > since)))


def _pack_trail(session: Session, packer: Packer, since: int, up_to: int) -> None:
    for start in range(since, up_to, ENTRIES_A_PART):
        entries = select(AuditEntry).where(
            AuditEntry.seq > start, AuditEntry.seq <= min(start + ENTRIES_A_PART, up_to)
        )
        packer.lines(
            [trail_line(entry) for entry in session.scalars(entries.order_by(AuditEntry.seq))]
        )
        session.expunge_all()


def _pack_women(
    session: Session,
    packer: Packer,
    women: list[str],
    own_id: str,
    photos: PhotoStore | None,
    progress: Progress,
) -> int:
    """Pack everybody, with those who entered it before; returns how many photos came along."""
    count, told = 0, set[str]()
    progress.start("women", len(women), unit="woman")
    try:
        for some in in_parts(women, WOMEN_A_PART):
            states = load_women(session, some)
            people = _people(session, states.values(), own_id, told)
            lines: list[Any] = [person_line(person) for person in people]
            for state in states.values():
                line = woman_line(state, own_id)
                files = dict(_photos(session, packer, state, photos))
                count += len(files)
                lines.append([*line, files])
            packer.lines(lines)
            session.expunge_all()
            progress.step(len(some))
    finally:
        progress.end()
    return count


def _people(
    session: Session, states: Iterable[WomanState], own_id: str, told: set[str]
) -> list[Person]:
    wanted: set[str] = set()
    for state in states:
        for record in state.records.values():
            columns = _columns_of_people(record.table)
            values = [record.row, *(change.value for change in record.changes.values())]
            wanted |= {v[c] for v in values for c in columns if v.get(c) is not None}
            wanted |= {change.by for change in record.changes.values() if change.by}
    out = []
    for some in in_parts(wanted - told):
        for account in session.scalars(select(Account).where(Account.id.in_(some))):
            out.append(Person(account.id, account.name, account.home_id or own_id))
    told |= wanted
    return out


def _columns_of_people(table: str) -> list[str]:
    return [
        column.name
        for column in plain_tables()[table].columns
        for key in column.foreign_keys
        if key.column.table.name == Account.__tablename__
    ]


def _photos(
    session: Session, packer: Packer, state: WomanState, photos: PhotoStore | None
) -> Iterator[tuple[str, str]]:
    """Reading -> the hash of its photo, for those that are kept and go along."""
    if photos is None:
        return
    ids = [name for table, name in state.records if table == Reading.__tablename__]
    kept = select(Reading.id, Reading.photo_file).where(
        Reading.id.in_(ids), Reading.photo_file.is_not(None)
    )
    for reading, file in session.execute(kept):
        try:
            yield reading, packer.photo(photos.get(str(file)))
        except PhotoStoreError:
            continue  # the record matters more than a picture that can't be opened
