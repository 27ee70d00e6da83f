"""Photos at rest, backup and restore, deletion on request."""

from __future__ import annotations

import datetime as dt
import hashlib
import signal
import subprocess
import sys
import tarfile
from pathlib import Path

import pytest
from builders import add_woman, facts, lab, photo
from cheappasswords import AS_SHIPPED, COST_AS_SHIPPED
from cryptography.hazmat.primitives.ciphers.aead import AESGCM
from sqlalchemy import inspect, select

from cardreader.register import accounts, audit, backupfile, newtables, tablescript
from cardreader.register import database as database_module
from cardreader.register.backup import BackupError, make_backup, restore_backup
from cardreader.register.base import Base
from cardreader.register.database import Database, sqlite_url
from cardreader.register.kinds import Role
from cardreader.register.models import Account, Reading, Woman
from cardreader.register.photostore import PhotoStoreError, open_store
from cardreader.register.removal import remove_woman

PASSPHRASE = "an invented passphrase"
PHOTO = b"\xff\xd8\xff invented photo bytes " * 50


def test_kept_photo_is_not_readable_on_disk(tmp_path):
    store = open_store(tmp_path)
    name = store.put(PHOTO)
    assert store.get(name) == PHOTO
    on_disk = (tmp_path / "photos" / name).read_bytes()
    assert b"invented" not in on_disk
    assert (tmp_path / "photo.key").stat().st_mode & 0o077 == 0


def test_kept_photo_opens_with_plain_aes_gcm(tmp_path):
    """Written by the store, opened by the library alone: the format is what is said."""
    import base64

    store = open_store(tmp_path)
    name = store.put(PHOTO)
    blob = (tmp_path / "photos" / name).read_bytes()
    key = base64.urlsafe_b64decode((tmp_path / "photo.key").read_text())
    assert AESGCM(key).decrypt(blob[4:16], blob[16:], name.encode()) == PHOTO


def test_changed_swapped_or_foreign_photo_is_refused(tmp_path):
    store = open_store(tmp_path)
    one, two = store.put(PHOTO), store.put(PHOTO + b"2")
    folder = tmp_path / "photos"
    (folder / one).write_bytes((folder / two).read_bytes())
    with pytest.raises(PhotoStoreError):
        store.get(one)
    with pytest.raises(PhotoStoreError):
        store.get("../photo.key")
    other = open_store(tmp_path / "other")
    (tmp_path / "other" / "photos" / two).write_bytes((folder / two).read_bytes())
    with pytest.raises(PhotoStoreError):
        other.get(two)


def test_a_key_that_is_gone_is_told_while_photos_are_kept(tmp_path):
    """A new one in silence would open none of them, and its own be lost when the old comes back."""
    store = open_store(tmp_path)
    name = store.put(PHOTO)
    key = (tmp_path / "photo.key").read_bytes()
    (tmp_path / "photo.key").unlink()
    with pytest.raises(PhotoStoreError, match="key is missing"):
        open_store(tmp_path)
    assert not (tmp_path / "photo.key").exists()
    (tmp_path / "photo.key").write_bytes(key)
    assert open_store(tmp_path).get(name) == PHOTO


@pytest.fixture
def filled(database, tmp_path):
    """A register with women, readings, an account and a kept photo, and its data folder."""
    data = tmp_path / "data"
    data.mkdir()
    store = open_store(data)
    with database.write() as session:
        accounts.add_account(session, "ada", Role.WORKER, "a long password")
        woman = add_woman(session, "KX-1")
        reading = photo(session, woman, facts(9.0))
        reading.photo_file = store.put(PHOTO)
        photo(session, add_woman(session, "KX-2", weeks=None), facts(13.5))
        lab(session, woman, 9.2)
    return database, data


def content(database):
    """Everything in the register but the sign-ins, table by table."""
    with database.engine.connect() as connection:
        return {
            table.name: sorted(map(repr, connection.execute(select(table)).all()))
            for table in Base.metadata.sorted_tables
            if table.name != "sign_in"
        }


@pytest.mark.parametrize("target", ["sqlite", "postgresql"])
def test_backup_restores_everything_into_either_database(filled, target, tmp_path, request):
    database, data = filled
    file = tmp_path / "register.backup"
    note = make_backup(database, data, file, PASSPHRASE)
    assert (note.rows["woman"], note.rows["reading"], note.photos) == (2, 3, 1)
    fresh = tmp_path / "fresh"
    if target == "sqlite":
        url = sqlite_url(fresh / "register.db")
    else:
        url = request.getfixturevalue("postgres").new_url()
    restore_backup(url, fresh, file, PASSPHRASE)
    restored = Database(url)
    try:
        assert content(restored) == content(database)
        with restored.write() as session:
            assert audit.check(session).newest_hash == note.audit_hash
            assert accounts.right_password(session, "ada", "a long password")
            name = session.scalars(select(Reading.photo_file).where(Reading.photo_file != "")).one()
            add_woman(session, "KX-3")  # it goes on from there
        with restored.read() as session:
            assert audit.check(session)
    finally:
        restored.close()
    assert open_store(fresh).get(name) == PHOTO


