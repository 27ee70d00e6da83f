"""Backup and restore of the whole register in one file, for both databases.

A tar file: a plain note of what it is; the tables as JSON lines and the photo key,
both encrypted under a passphrase (scrypt, AES-256-GCM); the kept photos as they
lie, encrypted already. Tables travel as values, not as a copy of the database
file, so that a backup of SQLite can be restored into PostgreSQL and back.
"""

from __future__ import annotations

import datetime as dt
import io
import json
import os
import tarfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.ciphers.aead import AESGCM
from cryptography.hazmat.primitives.kdf.scrypt import Scrypt
from sqlalchemy import JSON, DateTime, MetaData, Table, insert, select, text
from sqlalchemy.engine import Connection
from sqlalchemy.types import Date

from cardreader.files import write_atomic
from cardreader.register import audit
from cardreader.register.database import Database, sqlite_url
from cardreader.register.models import SignIn, utc_now
from cardreader.register.photostore import KEY_VARIABLE, write_whole

FORMAT = "cardreader-backup/1"
MIN_PASSPHRASE = 10
_SALT, _NONCE = 16, 12
_NOTE, _TABLES, _KEY, _PHOTOS = "backup.json", "tables.bin", "photo.key.bin", "photos/"
_LEFT_OUT = {SignIn.__tablename__, "alembic_version"}
"""Sign-ins don't travel: after a restore everybody signs in anew."""


class BackupError(Exception):
    """A backup that can't be made or restored; one line says why."""


@dataclass(frozen=True)
class BackupNote:
    """What a backup holds. ``audit_hash`` is the newest hash of the audit trail."""

    made_at: str
    revision: str
    rows: dict[str, int]
    photos: int
    photo_key: bool
    audit_entries: int
    audit_hash: str


def make_backup(database: Database, data: Path, file: Path, passphrase: str) -> BackupNote:
    """Write a backup to ``file``: whole, or not at all. The server may be running."""
    if len(passphrase) < MIN_PASSPHRASE:
        raise BackupError(f"the passphrase needs at least {MIN_PASSPHRASE} letters")
    with database.engine.connect() as connection:
        if not database.is_sqlite:
            connection.execute(text("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ"))
        lines, rows, photo_names = _dump(connection)
    with database.read() as session:
        chain = audit.check(session)
    if not chain:
        raise BackupError(f"the audit trail is broken at entry {chain.broken_at}")
    photos = [data / "photos" / name for name in photo_names]
    photos = [path for path in photos if path.exists()]
    key = _photo_key(data)
    note = BackupNote(
        made_at=utc_now().isoformat(timespec="seconds"),
        revision=database.revision() or "",
        rows=rows,
        photos=len(photos),
        photo_key=key is not None,
        audit_entries=chain.entries,
        audit_hash=chain.newest_hash,
    )
    head = json.dumps({"format": FORMAT, **note.__dict__}, indent=1).encode()
    temporary = file.with_name(f".{file.name}.part")
    try:
        with temporary.open("wb") as stream:
            os.chmod(temporary, 0o600)
            with tarfile.open(fileobj=stream, mode="w") as tar:
                _add(tar, _NOTE, head)
                _add(tar, _TABLES, _lock("\n".join(lines).encode(), passphrase, _TABLES))
                if key is not None:
                    _add(tar, _KEY, _lock(key, passphrase, _KEY))
                for path in photos:
                    _add(tar, _PHOTOS + path.name, path.read_bytes())
            stream.flush()
            os.fsync(stream.fileno())
        os.replace(temporary, file)
    finally:
        temporary.unlink(missing_ok=True)
    return note


def restore_backup(
    url: str, data: Path, file: Path, passphrase: str, replace: bool = False
) -> BackupNote:
    """Restore ``file`` into the database at ``url`` and the folder ``data``.

    Refuses a register that holds anything unless ``replace``. An SQLite register is
    made beside the old one and takes its place only when whole.
    """
    try:
        with tarfile.open(file, mode="r:") as tar:
            note = _read_note(tar)
            _check_whole(tar, note)
            lines = _unlock(_read(tar, _TABLES), passphrase, _TABLES).decode().splitlines()
            key = _unlock(_read(tar, _KEY), passphrase, _KEY) if _KEY in tar.getnames() else None
            data.mkdir(mode=0o700, parents=True, exist_ok=True)
            _restore_tables(url, data, lines, note, replace)
            _restore_photos(tar, data, key)
    except (tarfile.TarError, OSError, KeyError, ValueError) as error:
        raise BackupError(f"{file} can't be restored: {error}") from error
    return note


# --- tables ---------------------------------------------------------------------


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


def _restore_tables(
    url: str, data: Path, lines: list[str], note: BackupNote, replace: bool
) -> None:
    target = Database(url)
    own_file = data / "register.db"
    is_own = target.url == sqlite_url(own_file)
    try:
        # Looking into an SQLite file that isn't there would make it.
        there = own_file.exists() if is_own else True
        if there and not replace and target.revision() is not None and _holds_anything(target):
            raise BackupError("the register holds data; --replace puts the backup in its place")
    finally:
        target.close()
    if is_own:
        fresh = data / ".register.db.restored"
        fresh.unlink(missing_ok=True)
        _fill(Database(sqlite_url(fresh)), lines, note)
        for ending in ("-wal", "-shm"):
            own_file.with_name(own_file.name + ending).unlink(missing_ok=True)
        os.replace(fresh, own_file)
        return
    target = Database(url)
    with target.engine.begin() as connection:
        old = MetaData()
        old.reflect(connection)
        old.drop_all(connection)
        if not target.is_sqlite:
            connection.execute(text("DROP FUNCTION IF EXISTS audit_entry_append_only() CASCADE"))
    _fill(target, lines, note)


