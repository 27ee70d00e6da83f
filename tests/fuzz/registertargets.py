"""What the register reads in: results of a laboratory, backups, kept photos and their key."""

from __future__ import annotations

import base64
import io
import json
import os
import random
import tarfile
import tempfile
from functools import cache
from pathlib import Path
from typing import Any

import backupfile
from cryptography.hazmat.primitives.ciphers.aead import AESGCM
from mutate import mutate_bytes
from mutatejson import encode, mutate_json
from seeds import TODAY
from sqlalchemy import select
from sqlalchemy.orm import Session
from target import Target, bad, one_line, sound_json, text_maker

from cardreader.decide.followuprules import FollowUpRules
from cardreader.decide.protocolfile import load_protocol
from cardreader.decide.rule import Outcome
from cardreader.decide.subject import Subject
from cardreader.register import accounts, audit, backup, fhir, labtable, tables
from cardreader.register.base import utc_now
from cardreader.register.database import Database, RegisterError, sqlite_url
from cardreader.register.kinds import Regimen, Role
from cardreader.register.lists import open_rows
from cardreader.register.models import Reading
from cardreader.register.phoneclock import TakenAt
from cardreader.register.photostore import PhotoStore, PhotoStoreError, open_store, read_key
from cardreader.register.recording import (
    LAB_LIMITS_G_DL,
    PhotoFacts,
    record_lab,
    record_photo,
    record_tube,
    subject_of,
)
from cardreader.register.tube import TubeUnit
from cardreader.register.visits import open_visit
from cardreader.register.women import add_woman, start_treatment

CODES = ("KX-1", "KX-2", "0099/26")
PASSPHRASE = "an invented passphrase"
PHOTO = b"\xff\xd8\xff invented photo bytes" * 9


# --- results of a laboratory ----


@cache
def _register() -> Database:
    """A register in memory with women and nothing else."""
    database = Database("sqlite://")
    database.migrate()
    with database.write() as session:
        for code in CODES:
            add_woman(session, code, 20, TODAY, None)
    return database


@cache
def _lab_texts() -> tuple[str, ...]:
    rows = [
        "KX-1,2026-10-30,9.3,analyser,Invented Clinic",
        "kx-2,2026-11-01,11.25,photometric,",
        '0099/26,2026-11-02,6.8,"analyser, second",Invented Hospital',
        "KX-7,2026-11-02,10,analyser,Invented Hospital",
    ]
    return (
        "\n".join(["code,date,hb_g_dl,method,place", *rows]) + "\n",
        "\ufeffcode,date,hb_g_dl,method\r\n" + "\r\n".join(row[: row.rindex(",")] for row in rows),
    )


def _lab(data: bytes) -> str:
    with Session(_register().engine) as session:
        found = labtable.import_lab(session, data, load_protocol(), TODAY, 1200.0, None)
        for problem in found.problems:
            if not problem.problem or "\n" in problem.problem or problem.line < 1:
                bad(f"a problem that can't be shown: {problem}")
        values = session.scalars(select(Reading)).all()
        if len(values) != found.entered:
            bad(f"{len(values)} readings, {found.entered} said to be entered")
        for reading in values:
            low, high = LAB_LIMITS_G_DL
            if reading.hb_g_dl is None or not low <= reading.hb_g_dl <= high:
                bad(f"a laboratory value of {reading.hb_g_dl}")
        _look_through(session)
        session.rollback()
    if found.entered:
        return "some entered"
    return "none entered" if found.problems else "nothing there"


def _look_through(session: Session) -> None:
    """What pages and exports make of the whole register."""
    open_rows(session, FollowUpRules())
    sound_json(fhir.bundle(session))
    tables.readings_csv(session, codes=True)
    tables.confirmations_csv(session, 0.3)
    if not audit.check(session):
        bad("a broken audit trail")


# --- backups ----


def _facts(sha256: str) -> PhotoFacts:
    detail: dict[str, Any] = {"hb": {"g_dl": 9.0}, "decision": {"outcome": "anaemic"}}
    return PhotoFacts(
        sha256, detail, None, 9.0, 8.2, 9.8, 0.5, Outcome.ANAEMIC, lot_id="027001", phone="Phone 1"
    )


