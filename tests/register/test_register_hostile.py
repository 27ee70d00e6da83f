"""Damaged and hostile backups, registers and keys: refused in one line, and nothing is changed."""

from __future__ import annotations

import io
import json
import os
import shutil
import sqlite3
import tarfile
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import backupfile
import pytest
from builders import add_woman, facts, lab, photo
from sqlalchemy import select

from cardreader.register import backup
from cardreader.register.backup import BackupError, make_backup, restore_backup
from cardreader.register.database import Database, RegisterError, sqlite_url
from cardreader.register.models import Woman
from cardreader.register.photostore import KEY_VARIABLE, PhotoStoreError, open_store

PASSPHRASE = "an invented passphrase"
VERSIONS = Path(backup.__file__).parent / "migrations" / "versions"
NEWEST = max(path.name[:4] for path in VERSIONS.glob("0*")).encode()
Parts = dict[str, bytes]


@pytest.fixture(scope="module")
def sound(tmp_path_factory) -> Parts:
    """The parts of a sound backup, unlocked."""
    data = tmp_path_factory.mktemp("old")
    file, store = data / "register.backup", open_store(data)
    database = Database(sqlite_url(data / "register.db"))
    database.migrate()
    with database.write() as session:
        woman = add_woman(session, "KX-1")
        photo(session, woman, facts(9.0)).photo_file = store.put(b"invented photo")
        lab(session, woman, 9.2)
    make_backup(database, data, file, PASSPHRASE)
    database.close()
    with tarfile.open(file) as tar:
        parts = {m.name: tar.extractfile(m).read() for m in tar.getmembers()}
    for name in ("tables.bin", "photo.key.bin"):
        parts[name] = backupfile.unlock(parts[name], PASSPHRASE, name)
    return parts


@pytest.fixture
def whole(sound) -> Parts:
    """A copy of them to change."""
    return dict(sound)


def _tar(parts: Parts) -> bytes:
    stream = io.BytesIO()
    with tarfile.open(fileobj=stream, mode="w") as tar:
        for name, content in parts.items():
            locked = name.endswith(".bin")
            backupfile.add(
                tar, name, backupfile.lock(content, PASSPHRASE, name) if locked else content
            )
    return stream.getvalue()


def _rows(parts: Parts) -> list[Any]:
    return [json.loads(line) for line in parts["tables.bin"].splitlines()]


def _with_row(table: str, **changes: Any) -> Callable[[Parts], None]:
    """Changes the first row of a table."""

    def change(parts: Parts) -> None:
        rows = _rows(parts)
        next(row for name, row in rows if name == table).update(changes)
        parts["tables.bin"] = "\n".join(map(json.dumps, rows)).encode()

    return change


def _with_rows(**changes: Any) -> Callable[[Parts], None]:
    """Puts something else in place of the first row."""

    def change(parts: Parts) -> None:
        rows = [changes["first"], *_rows(parts)[1:]]
        parts["tables.bin"] = "\n".join(map(json.dumps, rows)).encode()

    return change


def _with_note(**changes: Any) -> Callable[[Parts], None]:
    def change(parts: Parts) -> None:
        note = {**json.loads(parts["backup.json"]), **changes}
        parts["backup.json"] = json.dumps({k: v for k, v in note.items() if v != "gone"}).encode()

    return change


def _with_key(key: bytes) -> Callable[[Parts], None]:
    def change(parts: Parts) -> None:
        parts["photo.key.bin"] = key

    return change


def _with_photo_named(name: str) -> Callable[[Parts], None]:
    def change(parts: Parts) -> None:
        (old,) = [part for part in parts if part.startswith("photos/")]
        parts[name] = parts.pop(old)

    return change


def _with_deep_rows(parts: Parts) -> None:
    parts["tables.bin"] = b"[" * 100_000


