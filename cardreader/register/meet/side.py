"""What a register does on its own side of a meeting: the card, how far, the two files.

The files are those that `hand_over` writes and `take_in` takes: sealed for the one
register and signed by the other, whatever they travel by.
"""

from __future__ import annotations

import fcntl
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass
from enum import StrEnum
from pathlib import Path
from typing import Any

from sqlalchemy.exc import SQLAlchemyError
from sqlalchemy.orm import Session

from cardreader.register.database import Database, current_revision
from cardreader.register.meet.snags import MeetError, Snag
from cardreader.register.merge.following import Judge
from cardreader.register.merge.handover import hand_over
from cardreader.register.merge.parcel import ParcelError
from cardreader.register.merge.registers import (
    Card,
    CardError,
    add_known,
    card_of,
    own_register,
    read_card,
)
from cardreader.register.merge.takein import TakenIn, giver_of, note_taken, take_in
from cardreader.register.mergemodels import KnownRegister
from cardreader.register.photostore import PhotoStore
from cardreader.register.trouble import ADVICE, trouble_of
from cardreader.terminal.progress import Progress

UNFINISHED = ".meeting-"
"""How folders begin that hold files on the way, and that are gone afterwards."""
_HELD = "held"
"""A file that is locked as long as the folder's process lives."""


class Unknown(StrEnum):
    """What to do when the other register's card was not added yet."""

    REFUSE = "refuse"
    TELL_ALL = "tell-all"
    ONLY_THEIRS = "only-theirs"


@dataclass(frozen=True)
class Side:
    """One register in a meeting. ``photos`` keeps those that come; ``send_photos`` sends own."""

    database: Database
    data: Path
    judge: Judge | None = None
    photos: PhotoStore | None = None
    send_photos: bool = False
    unknown: Unknown = Unknown.REFUSE
    by: str | None = None

    def card(self) -> dict[str, Any]:
        """This register's card and version, for the other."""
        with self.database.write() as session:
            card = card_of(own_register(session))
            revision = str(current_revision(session.connection()))
        return {"card": card.to_json(), "revision": revision}

    def look_at(self, told: dict[str, Any]) -> Card:
        """The other's card, if this register may hand over to it; MeetError otherwise."""
        try:
            card = read_card(str(told.get("card", "")).encode())
        except CardError:
            raise MeetError(Snag.NO_REGISTER) from None
        with self.database.write() as session:
            if card.id == own_register(session).id:
                raise MeetError(Snag.OWN)
            known = session.get(KnownRegister, card.id)
            if known is None and self.unknown is Unknown.REFUSE:
                raise MeetError(Snag.UNKNOWN_HERE, card.name)
            if known is not None and _keys(known) != (card.seal, card.sign):
                raise MeetError(Snag.OTHER_CARD, card.name)
            here = str(current_revision(session.connection()))
        if told.get("revision") != here:
            raise MeetError(Snag.VERSION)
        return card

    def far(self, card: Card) -> dict[str, int]:
        """How far this register has taken in what that one handed over."""
        with self.database.read() as session:
            known = session.get(KnownRegister, card.id)
            if known is None:
                return {"taken": 0, "taken_trail": 0}
            return {"taken": known.taken, "taken_trail": known.taken_trail}

    def agree(self, card: Card, far: dict[str, Any]) -> None:
        """Both may go on: know the other, and take from it how far it was told.

        What it never took in, because an earlier meeting broke off, goes along again.
        """
        match far:
            case {"taken": int(taken), "taken_trail": int(trail)}:
                with self.database.write() as session:
                    note_taken(self._known(session, card), max(taken, 0), max(trail, 0))
            case _:
                raise MeetError(Snag.NO_REGISTER)

    def _known(self, session: Session, card: Card) -> KnownRegister:
        known = session.get(KnownRegister, card.id)
        if known is not None:
            return known
        try:
            return add_known(session, card, self.unknown is Unknown.ONLY_THEIRS, self.by)
        except CardError as error:
            raise MeetError(Snag.OTHER_CARD, str(error)) from None

    def write(self, card: Card, file: Path, progress: Progress | None = None) -> None:
        """Write what is new for the other; MeetError where the database or the disk can't."""
        photos = self.photos if self.send_photos else None
        with _told_as_snag():
            hand_over(self.database, card.id, file, False, photos, self.by, progress)

    def take(self, card: Card, file: Path, progress: Progress | None = None) -> dict[str, Any]:
        """Take in what came from the other; MeetError when it can't be."""
        with _told_as_snag():
            if giver_of(file) != card.id:
                raise ParcelError("the file is from another register than the one that was met")
            done = take_in(self.database, file, self.judge, self.photos, self.by, progress)
        return summary(done)

    @contextmanager
    def folder(self) -> Iterator[Path]:
        """A folder for files on the way, gone afterwards; `sweep` takes what a kill left."""
        folder = Path(tempfile.mkdtemp(prefix=UNFINISHED, dir=self.data))
        try:
            with (folder / _HELD).open("w") as held:
                fcntl.flock(held, fcntl.LOCK_EX)
                yield folder
        finally:
            shutil.rmtree(folder, ignore_errors=True)


@contextmanager
def _told_as_snag() -> Iterator[None]:
    """MeetError with one line of what to do, where a file can't be taken in, or written.

    A database's own words hold the values of a whole statement.
    """
    try:
        yield
    except ParcelError as error:
        raise MeetError(Snag.NOT_TAKEN_HERE, str(error)) from None
    except (SQLAlchemyError, OSError) as error:
        trouble = trouble_of(error)
        if trouble is None:
            raise
        raise MeetError(Snag.NOT_TAKEN_HERE, ADVICE[trouble]) from error


def sweep(data: Path) -> None:
    """Remove the folders of meetings whose process is gone."""
    for folder in data.glob(f"{UNFINISHED}*"):
        with suppress(OSError), (folder / _HELD).open("w") as held:
            fcntl.flock(held, fcntl.LOCK_EX | fcntl.LOCK_NB)
            shutil.rmtree(folder, ignore_errors=True)


def summary(done: TakenIn) -> dict[str, Any]:
    """What a taking-in did, to be told to the other register and shown."""
    women = {k: v for k, v in asdict(done.women).items() if isinstance(v, int)}
    elsewhere = done.women.judged_by.total()
    return {
        **women,
        **{"photos": done.photos, "conflicts": done.conflicts, "judged_elsewhere": elsewhere},
    }


def _keys(known: KnownRegister) -> tuple[str, str]:
    return known.seal_public, known.sign_public