def _fill(database: Database, store: PhotoStore) -> None:
    now = utc_now()
    with database.write() as session:
        account = accounts.add_account(session, "ada", Role.WORKER, "a long password")
        for number, code in enumerate(CODES):
            woman = add_woman(session, code, 20, now.date(), account.id)
            subject, rules = subject_of(woman, now.date(), None), load_protocol()
            if number:
                record_tube(
                    session, woman, f"tube-key-{number}", 9.0, TubeUnit.G_DL, now, account.id,
                    rules, subject,
                )  # fmt: skip
                continue
            visit = open_visit(session, woman, 1, now.date(), account.id)
            start_treatment(session, woman, Regimen.TREATMENT, now.date(), account.id)
            record_photo(
                session, visit, "photo-key-1", _facts("0" * 64), TakenAt(now), account.id,
                lambda details, _subject, _pale: _facts("0" * 64), Subject(), store.put(PHOTO),
            )  # fmt: skip
            record_lab(
                session, woman, "lab-key-1", 9.1, "analyser", "Clinic", now, account.id, rules,
                subject,
            )  # fmt: skip


@cache
def _backup() -> bytes:
    with tempfile.TemporaryDirectory() as folder:
        data, file = Path(folder) / "data", Path(folder) / "register.backup"
        data.mkdir()
        database = Database(sqlite_url(data / "register.db"))
        database.migrate()
        _fill(database, open_store(data))
        backup.make_backup(database, data, file, PASSPHRASE)
        database.close()
        return file.read_bytes()


def _backup_case(rng: random.Random) -> bytes:
    whole = _backup()
    data = mutate_bytes(whole, (whole,), rng)
    return _checksums(data) if rng.random() < 0.7 else data


def _checksums(data: bytes) -> bytes:
    """Set the check sums of a tar's headers right, so that damage reaches what lies behind them."""
    out = bytearray(data)
    for at in range(0, len(out) - 511, 512):
        if out[at + 257 : at + 262] == b"ustar":
            out[at + 148 : at + 156] = b" " * 8
            out[at + 148 : at + 156] = b"%06o\0 " % sum(out[at : at + 512])
    return bytes(out)


@cache
def _parts() -> tuple[dict[str, Any], list[Any], bytes, dict[str, bytes]]:
    """Note, rows, photo key and photos of the backup, opened."""
    with tarfile.open(fileobj=io.BytesIO(_backup())) as tar:
        content = {m.name: tar.extractfile(m).read() for m in tar.getmembers()}
    lines = backupfile.unlock(content["tables.bin"], PASSPHRASE, "tables.bin").decode().splitlines()
    key = backupfile.unlock(content["photo.key.bin"], PASSPHRASE, "photo.key.bin")
    photos = {name: data for name, data in content.items() if name.startswith("photos/")}
    return json.loads(content["backup.json"]), [json.loads(line) for line in lines], key, photos


def _hostile_backup(rng: random.Random) -> bytes:
    """A backup by somebody who knows the passphrase: whole in form, hostile in what it holds.

    Kept as it lies within, unlocked; `_restore_hostile` locks it.
    """
    note, rows, key, photos = _parts()
    if rng.random() < 0.3:
        note = mutate_json(note, rng)
    if rng.random() < 0.8:
        rows = _hostile_rows(rows, rng)
    if rng.random() < 0.1:
        key = mutate_bytes(key, (key,), rng)
    names = list(photos)
    if rng.random() < 0.1:
        names = [rng.choice(("photos/", "photos/..", "photos/../x", "photos/a/b", "photos/\udcff"))]
    lines = b"\n".join(encode(row) for row in rows)
    if rng.random() < 0.1:
        lines = mutate_bytes(lines, (lines,), rng)
    parts = [encode(note), lines, key, encode(names)]
    return b"".join(len(part).to_bytes(4, "big") + part for part in parts)


def _hostile_rows(rows: list[Any], rng: random.Random) -> list[Any]:
    """The rows with some that are changed; the trail is the hardest to change unseen, so seldom."""
    out = list(rows)
    for _ in range(rng.choice((1, 1, 2))):
        others = [i for i, row in enumerate(rows) if row[0] != "audit_entry" or rng.random() < 0.1]
        at = rng.choice(others)
        out[at] = mutate_json(rows[at], rng)
    return out


def _restore_damaged(data: bytes) -> str:
    return _restored(data)


def _restore_hostile(data: bytes) -> str:
    parts, at = [], 0
    while at < len(data):
        size = int.from_bytes(data[at : at + 4], "big")
        parts.append(data[at + 4 : at + 4 + size])
        at += 4 + size
    note, lines, key, names = parts
    stream = io.BytesIO()
    with tarfile.open(fileobj=stream, mode="w", errors="surrogateescape") as tar:
        backupfile.add(tar, "backup.json", note)
        backupfile.add(tar, "tables.bin", backupfile.lock(lines, PASSPHRASE, "tables.bin"))
        backupfile.add(tar, "photo.key.bin", backupfile.lock(key, PASSPHRASE, "photo.key.bin"))
        for name in json.loads(names):
            backupfile.add(tar, name, PHOTO)
    return _restored(stream.getvalue())


