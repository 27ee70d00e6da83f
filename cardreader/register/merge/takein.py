"""Taking in what another register handed over: all of it in one transaction, or nothing."""

from __future__ import annotations

import re
import tarfile
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sqlalchemy import insert, select, update
from sqlalchemy.exc import SQLAlchemyError
from sqlalchemy.orm import Session

from cardreader.register import audit
from cardreader.register.base import utc_now
from cardreader.register.database import Database, complaint, current_revision
from cardreader.register.merge.conflicts import count_conflicts
from cardreader.register.merge.following import Judge
from cardreader.register.merge.parcel import Head, Parcel, ParcelError, head_of, open_parcel
from cardreader.register.merge.registers import RENEW, kin_of, own_register
from cardreader.register.merge.state import Joined, WomanState
from cardreader.register.merge.together import (
    Concerned,
    Outcome,
    finish,
    take_joinings,
    take_people,
    take_removed,
    take_women,
)
from cardreader.register.merge.wire import (
    JOINING,
    PERSON,
    REMOVED,
    TRAIL,
    WOMAN_LINE,
    read_joining,
    read_person,
    read_removed,
    read_trail,
    read_woman,
)
from cardreader.register.mergemodels import KnownRegister, TakenTrail
from cardreader.register.models import AuditEntry, Reading
from cardreader.register.parts import in_parts
from cardreader.register.photostore import PhotoStore
from cardreader.register.rejudging import judge_taken_in, not_judged_yet
from cardreader.register.rowcheck import RowError
from cardreader.register.trouble import trouble_of
from cardreader.terminal.progress import Progress

_HASH = re.compile(r"[0-9a-f]{64}")


@dataclass(frozen=True)
class TakenIn:
    """What a taking-in did. ``gap``: something handed over before is still missing here."""

    giver: str
    made_at: str
    women: Outcome
    photos: int
    conflicts: int
    gap: bool
    lost: bool
    """The giver hasn't taken in all that was handed to it: that goes along next time."""


def take_in(
    database: Database,
    file: Path,
    judge: Judge | None = None,
    photos: PhotoStore | None = None,
    by: str | None = None,
    progress: Progress | None = None,
) -> TakenIn:
    """Take in a file. ParcelError when it can't be; the register is then as it was.

    ``photos``: where photos that come along are kept; they are left out when None.
    """
    progress = progress or Progress()
    kept: list[str] = []
    try:
        with tarfile.open(file, mode="r:") as tar:
            progress.note("checking the file")
            with database.write() as session:
                known, parcel = _checked(session, tar, file.stat().st_size)
                taking = _Taking(session, known, parcel, judge, photos, kept, progress)
                done = taking.run(by)
                again = judge.again if judge is not None and done.women.came_in else None
                judged_at = None if again is None else not_judged_yet(session)
    except BaseException as error:
        for name in kept:
            if photos is not None:
                photos.remove(name)
        if isinstance(error, RowError):
            raise ParcelError(f"the file holds what can't be taken in: {error}") from None
        if isinstance(error, SQLAlchemyError) and trouble_of(error) is None:
            raise ParcelError(f"the file can't be taken in: {complaint(error)}") from error
        if isinstance(error, tarfile.TarError | EOFError):
            raise ParcelError("this is not what a register handed over, or not all of it") from None
        raise
    finally:
        progress.end()
    if judge is not None and again is not None:
        judge_taken_in(database, done.women.came_in, judged_at, again, judge.elevation_m)
    if photos is not None:
        for name in done.women.photo_files:
            photos.remove(name)
    return done


def giver_of(file: Path) -> str:
    """The id of the register that a file says it comes from; ParcelError for no such file."""
    try:
        with tarfile.open(file, mode="r:") as tar:
            return head_of(tar).giver
    except (tarfile.TarError, EOFError):
        raise ParcelError("this is not what a register handed over, or not all of it") from None


def _checked(session: Session, tar: tarfile.TarFile, size: int) -> tuple[KnownRegister, Parcel]:
    head, own = head_of(tar), own_register(session)
    if head.taker != own.id:
        raise ParcelError(
            "the file was sealed for another register, or for this one before it "
            "was restored from a backup: give the other register this one's card"
        )
    if head.giver == own.id:
        raise ParcelError(
            f"the file comes from this register itself, or from a copy of it: the copy {RENEW}"
        )
    known = session.get(KnownRegister, head.giver)
    if known is None:
        raise ParcelError(
            f"{head.giver_name[:60]!r} is not known here: add that register's card first"
        )
    parcel = open_parcel(tar, own, known, size)
    here = str(current_revision(session.connection()))
    if head.revision != here:
        older = "this register" if head.revision > here else "the other register"
        raise ParcelError(f"the two registers are of different versions: update {older} first")
    return known, parcel