def _fill(database: Database, lines: list[str], note: BackupNote) -> None:
    try:
        database.migrate(note.revision)
        with database.engine.begin() as connection:
            metadata = MetaData()
            metadata.reflect(connection)
            tables = {table.name: table for table in _travelling(metadata)}
            rows: dict[str, list[dict[str, Any]]] = {name: [] for name in tables}
            for line in lines:
                name, row = json.loads(line)
                rows[name].append(_typed(tables[name], row))
            for name, values in rows.items():
                if len(values) != note.rows.get(name, 0):
                    raise BackupError(f"the backup holds too few rows of {name}")
                if values:
                    connection.execute(insert(tables[name]), values)
        database.migrate()
        with database.read() as session:
            chain = audit.check(session)
        if not chain or chain.newest_hash != note.audit_hash:
            raise BackupError("the audit trail in the backup is not whole")
        if database.is_sqlite:
            with database.engine.connect() as connection:
                connection.exec_driver_sql("COMMIT")
                connection.exec_driver_sql("PRAGMA wal_checkpoint(TRUNCATE)")
    finally:
        database.close()


def _typed(table: Table, row: dict[str, Any]) -> dict[str, Any]:
    out = {}
    for name, value in row.items():
        kind = table.c[name].type
        if value is not None and isinstance(kind, DateTime):
            value = dt.datetime.fromisoformat(value)
        elif value is not None and isinstance(kind, Date):
            value = dt.date.fromisoformat(value)
        elif value is None and isinstance(kind, JSON):
            continue  # left out, it is NULL; given as None it would be the JSON value null
        out[name] = value
    return out


def _holds_anything(database: Database) -> bool:
    with database.read() as session:
        return bool(session.scalar(text("SELECT count(*) FROM woman")))


# --- photos ---------------------------------------------------------------------


def _photo_key(data: Path) -> bytes | None:
    # A key from the environment is kept by whoever set it, on purpose not with the data.
    path = data / "photo.key"
    return None if os.environ.get(KEY_VARIABLE) or not path.exists() else path.read_bytes()


def _restore_photos(tar: tarfile.TarFile, data: Path, key: bytes | None) -> None:
    if key is not None:
        write_whole(data / "photo.key", key)
    folder = data / "photos"
    folder.mkdir(mode=0o700, exist_ok=True)
    for member in tar.getmembers():
        if member.isfile() and member.name.startswith(_PHOTOS):
            # Only the last part of the name: a backup says where nothing goes but here.
            write_atomic(folder / Path(member.name).name, _content(tar, member))


# --- the file -------------------------------------------------------------------


def _add(tar: tarfile.TarFile, name: str, content: bytes) -> None:
    member = tarfile.TarInfo(name)
    member.size, member.mode = len(content), 0o600
    tar.addfile(member, io.BytesIO(content))


def _read(tar: tarfile.TarFile, name: str) -> bytes:
    return _content(tar, tar.getmember(name))


def _content(tar: tarfile.TarFile, member: tarfile.TarInfo) -> bytes:
    stream = tar.extractfile(member)
    if stream is None:
        raise BackupError(f"{member.name} is not a file")
    return stream.read()


def _check_whole(tar: tarfile.TarFile, note: BackupNote) -> None:
    """BackupError when a part is missing, before anything is changed."""
    names = tar.getnames()
    photos = sum(name.startswith(_PHOTOS) for name in names)
    if _TABLES not in names or photos != note.photos or (_KEY in names) != note.photo_key:
        raise BackupError("the backup is not whole: a part of the file is missing")


def _read_note(tar: tarfile.TarFile) -> BackupNote:
    head = json.loads(_read(tar, _NOTE))
    if head.pop("format", None) != FORMAT:
        raise BackupError("this is not a backup of the register, or one of a newer version")
    return BackupNote(**head)


def _lock(content: bytes, passphrase: str, name: str) -> bytes:
    salt, nonce = os.urandom(_SALT), os.urandom(_NONCE)
    cipher = AESGCM(_derive(passphrase, salt))
    return salt + nonce + cipher.encrypt(nonce, content, name.encode())


def _unlock(blob: bytes, passphrase: str, name: str) -> bytes:
    salt, nonce, body = blob[:_SALT], blob[_SALT : _SALT + _NONCE], blob[_SALT + _NONCE :]
    try:
        return AESGCM(_derive(passphrase, salt)).decrypt(nonce, body, name.encode())
    except InvalidTag:
        raise BackupError("the passphrase is not right, or the file is damaged") from None


def _derive(passphrase: str, salt: bytes) -> bytes:
    return Scrypt(salt=salt, length=32, n=2**15, r=8, p=1).derive(passphrase.encode())