def _restored(data: bytes) -> str:
    """Restore over a register that is there: it is replaced whole, or left as it was."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        file, target = folder / "b.tar", folder / "data"
        file.write_bytes(data)
        target.mkdir()
        (target / "register.db").write_bytes(_empty_register())
        (target / "photo.key").write_bytes(base64.urlsafe_b64encode(bytes(32)))
        before = _content(target)
        try:
            backup.restore_backup(sqlite_url(target / "register.db"), target, file, PASSPHRASE)
        except backup.BackupError as error:
            if _content(target) != before:
                bad(f"refused ({error}) but changed {_changed(before, _content(target))}")
            return one_line(error)
        if set(os.listdir(folder)) != {"b.tar", "data"}:
            bad(f"wrote outside the data folder: {os.listdir(folder)}")
        _look_into(target)
    return "restored"


@cache
def _empty_register() -> bytes:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "register.db"
        database = Database(sqlite_url(path))
        database.migrate()
        with database.engine.connect() as connection:
            connection.exec_driver_sql("COMMIT")
            connection.exec_driver_sql("PRAGMA wal_checkpoint(TRUNCATE)")
        database.close()
        return path.read_bytes()


def _content(folder: Path) -> dict[str, bytes]:
    """Every file below a folder; SQLite's own side files come and go."""
    files = (path for path in sorted(folder.rglob("*")) if path.is_file())
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in files
        if not path.name.startswith("register.db-")
    }


def _changed(before: dict[str, bytes], after: dict[str, bytes]) -> list[str]:
    return sorted(name for name in before | after if before.get(name) != after.get(name))


def _look_into(data: Path) -> None:
    database = Database(sqlite_url(data / "register.db"))
    try:
        with database.read() as session:
            _look_through(session)
    finally:
        database.close()
    open_store(data)


# --- the register's own file ----


@cache
def _filled_register() -> bytes:
    with tempfile.TemporaryDirectory() as folder:
        file, data = Path(folder) / "b.tar", Path(folder) / "data"
        file.write_bytes(_backup())
        backup.restore_backup(sqlite_url(data / "register.db"), data, file, PASSPHRASE)
        return (data / "register.db").read_bytes()


def _register_case(rng: random.Random) -> bytes:
    whole = _filled_register()
    if rng.random() < 0.5:
        return mutate_bytes(whole, (whole,), rng)
    data = bytearray(whole)
    words = [word for word in (b"anaemic", b"2026-", b"photo", b"0001") if word in whole]
    for _ in range(rng.choice((1, 5, 50))):  # what is written in it, not how
        word = rng.choice(words)
        at = whole.index(word, rng.randrange(whole.rindex(word) + 1))
        data[at : at + 1] = bytes([rng.randrange(256)])
    return bytes(data)


def _open_register(data: bytes) -> str:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "register.db").write_bytes(data)
        database = Database(sqlite_url(folder / "register.db"))
        try:
            database.migrate()
            backup.make_backup(database, folder, folder / "b.tar", PASSPHRASE)
        except (RegisterError, backup.BackupError) as error:
            if (folder / "b.tar").exists() or list(folder.glob(".b.tar*")):
                bad(f"refused ({error}), and yet there is a backup")
            return one_line(error)
        finally:
            database.close()
    return "backed up"


# --- kept photos ----


def _kept_case(rng: random.Random) -> bytes:
    key = base64.urlsafe_b64encode(bytes(range(32))) + b"\n"
    key = mutate_bytes(key, (key,), rng) if rng.random() < 0.5 else key
    photo = b"CRP1" + bytes(12) + AESGCM(bytes(range(32))).encrypt(bytes(12), PHOTO, b"kept.photo")
    photo = mutate_bytes(photo, (photo,), rng) if rng.random() < 0.8 else photo
    return len(key).to_bytes(4, "big") + key + photo


def _kept(data: bytes) -> str:
    size = int.from_bytes(data[:4], "big")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "photo.key").write_bytes(data[4 : 4 + size])
        (folder / "kept.photo").write_bytes(data[4 + size :])
        try:
            photo = PhotoStore(folder, read_key(folder)).get("kept.photo")
        except PhotoStoreError as error:
            return one_line(error)
    if photo != PHOTO:
        bad("a photo that nobody kept")
    return "opened"


TARGETS = (
    Target("laboratory results (CSV)", text_maker(_lab_texts), _lab, 0.04),
    Target("backups, damaged", _backup_case, _restore_damaged, 0.01),
    Target("backups, hostile", _hostile_backup, _restore_hostile, 0.01),
    Target("registers (SQLite), damaged", _register_case, _open_register, 0.01),
    Target("kept photos and keys", _kept_case, _kept, 0.02),
)