HOSTILE: dict[str, Callable[[Parts], None]] = {
    "a row of no table": _with_rows(first=["no_table", {}]),
    "a row whose table is a list": _with_rows(first=[["woman"], {}]),
    "a row that is a list": _with_rows(first=["woman", [1, 2]]),
    "a row too few": _with_rows(first=["referral", None]),
    "rows nested without end": _with_deep_rows,
    "a text for a number": _with_row("visit", number="two"),
    "a list for a text": _with_row("woman", code=["KX-1"]),
    "a number for a time": _with_row("reading", taken_at=5),
    "a time that overflows": _with_row("reading", taken_at="0001-01-01T00:00:00"),
    "a value that is not finite": _with_row("reading", hb_g_dl=float("nan")),
    "a value beyond all blood": _with_row("reading", hb_g_dl=1e300),
    "no value at all": _with_row("reading", hb_g_dl=0.0),
    "a value without an outcome": _with_row("reading", hb_g_dl=9.0, band=None),
    "an outcome that is none": _with_row("visit", band="cured"),
    "a source that is none": _with_row("reading", source="dream"),
    "a code that is a name": _with_row("woman", code="Ada Invented"),
    "gestation without end": _with_row("woman", gestation_weeks=2_000_000),
    "a null character": _with_row("reading", place="a\0b"),
    "half a surrogate pair": _with_row("reading", place="\ud800"),
    "a column that is none": _with_row("woman", address="Invented Hill"),
    "a required column empty": _with_row("woman", added_at=None),
    "a reading of no woman": _with_row("reading", woman_id="0" * 36),
    "a note without its revision": _with_note(revision="gone"),
    "a note of a later version": _with_note(revision="9999"),
    "a revision that is a step": _with_note(revision="+1"),
    "a note whose rows are a list": _with_note(rows=[1]),
    "a note with one more entry": _with_note(more=1),
    "a photo key that is none": _with_key(b"not a key"),
    "a photo key in no text": _with_key(b"\xff" * 44),
    "a photo named a folder": _with_photo_named("photos/.."),
    "a photo outside": _with_photo_named("photos/../../evil.photo"),
}


def _files(folder: Path) -> dict[str, bytes]:
    found = (path for path in folder.rglob("*") if path.is_file())
    side_files = ("-wal", "-shm")
    return {str(p): p.read_bytes() for p in found if not p.name.endswith(side_files)}


@pytest.fixture(scope="module")
def in_use(tmp_path_factory, empty_register) -> Path:
    """A data folder with a register in use, to be copied."""
    folder = tmp_path_factory.mktemp("in use")
    shutil.copy(empty_register, folder / "register.db")
    store = open_store(folder)
    database = Database(sqlite_url(folder / "register.db"))
    with database.write() as session:
        reading = photo(session, add_woman(session, "OLD-1"), facts(12.0))
        reading.photo_file = store.put(b"an older photo")
    database.close()
    return folder


@pytest.fixture
def target(in_use, tmp_path) -> Path:
    """A data folder with a register in use."""
    return Path(shutil.copytree(in_use, tmp_path / "target"))


@pytest.mark.parametrize("what", HOSTILE)
def test_a_hostile_backup_is_refused_and_changes_nothing(whole, target, tmp_path, what):
    HOSTILE[what](whole)
    file = tmp_path / "hostile.backup"
    file.write_bytes(_tar(whole))
    before = _files(target)
    url = sqlite_url(target / "register.db")
    with pytest.raises(BackupError) as refused:
        restore_backup(url, target, file, PASSPHRASE, replace=True)
    assert "\n" not in str(refused.value)
    assert len(str(refused.value)) < 400
    assert _files(target) == before


def test_the_same_backup_unharmed_takes_the_registers_place(whole, target, tmp_path):
    file = tmp_path / "sound.backup"
    file.write_bytes(_tar(whole))
    restore_backup(sqlite_url(target / "register.db"), target, file, PASSPHRASE, replace=True)
    names = {path.name for path in target.iterdir()}
    assert not any("restored" in name for name in names)
    assert (target / "photo.key").read_bytes() == whole["photo.key.bin"]


