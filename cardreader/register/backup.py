"""Backup and restore of the whole register in one file, for both databases.

What the file holds: `backupfile`; how tables get into it and back: `backuptables`.
"""

from __future__ import annotations

import json
import os
import sqlite3
import tarfile
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

from sqlalchemy import inspect, text
from sqlalchemy.exc import SQLAlchemyError
from sqlalchemy.orm import Session

from cardreader.core.files import (
    PRIVATE,
    move_into_place,
    open_atomic,
    too_late_to_stop,
    write_atomic,
)
from cardreader.register import audit
from cardreader.register.authorityfiles import Staged, read_authority
from cardreader.register.backupfile import (
    AUTHORITY,
    KEY,
    NOTE,
    PHOTO_NAME,
    PHOTOS,
    TABLES,
    Parts,
    add,
    content_of,
    lock,
    read_parts,
)
from cardreader.register.backupnote import BackupError, BackupNote, read_note
from cardreader.register.backuptables import Noted, dump, fill
from cardreader.register.base import utc_now
from cardreader.register.database import (
    Database,
    RegisterError,
    complaint,
    current_revision,
    sqlite_url,
    told_if_damaged,
)
from cardreader.register.photostore import (
    KEY_VARIABLE,
    PhotoStoreError,
    key_of,
)
from cardreader.register.rowcheck import RowError
from cardreader.register.trouble import ADVICE, trouble_of
from cardreader.terminal.progress import Progress, shown_as

MIN_PASSPHRASE = 10
_BESIDE = ("-wal", "-shm")
"""What SQLite keeps beside a database file while it is open."""
PATIENCE_S = 15.0
"""How long another process may take to let go of the register's file."""


def make_backup(
    database: Database, data: Path, file: Path, passphrase: str, progress: Progress | None = None
) -> BackupNote:
    """Write a backup to ``file``: whole, or not at all. The server may be running.

    What was made is first filled into a database in memory: a backup that no restore
    would take must be told of while the register is still there. BackupError or
    RegisterError when there is nothing sound to back up.
    """
    if len(passphrase) < MIN_PASSPHRASE:
        raise BackupError(f"the passphrase needs at least {MIN_PASSPHRASE} letters")
    # All in one transaction: what is written meanwhile must be in all parts or in none.
    with told_if_damaged(), database.engine.connect() as connection:
        if not database.is_sqlite:
            connection.execute(text("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ"))
        lines, rows, photo_names = dump(connection)
        with Session(connection) as session:
            chain = audit.check(session)
        revision = current_revision(connection)
    if not chain:
        raise BackupError(f"the audit trail is broken at entry {chain.broken_at}")
    if revision is None:
        raise BackupError("the register doesn't say which version its tables are of")
    photos = _photo_files(data, photo_names)
    key = _photo_key(data)
    note = BackupNote(
        made_at=utc_now().isoformat(timespec="seconds"),
        revision=revision,
        rows=rows,
        photos=len(photos),
        photo_key=key is not None,
        audit_entries=chain.entries,
        audit_hash=chain.newest_hash,
        authority=(authority := read_authority(data)) is not None,
    )
    _try_out(note, lines)
    with open_atomic(file, PRIVATE) as stream, tarfile.open(fileobj=stream, mode="w") as tar:
        add(tar, NOTE, note.to_json())
        add(tar, TABLES, lock("\n".join(lines).encode(), passphrase, TABLES))
        if key is not None:
            add(tar, KEY, lock(key, passphrase, KEY))
        if authority is not None:
            add(tar, AUTHORITY, lock(authority, passphrase, AUTHORITY))
        for path in shown_as(progress, "photos", photos):
            add(tar, PHOTOS + path.name, path.read_bytes())
    return note


def restore_backup(
    url: str,
    data: Path,
    file: Path,
    passphrase: str,
    replace: bool = False,
    progress: Progress | None = None,
    noted: Noted | None = None,
) -> BackupNote:
    """Restore ``file`` into the database at ``url`` and the folder ``data``.

    Refuses a register that holds anything unless ``replace``. What ``noted`` writes comes with
    the backup's tables or not at all. The backup is first
    filled into a database of its own; only when that is whole, and every row of it
    is one that this program writes, does it take the register's place, in one step:
    its file takes the name, or one transaction drops the old tables and fills the
    new. BackupError otherwise, and the register is as it was; photos of the backup
    may be left among its own.

    The photo key and the authority are other files and take their places right after
    the tables. A process killed in between leaves the new tables with the old ones:
    all is well when the same backup is restored once more, with ``replace``.
    """
    with _faults_of(file), tarfile.open(file, mode="r:") as tar:
        parts = read_parts(tar, file.stat().st_size, passphrase)
        _must_be_free(url, data, replace)
        data.mkdir(mode=0o700, parents=True, exist_ok=True)
        _put_in_place(tar, parts, url, data, progress, noted)
    return parts.note