def test_backup_shows_nothing_without_the_passphrase(filled, tmp_path):
    database, data = filled
    file = tmp_path / "register.backup"
    make_backup(database, data, file, PASSPHRASE)
    assert b"KX-1" not in file.read_bytes()
    assert file.stat().st_mode & 0o077 == 0
    with pytest.raises(BackupError, match="passphrase"):
        restore_backup(sqlite_url(tmp_path / "x/register.db"), tmp_path / "x", file, "not this one")


def test_a_backup_made_while_somebody_writes_can_be_restored(filled, tmp_path, monkeypatch):
    database, data = filled
    before = content(database)
    check, meanwhile = audit.check, []

    def check_and_meanwhile(session):
        found = check(session)
        if not meanwhile:
            meanwhile.append("KX-9")
            with database.write() as other:
                add_woman(other, "KX-9")
        return found

    # Between the rows, which are read before, and what tells the version, which is read after.
    monkeypatch.setattr(audit, "check", check_and_meanwhile)
    file, fresh = tmp_path / "register.backup", tmp_path / "fresh"
    make_backup(database, data, file, PASSPHRASE)
    restore_backup(sqlite_url(fresh / "register.db"), fresh, file, PASSPHRASE)
    restored = Database(sqlite_url(fresh / "register.db"))
    assert meanwhile
    assert content(restored) == before
    restored.close()


def test_what_was_entered_while_the_clock_stood_at_its_start_is_restored(sqlite, tmp_path):
    """A computer whose clock battery is empty begins in 1970, west of Greenwich the day before."""
    with sqlite.write() as session:
        woman = add_woman(session, "KX-1")
        woman.added_at = dt.datetime(1970, 1, 1, 0, 5, tzinfo=dt.UTC)
        woman.gestation_on = dt.date(1969, 12, 31)
    file, fresh = tmp_path / "register.backup", tmp_path / "fresh"
    make_backup(sqlite, tmp_path, file, PASSPHRASE)
    restore_backup(sqlite_url(fresh / "register.db"), fresh, file, PASSPHRASE)
    restored = Database(sqlite_url(fresh / "register.db"))
    assert content(restored) == content(sqlite)
    restored.close()


def test_restore_does_not_overwrite_unasked(filled, tmp_path):
    database, data = filled
    file = tmp_path / "register.backup"
    make_backup(database, data, file, PASSPHRASE)
    with database.write() as session:
        add_woman(session, "KX-9")
    before = content(database)
    with pytest.raises(BackupError, match="holds data"):
        restore_backup(database.url, data, file, PASSPHRASE)
    assert content(database) == before
    database.close()
    restore_backup(database.url, data, file, PASSPHRASE, replace=True)
    with database.read() as session:
        assert {w.code for w in session.scalars(select(Woman))} == {"KX-1", "KX-2"}


def test_damaged_backup_changes_nothing(sqlite, tmp_path):
    data = tmp_path / "data"
    store = open_store(data)
    with sqlite.write() as session:
        reading = photo(session, add_woman(session, "KX-1"), facts(9.0))
        reading.photo_file = store.put(PHOTO)
    file = tmp_path / "register.backup"
    make_backup(sqlite, data, file, PASSPHRASE)
    whole = file.read_bytes()
    last = whole.rindex(b"photos/") - 1
    url = sqlite_url(data / "register.db")
    for damage in (
        whole[:last],
        whole[: last + 700],
        whole.replace(b"tables.bin", b"tabled.bin"),
        whole[:600] + bytes(200) + whole[800:],
        b"",
    ):
        file.write_bytes(damage)
        with pytest.raises(BackupError):
            restore_backup(url, data, file, PASSPHRASE)
        assert not (data / "register.db").exists()
    with tarfile.open(file, "w"):
        pass
    with pytest.raises(BackupError):
        restore_backup(url, data, file, PASSPHRASE)


def test_deletion_on_request_leaves_no_trace_of_her(filled, tmp_path):
    database, _ = filled
    with database.write() as session:
        woman = session.scalars(select(Woman).where(Woman.code == "KX-1")).one()
        removed = remove_woman(session, woman, None)
    assert len(removed.reading_ids) == 2
    assert len(removed.photo_files) == 1
    assert "KX-1" not in repr(content(database))
    with database.read() as session:
        assert audit.check(session)
        assert session.scalars(select(Woman)).one().code == "KX-2"
    if database.is_sqlite:
        database.close()
        files = list(tmp_path.glob("register.db*"))
        assert files
        # secure_delete: the freed pages are overwritten as well.
        assert not any(b"KX-1" in file.read_bytes() for file in files)