def test_a_bad_backup_does_not_cost_the_register_of_another_database(database, whole, tmp_path):
    """Where the register is no file, its tables are dropped first; not for a bad backup."""
    with database.write() as session:
        add_woman(session, "OLD-1")
        before = codes(session)
    HOSTILE["an outcome that is none"](whole)
    file = tmp_path / "hostile.backup"
    file.write_bytes(_tar(whole))
    with pytest.raises(BackupError):
        restore_backup(database.url, tmp_path / "elsewhere", file, PASSPHRASE, replace=True)
    with database.read() as session:
        assert codes(session) == before


@pytest.mark.parametrize("database", ["postgresql", "sqlite"], indirect=True)
def test_a_restore_that_fails_half_way_leaves_another_database_as_it_was(
    database, whole, tmp_path, monkeypatch
):
    """The old tables are dropped in the transaction that fills the new."""
    with database.write() as session:
        add_woman(session, "OLD-1")
        before = codes(session)
    seen = []

    def fails_in_the_register(session):
        seen.append(codes(session))
        if len(seen) > 1:  # the first is the database where the backup is looked at
            raise OSError("no space left")

    monkeypatch.setattr("cardreader.register.backuptables.check_meaning", fails_in_the_register)
    file = tmp_path / "sound.backup"
    file.write_bytes(_tar(whole))
    with pytest.raises(BackupError, match="no space left"):
        restore_backup(database.url, tmp_path / "elsewhere", file, PASSPHRASE, replace=True)
    assert seen == [["KX-1"], ["KX-1"]]
    with database.read() as session:
        assert codes(session) == before
    with database.write() as session:
        add_woman(session, "OLD-2")  # the trail goes on, and its triggers are there


class KilledError(BaseException):
    """What no handler of errors catches, as a kill isn't."""


def _kill(*_given: object) -> None:
    raise KilledError


@pytest.fixture
def logged(target) -> Path:
    """The same register with a woman that only the write-ahead log beside the file holds."""
    other = target.parent / "running"
    shutil.copytree(target, other)
    database = Database(sqlite_url(other / "register.db"))
    with database.write() as session:
        add_woman(session, "OLD-2")
    for ending in ("", "-wal"):
        shutil.copy(other / f"register.db{ending}", target)
    database.close()
    assert (target / "register.db-wal").stat().st_size
    return target


def _codes_in(folder: Path) -> list[str]:
    database = Database(sqlite_url(folder / "register.db"))
    try:
        with database.read() as session:
            return codes(session)
    finally:
        database.close()


def test_killed_before_its_file_is_replaced_the_register_has_all_that_was_committed(
    whole, logged, tmp_path, monkeypatch
):
    file = tmp_path / "sound.backup"
    file.write_bytes(_tar(whole))
    url, own = sqlite_url(logged / "register.db"), logged / "register.db"
    replace = os.replace
    monkeypatch.setattr(os, "replace", lambda a, b: (_kill if b == own else replace)(a, b))
    with pytest.raises(KilledError):
        restore_backup(url, logged, file, PASSPHRASE, replace=True)
    assert _codes_in(logged) == ["OLD-1", "OLD-2"]


def test_a_register_in_use_is_not_replaced(whole, logged, tmp_path, monkeypatch):
    monkeypatch.setattr(backup, "PATIENCE_S", 0.0)
    file = tmp_path / "sound.backup"
    file.write_bytes(_tar(whole))
    own = logged / "register.db"
    with closing(sqlite3.connect(own, isolation_level=None)) as reader:
        reader.execute("BEGIN")
        reader.execute("SELECT * FROM woman").fetchall()
        with pytest.raises(BackupError, match="in use"):
            restore_backup(sqlite_url(own), logged, file, PASSPHRASE, replace=True)
    assert _codes_in(logged) == ["OLD-1", "OLD-2"]


