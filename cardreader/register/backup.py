"""Backup and restore of the whole register in one file, for both databases.

A tar file: a plain note of what it is; the tables as JSON lines, the photo key and
the authority that phones trust, each encrypted under a passphrase (scrypt,
AES-256-GCM); the kept photos as they lie, encrypted already. Tables travel as
values, not as a copy of the database file, so that a backup of SQLite can be
restored into PostgreSQL and back.
"""

from __future__ import annotations

import datetime as dt
import io
import json
import os
import re
import sqlite3
import tarfile
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.ciphers.aead import AESGCM
from cryptography.hazmat.primitives.kdf.scrypt import Scrypt
from sqlalchemy import JSON, MetaData, Table, insert, select, text
from sqlalchemy.engine import Connection
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
from cardreader.register.authorityfiles import Staged, is_authority, read_authority
from cardreader.register.backupnote import BackupError, BackupNote, read_note
from cardreader.register.database import (
    Database,
    NewerError,
    RegisterError,
    complaint,
    current_revision,
    may_replace,
    migrate_within,
    sqlite_url,
    told_if_damaged,
)
from cardreader.register.listmodels import DERIVED
from cardreader.register.mergemodels import OwnRegister
from cardreader.register.models import Device, SignIn, utc_now
from cardreader.register.photostore import (
    KEY_VARIABLE,
    PhotoStoreError,
    key_of,
)
from cardreader.register.rowcheck import RowError, check_meaning, checked_row
from cardreader.terminal.progress import Progress, shown_as

MIN_PASSPHRASE = 10
_SALT, _NONCE = 16, 12
_NOTE, _TABLES, _KEY, _PHOTOS = "backup.json", "tables.bin", "photo.key.bin", "photos/"
_AUTHORITY = "authority.bin"
_BESIDE = ("-wal", "-shm")
"""What SQLite keeps beside a database file while it is open."""
_PATIENCE_S = 15.0
"""How long another process may take to let go of the register's file."""
_LEFT_OUT = {
    *(SignIn.__tablename__, Device.__tablename__, OwnRegister.__tablename__),
    *DERIVED,
    "alembic_version",
}
"""Sign-ins and PINs don't travel: after a restore everybody signs in anew by password. Nor
does what tells this register from others: a copy that goes on beside it is another one. What
is derived from the records is worked out anew."""
_PHOTO_NAME = re.compile(r"photos/[0-9a-f]{32}\.photo")
_MOST_BYTES = 2**31
"""Of one part: more rows than any register has."""


@dataclass(frozen=True)
class _Parts:
    """What a backup brings, read and checked as far as can be without a database."""

    note: BackupNote
    rows: list[Any]
    key: bytes | None
    photos: list[tarfile.TarInfo]
    authority: bytes | None = None


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
        lines, rows, photo_names = _dump(connection)
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
        _add(tar, _NOTE, note.to_json())
        _add(tar, _TABLES, _lock("\n".join(lines).encode(), passphrase, _TABLES))
        if key is not None:
            _add(tar, _KEY, _lock(key, passphrase, _KEY))
        if authority is not None:
            _add(tar, _AUTHORITY, _lock(authority, passphrase, _AUTHORITY))
        for path in shown_as(progress, "photos", photos):
            _add(tar, _PHOTOS + path.name, path.read_bytes())
    return note


def restore_backup(
    url: str,
    data: Path,
    file: Path,
    passphrase: str,
    replace: bool = False,
    progress: Progress | None = None,
) -> BackupNote:
    """Restore ``file`` into the database at ``url`` and the folder ``data``.

    Refuses a register that holds anything unless ``replace``. The backup is first
    filled into a database of its own; only when that is whole, and every row of it
    is one that this program writes, does it take the register's place, in one step:
    its file takes the name, or one transaction drops the old tables and fills the
    new. BackupError otherwise, and the register is as it was; photos of the backup
    may be left among its own.

    The photo key and the authority are other files and take their places right after
    the tables. A process killed in between leaves the new tables with the old ones:
    all is well when the same backup is restored once more, with ``replace``.
    """
    try:
        with tarfile.open(file, mode="r:") as tar:
            parts = _read_parts(tar, file.stat().st_size, passphrase)
            _must_be_free(url, data, replace)
            data.mkdir(mode=0o700, parents=True, exist_ok=True)
            fresh, key = data / ".register.db.restored", data / ".photo.key.restored"
            staged: Staged | None = None
            try:
                # A restore that was killed leaves its own behind.
                _remove(fresh)
                _fill(Database(sqlite_url(fresh)), parts)
                _restore_photos(tar, data, parts, progress)
                # Whatever can fail comes before the tables are changed: a full disk does here.
                if parts.key is not None:
                    write_atomic(key, parts.key, PRIVATE)
                if parts.authority is not None:
                    staged = Staged(data, parts.authority)
                is_file = _fill_elsewhere(url, data, parts)
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
    except RowError as error:
        raise BackupError(f"the backup's tables are damaged: {error}") from None
    except RegisterError as error:
        raise BackupError(f"the backup can't be put into the register: {error}") from error
    except SQLAlchemyError as error:
        raise BackupError(
            f"the backup can't be put into the register: {complaint(error)}"
        ) from error
    except (tarfile.TarError, OSError, ValueError) as error:
        raise BackupError(f"{file} can't be restored: {complaint(error)}") from error
    return parts.note