def _put_in_place(
    tar: tarfile.TarFile,
    parts: Parts,
    url: str,
    data: Path,
    progress: Progress | None,
    noted: Noted | None,
) -> None:
    fresh, key = data / ".register.db.restored", data / ".photo.key.restored"
    staged: Staged | None = None
    try:
        # A restore that was killed leaves its own behind.
        _remove(fresh)
        fill(Database(sqlite_url(fresh)), parts, noted=noted)
        _restore_photos(tar, data, parts, progress)
        # Whatever can fail comes before the tables are changed: a full disk does here.
        if parts.key is not None:
            write_atomic(key, parts.key, PRIVATE)
        if parts.authority is not None:
            staged = Staged(data, parts.authority)
        is_file = _fill_elsewhere(url, data, parts, noted)
        with too_late_to_stop():
            if is_file:
                _take_place(data / "register.db", fresh)
            if parts.key is not None:
                move_into_place(key, data / "photo.key")
            if staged is not None:
                staged.put_in_place()
    finally:
        if staged is not None:
            staged.remove()
        _remove(fresh)
        key.unlink(missing_ok=True)


@contextmanager
def _faults_of(file: Path) -> Iterator[None]:
    """BackupError for whatever keeps a backup from being restored."""
    try:
        yield
    except RowError as error:
        raise BackupError(f"the backup's tables are damaged: {error}") from None
    except RegisterError as error:
        raise BackupError(f"the backup can't be put into the register: {error}") from error
    except SQLAlchemyError as error:
        raise BackupError(f"the backup can't be put into the register: {_why(error)}") from error
    except tarfile.TarError:
        raise BackupError(f"{file} is no backup of a register, or not the whole of one") from None
    except (OSError, ValueError) as error:
        raise BackupError(f"{file} can't be restored: {_why(error)}") from error


def _why(error: Exception) -> str:
    trouble = trouble_of(error)
    return complaint(error) if trouble is None else ADVICE[trouble]


# --- tables ---------------------------------------------------------------------


def _try_out(note: BackupNote, lines: list[str]) -> None:
    """BackupError for whatever `restore_backup` would refuse."""
    try:
        rows = [json.loads(line) for line in lines]
        fill(Database("sqlite://"), Parts(read_note(note.to_json()), rows, None, []))
    except (RowError, RegisterError, SQLAlchemyError) as error:
        raise BackupError(
            f"the register holds what can't be restored: {complaint(error)}"
        ) from error


def _must_be_free(url: str, data: Path, replace: bool) -> None:
    if replace:
        return
    target = Database(url)
    own_file = data / "register.db"
    try:
        # Looking into an SQLite file that isn't there would make it.
        there = own_file.exists() if target.url == sqlite_url(own_file) else True
        if there and target.revision() is not None and _holds_anything(target):
            raise BackupError("the register holds data; --replace puts the backup in its place")
    finally:
        target.close()


def _fill_elsewhere(url: str, data: Path, parts: Parts, noted: Noted | None) -> bool:
    """Fill a register that is no file of ``data``, in one transaction; True where it is that."""
    target = Database(url)
    if target.url == sqlite_url(data / "register.db"):
        return True
    fill(target, parts, replace=True, noted=noted)
    return False


def _take_place(own_file: Path, fresh: Path) -> None:
    """Make the tables the register's, after they were found whole in ``fresh``."""
    _settle(own_file)
    for ending in _BESIDE:
        own_file.with_name(own_file.name + ending).unlink(missing_ok=True)
    move_into_place(fresh, own_file)


def _settle(file: Path) -> None:
    """Bring all that was committed into the file itself, so that the log beside it can go.

    A process killed before the file is replaced would otherwise cost what only the
    log held. A damaged register has nothing to bring.
    """
    if not file.exists():
        return
    busy = 0
    try:
        with closing(sqlite3.connect(file, timeout=PATIENCE_S)) as connection:
            busy, *_ = connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
    except sqlite3.DatabaseError as error:
        busy = error.sqlite_errorcode & 0xFF in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED)
    if busy:
        raise BackupError("the register is in use: stop the server first")


def _remove(file: Path) -> None:
    for ending in ("", *_BESIDE):
        file.with_name(file.name + ending).unlink(missing_ok=True)


def _holds_anything(database: Database) -> bool:
    """Whether anybody has used it: the first start makes an account, which isn't that."""
    with database.read() as session:
        there = inspect(session.connection()).get_table_names()

        def rows(table: str) -> int:
            counted = text(f"SELECT count(*) FROM {table}")
            return int(session.scalar(counted) or 0) if table in there else 0

        return bool(rows("woman")) or rows("account") > 1 or bool(rows("known_register"))


# --- photos ---------------------------------------------------------------------


def _photo_key(data: Path) -> bytes | None:
    # A key from the environment is kept by whoever set it, on purpose not with the data.
    path = data / "photo.key"
    if os.environ.get(KEY_VARIABLE) or not path.exists():
        return None
    key = path.read_bytes()
    try:
        key_of(key)
    except PhotoStoreError as error:
        raise BackupError(f"{path.name} can't be used: {error}") from None
    return key


def _photo_files(data: Path, names: list[str]) -> list[Path]:
    """Those that are there, each once."""
    paths = [data / PHOTOS / name for name in dict.fromkeys(names)]
    paths = [path for path in paths if path.exists()]
    for path in paths:
        if not PHOTO_NAME.fullmatch(path.relative_to(data).as_posix()):
            raise BackupError("reading.photo_file holds what is no kept photo's name")
    return paths


def _restore_photos(
    tar: tarfile.TarFile, data: Path, parts: Parts, progress: Progress | None
) -> None:
    folder = data / "photos"
    folder.mkdir(mode=0o700, exist_ok=True)
    for member in shown_as(progress, "photos", parts.photos):
        write_atomic(data / member.name, content_of(tar, member))