def test_a_damaged_register_can_be_replaced(whole, target, tmp_path):
    file = tmp_path / "sound.backup"
    file.write_bytes(_tar(whole))
    own = target / "register.db"
    for damage in (b"no database at all" * 100, own.read_bytes()[:5000], b""):
        own.write_bytes(damage)
        own.with_name("register.db-wal").write_bytes(b"no log" * 100)
        restore_backup(sqlite_url(own), target, file, PASSPHRASE, replace=True)
        assert _codes_in(target) == ["KX-1"]


def test_what_a_killed_restore_left_does_not_hinder_the_next(whole, target, tmp_path):
    file = tmp_path / "sound.backup"
    file.write_bytes(_tar(whole))
    shutil.copy(target / "register.db", target / ".register.db.restored")
    (target / ".photo.key.restored").write_bytes(b"half a k")
    restore_backup(sqlite_url(target / "register.db"), target, file, PASSPHRASE, replace=True)
    assert _codes_in(target) == ["KX-1"]
    assert not list(target.glob(".*restored*"))
    assert (target / "photo.key").read_bytes() == whole["photo.key.bin"]


def test_no_room_for_the_photo_key_changes_nothing(whole, target, tmp_path, monkeypatch):
    file = tmp_path / "sound.backup"
    file.write_bytes(_tar(whole))
    before = _files(target)

    write_atomic = backup.write_atomic

    def full(path: Path, *given: Any) -> None:
        if path.name.startswith(".photo.key"):
            raise OSError("no space left")
        write_atomic(path, *given)

    monkeypatch.setattr(backup, "write_atomic", full)
    with pytest.raises(BackupError, match="no space left"):
        restore_backup(sqlite_url(target / "register.db"), target, file, PASSPHRASE, replace=True)
    after = _files(target)
    assert {name: after[name] for name in before} == before
    assert all("photos" in name for name in after.keys() - before.keys())


def test_killed_before_the_photo_key_a_second_restore_makes_it_whole(
    whole, target, tmp_path, monkeypatch
):
    file = tmp_path / "sound.backup"
    file.write_bytes(_tar(whole))
    url, key, replace = sqlite_url(target / "register.db"), target / "photo.key", os.replace
    with monkeypatch.context() as patched:
        patched.setattr(os, "replace", lambda a, b: (_kill if b == key else replace)(a, b))
        with pytest.raises(KilledError):
            restore_backup(url, target, file, PASSPHRASE, replace=True)
    assert _codes_in(target) == ["KX-1"]
    restore_backup(url, target, file, PASSPHRASE, replace=True)
    (name,) = [Path(part).name for part in whole if part.startswith("photos/")]
    assert open_store(target).get(name) == b"invented photo"


def test_a_later_version_is_told_of_the_backup_not_of_the_register(whole, target, tmp_path):
    HOSTILE["a note of a later version"](whole)
    file = tmp_path / "later.backup"
    file.write_bytes(_tar(whole))
    with pytest.raises(BackupError, match=r"^the backup was made by a newer version"):
        restore_backup(sqlite_url(target / "register.db"), target, file, PASSPHRASE, replace=True)


def codes(session) -> list[str]:
    return sorted(session.scalars(select(Woman.code)))


def test_a_part_that_claims_more_than_the_file_holds_is_not_unpacked(whole, target, tmp_path):
    """A sparse member of a few bytes stands for as many zeros as it likes."""
    stream = io.BytesIO()
    with tarfile.open(fileobj=stream, mode="w", format=tarfile.PAX_FORMAT) as tar:
        member = tarfile.TarInfo("backup.json")
        member.pax_headers = {
            "GNU.sparse.size": str(10**12), "GNU.sparse.map": f"{10**12},0",
        }  # fmt: skip
        tar.addfile(member, io.BytesIO(b""))
    file = tmp_path / "bomb.backup"
    file.write_bytes(stream.getvalue())
    with pytest.raises(BackupError, match="not a file of its size"):
        restore_backup(sqlite_url(target / "register.db"), target, file, PASSPHRASE, replace=True)