# --- tables ---------------------------------------------------------------------


def _try_out(note: BackupNote, lines: list[str]) -> None:
    """BackupError for whatever `restore_backup` would refuse."""
    try:
        rows = [json.loads(line) for line in lines]
        _fill(Database("sqlite://"), _Parts(read_note(note.to_json()), rows, None, []))
    except (RowError, RegisterError, SQLAlchemyError) as error:
        raise BackupError(
            f"the register holds what can't be restored: {complaint(error)}"
        ) from error


def _dump(connection: Connection) -> tuple[list[str], dict[str, int], list[str]]:
    metadata = MetaData()
    metadata.reflect(connection)
    lines, counts, photos = [], {}, []
    for table in _travelling(metadata):
        rows = connection.execute(select(table)).mappings().all()
        counts[table.name] = len(rows)
        lines += [json.dumps([table.name, {k: _plain(v) for k, v in r.items()}]) for r in rows]
        if table.name == "reading":
            photos = [row["photo_file"] for row in rows if row["photo_file"]]
    return lines, counts, photos


def _travelling(metadata: MetaData) -> Iterator[Table]:
    return (t for t in metadata.sorted_tables if t.name not in _LEFT_OUT)


def _plain(value: Any) -> Any:
    return value.isoformat() if isinstance(value, dt.date) else value


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


def _fill_elsewhere(url: str, data: Path, parts: _Parts) -> bool:
    """Fill a register that is no file of ``data``, in one transaction; True where it is that."""
    target = Database(url)
    if target.url == sqlite_url(data / "register.db"):
        return True
    _fill(target, parts, replace=True)
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
        with closing(sqlite3.connect(file, timeout=_PATIENCE_S)) as connection:
            busy, *_ = connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
    except sqlite3.DatabaseError as error:
        busy = error.sqlite_errorcode & 0xFF in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED)
    if busy:
        raise BackupError("the register is in use: stop the server first")


def _remove(file: Path) -> None:
    for ending in ("", *_BESIDE):
        file.with_name(file.name + ending).unlink(missing_ok=True)


def _fill(database: Database, parts: _Parts, replace: bool = False) -> None:
    """Fill a database, with ``replace`` in place of what it holds: all in one transaction."""
    try:
        with database.write() as session:
            connection = session.connection()
            if replace:
                if not may_replace(connection):
                    raise BackupError(
                        "a server is running on this database: stop it first, on whichever "
                        "machine it runs"
                    )
                _drop_tables(connection)
            _fill_tables(connection, parts)
            chain = audit.check(session)
            if not chain or chain.newest_hash != parts.note.audit_hash:
                raise BackupError("the audit trail in the backup is not whole")
            check_meaning(session)
        if database.is_sqlite:
            with database.engine.connect() as connection:
                connection.exec_driver_sql("COMMIT")
                connection.exec_driver_sql("PRAGMA wal_checkpoint(TRUNCATE)")
    finally:
        database.close()


def _drop_tables(connection: Connection) -> None:
    old = MetaData()
    old.reflect(connection)
    old.drop_all(connection)
    if connection.dialect.name != "sqlite":
        connection.execute(text("DROP FUNCTION IF EXISTS audit_entry_append_only() CASCADE"))


def _fill_tables(connection: Connection, parts: _Parts) -> None:
    try:
        migrate_within(connection, parts.note.revision)
    except NewerError:
        raise BackupError(
            "the backup was made by a newer version of this program: update it"
        ) from None
    metadata = MetaData()
    metadata.reflect(connection)
    tables = {table.name: table for table in _travelling(metadata)}
    for column in (c for table in tables.values() for c in table.c if isinstance(c.type, JSON)):
        column.type = JSON(none_as_null=True)
    for name, values in _rows(parts.rows, tables).items():
        if len(values) != parts.note.rows.get(name, 0):
            raise BackupError(f"the backup holds too few rows of {name}, or too many")
        if values:
            connection.execute(insert(tables[name]), values)
    migrate_within(connection)