class _Taking:
    """One taking-in, part by part, in the caller's transaction."""

    def __init__(
        self,
        session: Session,
        known: KnownRegister,
        parcel: Parcel,
        judge: Judge | None,
        photos: PhotoStore | None,
        kept: list[str],
        progress: Progress,
    ) -> None:
        self.session, self.known, self.parcel = session, known, parcel
        self.judge, self.photos, self.kept, self.progress = judge, photos, kept, progress
        self.outcome = Outcome()
        self.concerned = Concerned()

    def run(self, by: str | None) -> TakenIn:
        """Take in all parts."""
        head, known_id = self.parcel.head, self.known.id
        self.progress.start("women", head.women, unit="woman")
        for lines in self.parcel.parts():
            self._part(lines)
        finish(self.session, self.concerned, self.judge)
        known = self.session.get_one(KnownRegister, known_id)
        gap, lost = _note_how_far(known, head)
        audit.append(
            self.session,
            "register.take_in",
            known_id,
            by,
            **{"new": self.outcome.new, "changed": self.outcome.changed},
            removed=self.outcome.removed,
            up_to=head.up_to,
        )
        self.session.flush()
        return TakenIn(
            known.name,
            head.made_at,
            self.outcome,
            len(self.kept),
            count_conflicts(self.session),
            gap,
            lost,
        )

    def _part(self, lines: list[Any]) -> None:
        of: dict[str, list[list[Any]]] = {}
        for line in lines:
            match line:
                case [str(kind), *_] if kind in (WOMAN_LINE, REMOVED, JOINING, PERSON, TRAIL):
                    of.setdefault(kind, []).append(line)
                case _:
                    raise RowError("a line is of no kind")
        self._trail([read_trail(line) for line in of.get(TRAIL, ())])
        take_people(self.session, [read_person(line) for line in of.get(PERSON, ())])
        joinings: dict[str, Joined] = {}
        for line in of.get(JOINING, ()):
            joining = read_joining(line)
            joinings[joining.id] = joining
        take_joinings(self.session, joinings, self.concerned)
        gone = {read_removed(line) for line in of.get(REMOVED, ())}
        self.concerned.women |= take_removed(self.session, gone, self.outcome)
        women: dict[str, WomanState] = {}
        photos: dict[str, str] = {}
        for line in of.get(WOMAN_LINE, ()):
            state = read_woman(line[:3])
            women[state.id] = state
            photos.update(_photo_names(line[3:], state))
        take_women(self.session, women, self.outcome, self.judge, self.parcel.head.giver)
        self._keep_photos(photos)
        self.progress.step(len(women))

    def _keep_photos(self, names: dict[str, str]) -> None:
        if self.photos is None:
            return
        for some in in_parts(names):
            lacking = select(Reading.id).where(Reading.id.in_(some), Reading.photo_file.is_(None))
            for reading in self.session.scalars(lacking).all():
                content = self.parcel.photo(names[reading])
                if content is not None:
                    self.kept.append(self.photos.put(content))
                    self.session.execute(
                        update(Reading)
                        .where(Reading.id == reading)
                        .values(photo_file=self.kept[-1])
                    )

    def _trail(self, entries: Iterable[AuditEntry]) -> None:
        """Keep the giver's trail, which must go on from what of it is here."""
        entries = list(entries)
        if not entries:
            return
        first, last = entries[0].seq, entries[-1].seq
        if [e.seq for e in entries] != list(range(first, last + 1)) or not audit.is_chain(entries):
            raise ParcelError("the audit trail of that register is not whole")
        mine = TakenTrail.register_id == self.known.id
        near = select(TakenTrail).where(mine, TakenTrail.seq.between(first - 1, last + 1))
        here = {entry.seq: entry for entry in self.session.scalars(near)}
        before, after = here.get(first - 1), here.get(last + 1)
        if (
            (before is not None and before.hash != entries[0].previous_hash)
            or (after is not None and after.previous_hash != entries[-1].hash)
            or any(here[e.seq].hash != e.hash for e in entries if e.seq in here)
        ):
            raise ParcelError(
                f"the audit trail of {self.known.name} does not go on from what was here before: "
                f"it was copied, or put back to an earlier state, or changed. A copy, or what was "
                f"put back, {RENEW}"
            )
        columns = [column.key for column in AuditEntry.__table__.columns]
        new = [e for e in entries if e.seq not in here]
        if new:
            rows = [{c: getattr(e, c) for c in columns} for e in new]
            register = {"register_id": self.known.id}
            self.session.execute(insert(TakenTrail), [{**row, **register} for row in rows])
        if new and first == 1 and len(kin_of(self.session, self.known.id)) > 1:
            # It was restored, or copied: whom it handed over under its former id is new to it.
            self.known.told = 0


def _photo_names(more: list[Any], state: WomanState) -> dict[str, str]:
    readings = {name for table, name in state.records if table == Reading.__tablename__}
    match more:
        case []:
            return {}
        case [dict(files)] if set(files) <= readings and all(
            isinstance(name, str) and _HASH.fullmatch(name) for name in files.values()
        ):
            return files
    raise RowError("a photo belongs to no reading")


def _note_how_far(known: KnownRegister, head: Head) -> tuple[bool, bool]:
    """Note how far each was told; whether something is missing here, or there."""
    gap = head.since > known.taken
    if not gap:
        known.taken = max(known.taken, head.up_to)
        known.taken_trail = max(known.taken_trail, head.up_to_trail)
    known.taken_at = utc_now()
    lost = head.taken < known.told
    note_taken(known, head.taken, head.taken_trail)
    return gap, lost


def note_taken(known: KnownRegister, taken: int, taken_trail: int) -> None:
    """A register says how far it has taken in what it was handed.

    What was handed over since goes along once more: it does no harm.
    """
    known.told = min(known.told, taken)
    known.told_trail = min(known.told_trail, taken_trail)