@pytest.mark.parametrize(
    "damage",
    [
        lambda data: b"no database at all" * 100,
        lambda data: data[:4096] + bytes(4096) + data[8192:],
        lambda data: data[: len(data) // 2],
        lambda data: data.replace(NEWEST, b"0942"),
    ],
    ids=["words", "a page of zeros", "half of it", "of a later version"],
)
def test_a_damaged_register_is_told_in_one_line(target, damage):
    file = target / "register.db"
    file.write_bytes(damage(file.read_bytes()))
    database = Database(sqlite_url(file))
    try:
        with pytest.raises(RegisterError) as told:
            database.migrate()
    finally:
        database.close()
    assert "\n" not in str(told.value)


def test_a_register_with_a_text_for_a_time_gives_no_backup(sqlite, tmp_path):
    with sqlite.write() as session:
        add_woman(session, "KX-1")
    with sqlite.engine.begin() as connection:
        connection.exec_driver_sql("UPDATE woman SET added_at = 'yesterday'")
    with pytest.raises(RegisterError, match="restore the newest backup"):
        make_backup(sqlite, tmp_path, tmp_path / "b.tar", PASSPHRASE)
    assert not list(tmp_path.glob("*b.tar*"))


UNSOUND = {
    "UPDATE visit SET number = 'two'": r"visit\.number",
    "UPDATE woman SET code = 'Ada Invented'": r"Woman\.code",
    "UPDATE reading SET band = 'cured' WHERE source = 'lab'": r"Reading\.band",
    "UPDATE reading SET hb_g_dl = 1e300": r"reading\.hb_g_dl",
    "UPDATE reading SET place = 'a' || char(0)": r"reading\.place",
    "UPDATE reading SET woman_id = 'nobody'": "FOREIGN KEY",
    "UPDATE reading SET photo_file = '../photo.key'": r"reading\.photo_file",
    "DELETE FROM alembic_version": "version",
}


@pytest.mark.parametrize("statement", UNSOUND)
def test_what_a_restore_would_refuse_is_told_when_the_backup_is_made(target, tmp_path, statement):
    database = Database(sqlite_url(target / "register.db"))
    with database.write() as session:
        lab(session, session.scalars(select(Woman)).one(), 9.2, sure=True)
    with database.engine.connect() as connection:
        connection.exec_driver_sql("COMMIT")
        connection.exec_driver_sql("PRAGMA foreign_keys = OFF")
        connection.exec_driver_sql(statement)
    file = tmp_path / "b.tar"
    with pytest.raises(BackupError, match=UNSOUND[statement]) as told:
        make_backup(database, target, file, PASSPHRASE)
    database.close()
    assert "\n" not in str(told.value)
    assert not list(tmp_path.glob("*b.tar*"))


def test_a_backup_with_a_photo_key_that_is_none_is_not_made(target, tmp_path, monkeypatch):
    monkeypatch.delenv(KEY_VARIABLE, raising=False)
    (target / "photo.key").write_bytes(b"not a key")
    database = Database(sqlite_url(target / "register.db"))
    with pytest.raises(BackupError, match=r"photo\.key"):
        make_backup(database, target, tmp_path / "b.tar", PASSPHRASE)
    database.close()


@pytest.mark.parametrize("key", [b"\xff" * 44, b"", b"A" * 43, b"====", b"A" * 400])
def test_a_photo_key_that_is_none_is_told(tmp_path, key, monkeypatch):
    monkeypatch.delenv(KEY_VARIABLE, raising=False)
    (tmp_path / "photo.key").write_bytes(key)
    with pytest.raises(PhotoStoreError, match="photo key"):
        open_store(tmp_path)