def test_migrations_make_the_tables_that_the_models_describe(database):
    from alembic.autogenerate import compare_metadata
    from alembic.migration import MigrationContext

    with database.engine.connect() as connection:
        # Indices of parts of a text are PostgreSQL's alone.
        opts = {"compare_type": True, "include_name": lambda name, *_: (name or "")[:5] != "trgm_"}
        context = MigrationContext.configure(connection, opts=opts)
        assert compare_metadata(context, Base.metadata) == []
        assert "audit_entry" in inspect(connection).get_table_names()


def test_the_newest_revision_is_the_migrations_own(database):
    from alembic.script import ScriptDirectory

    migrations = Path(database_module.__file__).parent / "migrations"
    assert database_module.newest_revision() == ScriptDirectory(migrations).get_current_head()
    assert database.revision() == database_module.newest_revision()


def parts(script: str) -> list[list[str]]:
    """Statement by statement, its lines sorted: migrations put constraints in any order."""
    return [
        sorted(line.strip().removesuffix(",") for line in statement.splitlines())
        for statement in newtables.statements(script)
    ]


def test_a_new_register_is_made_as_the_migrations_make_it(tmp_path):
    file = tmp_path / "register.db"
    database = Database(sqlite_url(file))
    database.migrate()
    database.close()
    script = newtables.SCRIPT.read_text("utf-8")
    assert tablescript.script_of(file) == script  # tables, indices, triggers and rows
    assert parts(script) == parts(tablescript.migrated())


def test_migrations_that_the_script_does_not_know_are_run(tmp_path, monkeypatch):
    """As while one is being written: the script is an older one's."""
    older = Database(sqlite_url(tmp_path / "older.db"))
    older.migrate("0010")
    older.close()
    script = tmp_path / "newest.sql"
    script.write_text(tablescript.script_of(tmp_path / "older.db"), "utf-8")
    monkeypatch.setattr(newtables, "SCRIPT", script)
    file = tmp_path / "register.db"
    database = Database(sqlite_url(file))
    database.migrate()
    database.close()
    assert parts(tablescript.script_of(file)) == parts(tablescript.migrated())


@pytest.mark.parametrize("done", [0, 17, 10_000])
def test_a_start_that_is_killed_while_it_makes_the_tables_leaves_none(tmp_path, done):
    """After some statements; of all, before they are committed."""
    code = f"""
import os, signal
from itertools import islice
from cardreader.register import newtables
from cardreader.register.database import Database
def killed(script, statements=newtables.statements):
    yield from islice(statements(script), {done})
    os.kill(os.getpid(), signal.SIGKILL)
newtables.statements = killed
Database({sqlite_url(tmp_path / "register.db")!r}).migrate()
"""
    end = subprocess.run([sys.executable, "-c", code], check=False)
    assert end.returncode == -signal.SIGKILL
    database = Database(sqlite_url(tmp_path / "register.db"))
    with database.engine.connect() as connection:
        assert inspect(connection).get_table_names() == []
    database.migrate()
    database.close()
    assert tablescript.script_of(tmp_path / "register.db") == newtables.SCRIPT.read_text("utf-8")


@pytest.mark.parametrize("new", [True, False])
def test_a_start_with_nothing_to_migrate_loads_no_migrations(tmp_path, new):
    database = Database(sqlite_url(tmp_path / "register.db"))
    if not new:
        database.migrate()
    database.close()
    code = (
        "import sys; from cardreader.web.app import Database;"
        f"Database({database.url!r}).migrate();"
        "print([name for name in ('alembic', 'reportlab', 'spake2') if name in sys.modules])"
    )
    shown = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True)
    assert shown.stdout.strip() == "[]"


def test_passphrases_are_dear_to_guess_and_their_keys_scrypts(monkeypatch):
    """Against OpenSSL's scrypt; N, r and p of before open the backups that lie in drawers."""
    monkeypatch.setattr(backupfile, "COST", COST_AS_SHIPPED)
    salt = bytes(range(16))
    other = hashlib.scrypt(
        *(b"an invented passphrase",), salt=salt, n=2**15, r=8, p=1, maxmem=2**26, dklen=32
    )
    assert backupfile.derive_key("an invented passphrase", salt) == other
    part = backupfile.lock(b"tables", "an invented passphrase", "tables.bin")
    assert backupfile.unlock(part, "an invented passphrase", "tables.bin") == b"tables"


def test_passwords_are_argon2id_and_dear_to_guess(sqlite, monkeypatch):
    """Time, memory and lanes: the second recommendation of RFC 9106, section 4."""
    monkeypatch.setattr(accounts, "HASHER", AS_SHIPPED)
    with sqlite.write() as session:
        accounts.add_account(session, "Ada", Role.WORKER, "a long password")
        account = session.scalars(select(Account)).one()
        assert account.password_hash.startswith("$argon2id$v=19$m=65536,t=3,p=4$")
        assert accounts.right_password(session, "ADA", "a long password")
        assert accounts.right_password(session, "Ada", "a long passworD") is None
        assert accounts.right_password(session, "Eve", "a long password") is None
        accounts.set_disabled(session, account, True, None)
        assert accounts.right_password(session, "Ada", "a long password") is None