def _rows(rows: list[Any], tables: dict[str, Table]) -> dict[str, list[dict[str, Any]]]:
    """Rows by table, in the order in which tables can be filled."""
    out: dict[str, list[dict[str, Any]]] = {name: [] for name in tables}
    for entry in rows:
        match entry:
            case [str(name), row] if name in tables:
                out[name].append(checked_row(tables[name], row))
            case _:
                raise RowError("a row of no table")
    return out


def _holds_anything(database: Database) -> bool:
    with database.read() as session:
        return bool(session.scalar(text("SELECT count(*) FROM woman")))


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
    paths = [data / _PHOTOS / name for name in dict.fromkeys(names)]
    paths = [path for path in paths if path.exists()]
    for path in paths:
        if not _PHOTO_NAME.fullmatch(path.relative_to(data).as_posix()):
            raise BackupError("reading.photo_file holds what is no kept photo's name")
    return paths


def _restore_photos(
    tar: tarfile.TarFile, data: Path, parts: _Parts, progress: Progress | None
) -> None:
    folder = data / "photos"
    folder.mkdir(mode=0o700, exist_ok=True)
    for member in shown_as(progress, "photos", parts.photos):
        write_atomic(data / member.name, _content(tar, member))


# --- the file -------------------------------------------------------------------


def _add(tar: tarfile.TarFile, name: str, content: bytes) -> None:
    member = tarfile.TarInfo(name)
    member.size, member.mode = len(content), 0o600
    tar.addfile(member, io.BytesIO(content))


def _read_parts(tar: tarfile.TarFile, size: int, passphrase: str) -> _Parts:
    """All of a backup but the photos' content; BackupError before anything is changed."""
    members = {member.name: member for member in tar.getmembers()}
    for member in members.values():
        # A part that claims more than the file holds would unpack to more than the disk.
        if not member.isreg() or member.issparse() or member.size > min(size, _MOST_BYTES):
            raise BackupError(f"{member.name[:60]!r} in the backup is not a file of its size")
    if _NOTE not in members:
        raise BackupError("this is not a backup of the register, or one of a newer version")
    note = read_note(_content(tar, members[_NOTE]))
    photos = [member for name, member in members.items() if name.startswith(_PHOTOS)]
    if (
        _TABLES not in members
        or (_KEY in members) != note.photo_key
        or (_AUTHORITY in members) != note.authority
        or len(photos) != note.photos
        or not all(_PHOTO_NAME.fullmatch(member.name) for member in photos)
    ):
        raise BackupError("the backup is not whole: a part of the file is missing")
    tables = _unlock(_content(tar, members[_TABLES]), passphrase, _TABLES)
    key = None
    if note.photo_key:
        key = _unlock(_content(tar, members[_KEY]), passphrase, _KEY)
        try:
            key_of(key)
        except PhotoStoreError as error:
            raise BackupError(f"the photo key in the backup can't be used: {error}") from None
    try:
        rows = [json.loads(line) for line in tables.split(b"\n") if line]
    except (ValueError, RecursionError):
        raise BackupError("the backup's tables are damaged: a row is not JSON") from None
    authority = None
    if note.authority:
        authority = _unlock(_content(tar, members[_AUTHORITY]), passphrase, _AUTHORITY)
        if not is_authority(authority):
            raise BackupError("the certificate in the backup can't be used")
    return _Parts(note, rows, key, photos, authority)


def _content(tar: tarfile.TarFile, member: tarfile.TarInfo) -> bytes:
    stream = tar.extractfile(member)
    if stream is None:
        raise BackupError(f"{member.name} is not a file")
    return stream.read()


def _lock(content: bytes, passphrase: str, name: str) -> bytes:
    salt, nonce = os.urandom(_SALT), os.urandom(_NONCE)
    cipher = AESGCM(derive_key(passphrase, salt))
    return salt + nonce + cipher.encrypt(nonce, content, name.encode())


def _unlock(blob: bytes, passphrase: str, name: str) -> bytes:
    salt, nonce, body = blob[:_SALT], blob[_SALT : _SALT + _NONCE], blob[_SALT + _NONCE :]
    try:
        return AESGCM(derive_key(passphrase, salt)).decrypt(nonce, body, name.encode())
    except InvalidTag:
        raise BackupError("the passphrase is not right, or the file is damaged") from None


def derive_key(passphrase: str, salt: bytes) -> bytes:
    """Key of an encrypted part: scrypt, so that passphrases can't be tried fast."""
    return Scrypt(salt=salt, length=32, n=2**15, r=8, p=1).derive(passphrase.encode())
