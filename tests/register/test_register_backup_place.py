"""A new laptop keeps the phones' trust; a running server's register is not replaced under it."""

from __future__ import annotations

import datetime as dt
import json
import stat
import tarfile

import backupfile
import pytest
from builders import add_woman
from cryptography import x509

from cardreader.register import backup
from cardreader.register.backup import BackupError, make_backup, restore_backup
from cardreader.register.database import Database, sqlite_url
from cardreader.register.lastbackup import last_backup, note_backup
from cardreader.web.tls import CertificateError, certificates

PASSPHRASE = "an invented passphrase"
NOW = dt.datetime(2026, 11, 2, tzinfo=dt.UTC)


@pytest.fixture
def made(sqlite, tmp_path):
    """A register with an authority, and its backup."""
    data, file = tmp_path / "old", tmp_path / "register.backup"
    data.mkdir()
    certificates(data, ["192.168.43.1"], NOW)
    with sqlite.write() as session:
        add_woman(session, "KX-1")
    note = make_backup(sqlite, data, file, PASSPHRASE)
    assert note.authority
    return data, file


def test_phones_that_trust_the_old_laptop_trust_the_new_one(made, tmp_path):
    data, file = made
    new = tmp_path / "new"
    # Started once by mistake before the restore: its own authority gives way.
    certificates(new, ["10.0.0.7"], NOW)
    restore_backup(sqlite_url(new / "register.db"), new, file, PASSPHRASE)
    files = certificates(new, ["10.0.0.7"], NOW)
    trusted = x509.load_pem_x509_certificate((data / "tls" / "authority.crt").read_bytes())
    leaf = x509.load_pem_x509_certificates(files.chain.read_bytes())[0]
    leaf.verify_directly_issued_by(trusted)
    for name in ("authority.crt", "authority.key"):
        assert stat.S_IMODE((new / "tls" / name).stat().st_mode) == 0o600
    assert not list((new / "tls").glob(".*"))


def test_the_authoritys_key_is_not_readable_in_the_backup(made):
    data, file = made
    key = (data / "tls" / "authority.key").read_bytes()
    assert b"PRIVATE KEY" in key
    assert b"PRIVATE KEY" not in file.read_bytes()
    assert key.splitlines()[1] not in file.read_bytes()


def test_an_authority_that_is_none_is_refused_before_anything_changes(made, tmp_path):
    _, file = made
    with tarfile.open(file) as tar:
        parts = {m.name: tar.extractfile(m).read() for m in tar.getmembers()}
    pair = json.loads(backupfile.unlock(parts["authority.bin"], PASSPHRASE, "authority.bin"))
    other = certificates(tmp_path / "other", [], NOW)
    for bad in (
        {**pair, "authority.crt": other.authority.read_text()},
        {},
        [],
        {"authority.key": 1},
    ):
        parts["authority.bin"] = backupfile.lock(
            json.dumps(bad).encode(), PASSPHRASE, "authority.bin"
        )
        with tarfile.open(file, "w") as tar:
            for name, part in parts.items():
                backupfile.add(tar, name, part)
        with pytest.raises(BackupError, match="certificate"):
            restore_backup(
                sqlite_url(tmp_path / "n" / "register.db"), tmp_path / "n", file, PASSPHRASE
            )
        assert not (tmp_path / "n" / "register.db").exists()


def test_a_damaged_authority_does_not_hinder_the_backup(sqlite, tmp_path):
    data, file = tmp_path / "old", tmp_path / "register.backup"
    certificates(data, [], NOW)
    (data / "tls" / "authority.crt").write_text("no certificate")
    with pytest.raises(CertificateError):
        certificates(data, [], NOW)
    with sqlite.write() as session:
        add_woman(session, "KX-1")
    assert not make_backup(sqlite, data, file, PASSPHRASE).authority


def test_a_backup_of_the_earlier_form_is_still_read(made, tmp_path):
    _, file = made
    with tarfile.open(file) as tar:
        parts = {m.name: tar.extractfile(m).read() for m in tar.getmembers()}
    del parts["authority.bin"]
    note = json.loads(parts["backup.json"])
    del note["authority"]
    parts["backup.json"] = json.dumps({**note, "format": "cardreader-backup/1"}).encode()
    with tarfile.open(file, "w") as tar:
        for name, content in parts.items():
            backupfile.add(tar, name, content)
    new = tmp_path / "new"
    restore_backup(sqlite_url(new / "register.db"), new, file, PASSPHRASE)
    assert not (new / "tls").exists()


def test_a_register_that_a_server_runs_on_is_not_replaced(made, postgres, tmp_path):
    _, file = made
    url = postgres.new_url()
    running = Database(url)
    running.migrate()
    running.serve()
    with running.write() as session:
        add_woman(session, "KX-RUNNING")
    with pytest.raises(BackupError, match="a server is running"):
        restore_backup(url, tmp_path / "new", file, PASSPHRASE, replace=True)
    with running.read() as session:
        assert session.execute(backup.text("SELECT code FROM woman")).scalars().all() == [
            "KX-RUNNING"
        ]
    # Also after the connections were lost and made again.
    running.engine.dispose()
    with running.read() as session:
        session.execute(backup.text("SELECT 1"))
    with pytest.raises(BackupError, match="a server is running"):
        restore_backup(url, tmp_path / "new", file, PASSPHRASE, replace=True)
    running.close()
    restore_backup(url, tmp_path / "new", file, PASSPHRASE, replace=True)


def test_the_trail_says_when_it_was_last_backed_up(made, sqlite, tmp_path):
    with sqlite.write() as session:
        assert last_backup(session) is None
    note = make_backup(sqlite, tmp_path, tmp_path / "x.backup", PASSPHRASE)
    with sqlite.write() as session:
        note_backup(session, note, None)
        assert last_backup(session) is not None
