"""The register's commands on folders, hosts and terminals that aren't there: one line, one code."""

from __future__ import annotations

import datetime as dt
import errno
import json
import os
import shutil
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest
from browserkit import free_port, wait_for
from inprocess import run_cardreader

from cardreader.register.base import utc_now
from cardreader.register.database import Database, sqlite_url
from cardreader.register.models import PaperBatch
from cardreader.terminal import clock
from cardreader.terminal.exitcodes import ExitCode
from cardreader.terminal.failing import CommandError
from cardreader.web.registerat import register_told

ROOT = Path(__file__).parents[2]
SECRETS = {
    "CARDREADER_NEW_PASSWORD": "an invented password",
    "CARDREADER_BACKUP_PASSPHRASE": "an invented passphrase",
}


def _one_line(done: subprocess.CompletedProcess[str], code: ExitCode) -> str:
    assert done.returncode == code, done.stderr
    assert done.stderr.startswith("cardreader: ")
    assert done.stderr.count("\n") == 1
    return done.stderr


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    data = tmp_path_factory.mktemp("made") / "register"
    done = run_cardreader("user", "add", "amina", "--new-register", "--data", data, **SECRETS)
    assert done.returncode == 0, done.stderr
    return data


@pytest.fixture
def register(made: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(made, tmp_path / "register"))


def test_a_disk_that_fills_while_something_is_entered_is_no_defect(register: Path) -> None:
    database = Database(sqlite_url(register / "register.db"))
    with database.engine.connect() as connection:
        used = connection.exec_driver_sql("PRAGMA page_count").scalar()
        connection.exec_driver_sql(f"PRAGMA max_page_count={used}")

    def fill() -> None:
        with register_told(), database.write() as session:
            session.add_all(PaperBatch(name="B" * 40, since=utc_now()) for _ in range(2000))

    with pytest.raises(CommandError, match="the disk is full") as told:
        fill()
    assert told.value.code is ExitCode.NOT_WRITTEN
    database.close()


@pytest.mark.parametrize(
    "words",
    [
        ["serve", "--plain"],
        ["user", "add", "amina", "--new-register"],
        ["restore"],
    ],
)
def test_a_folder_that_cannot_be_made(words: list[str], tmp_path: Path) -> None:
    (tmp_path / "file").write_text("no folder")
    (tmp_path / "some.backup").write_bytes(b"any")
    data = tmp_path / "file" / "register"
    words = [*words, str(tmp_path / "some.backup")] if words == ["restore"] else words
    said = _one_line(run_cardreader(*words, "--data", data, **SECRETS), ExitCode.NOT_WRITTEN)
    assert f"{data}: Not a directory" in said


@pytest.mark.parametrize("port", ["99999", "-1", "0", "http"])
def test_a_port_that_is_none(port: str, tmp_path: Path) -> None:
    said = _one_line(run_cardreader("serve", "--port", port, "--data", tmp_path), ExitCode.USAGE)
    assert "--port" in said
    assert not (tmp_path / "register.db").exists()


def test_a_host_that_is_none(tmp_path: Path) -> None:
    done = run_cardreader("serve", "--plain", "--host", "nowhere.invalid", "--data", tmp_path)
    assert "nowhere.invalid" in _one_line(done, ExitCode.BAD_DATA)


@pytest.mark.parametrize(
    "words", [["user", "add", "b"], ["user", "password", "a"], ["backup", "f"]]
)
def test_without_a_terminal_it_says_where_the_secret_goes(words: list[str], register: Path) -> None:
    said = _one_line(run_cardreader(*words, "--data", register), ExitCode.USAGE)
    assert "no terminal to ask on: give it in $CARDREADER_" in said


@pytest.mark.parametrize("words", [["user", "add", "b"], ["audit"], ["backup", "f"]])
def test_a_mistyped_folder_makes_no_register(words: list[str], tmp_path: Path) -> None:
    mistyped = tmp_path / "regsiter"
    said = _one_line(run_cardreader(*words, "--data", mistyped, **SECRETS), ExitCode.BAD_DATA)
    assert f"there is no register in {mistyped}" in said
    assert not mistyped.exists()


def test_restoring_what_is_not_there(tmp_path: Path) -> None:
    done = run_cardreader("restore", tmp_path / "no.backup", "--data", tmp_path / "new", **SECRETS)
    assert "no.backup: No such file" in _one_line(done, ExitCode.NO_FILE)
    assert not (tmp_path / "new").exists()


def test_a_backup_that_cannot_be_written(register: Path, tmp_path: Path) -> None:
    file = tmp_path / "nowhere" / "register.backup"
    done = run_cardreader("backup", file, "--data", register, **SECRETS)
    assert f"{file}: No such file or directory" in _one_line(done, ExitCode.NOT_WRITTEN)


@pytest.mark.parametrize("name", ["register.db", "register.db-wal", "photo.key", "tls/server.key"])
@pytest.mark.parametrize("words", [["backup"], ["registers", "card"], ["hand-over"]])
def test_nothing_is_written_over_what_a_register_is_made_of(
    words: list[str], name: str, register: Path
) -> None:
    """``backup FILE`` reads as if the file were what is backed up."""
    file = register / name
    file.parent.mkdir(exist_ok=True)
    if not file.exists():
        file.write_bytes(b"any")
    before = file.read_bytes()
    done = run_cardreader(*words, file, "--data", register, **SECRETS)
    assert "is a register's own file: FILE is what is to be written" in _one_line(
        done, ExitCode.USAGE
    )
    assert file.read_bytes()[:16] == before[:16]


@pytest.mark.parametrize("words", [["backup"], ["registers", "card"], ["hand-over"]])
def test_nothing_else_is_written_over_either(
    words: list[str], register: Path, tmp_path: Path
) -> None:
    """Last month's table, say, whose name was typed for the backup's."""
    file = tmp_path / "october.json"
    file.write_text('{\n "code": "KX-1"\n}')
    done = run_cardreader(*words, file, "--data", register, **SECRETS)
    assert "would be lost: give another name" in _one_line(done, ExitCode.USAGE)
    assert file.read_text() == '{\n "code": "KX-1"\n}'


def test_what_this_register_wrote_before_is_written_anew(register: Path, tmp_path: Path) -> None:
    for words in (["backup", "register.backup"], ["registers", "card", "own.card"]):
        file = tmp_path / words.pop()
        file.touch()  # as a program that names a file beforehand leaves it
        for _ in range(2):
            done = run_cardreader(*words, file, "--data", register, **SECRETS)
            assert done.returncode == 0, done.stderr
    assert file.stat().st_size > 100


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["list", "north"], "registers list takes no FILE or NAME"),
        (["renew", "north"], "registers renew takes no FILE or NAME"),
        (["list", "--name", "north"], "--name goes with registers card alone"),
        (["list", "--sure"], "--sure goes with registers renew alone"),
        (["forget", "north", "--code", "AB"], "--code goes with registers add alone"),
        (["card", "x.card", "--only-theirs"], "--only-theirs goes with registers add alone"),
    ],
)
def test_no_word_about_registers_is_passed_over(
    words: list[str], told: str, register: Path
) -> None:
    done = run_cardreader("registers", *words, "--data", register, **SECRETS)
    assert told in _one_line(done, ExitCode.USAGE)


def test_backup_and_restore_tell_programs_how_far_they_are(register: Path, tmp_path: Path) -> None:
    file = tmp_path / "register.backup"
    done = run_cardreader("backup", file, "--data", register, "--json-lines", **SECRETS)
    assert done.returncode == 0, done.stderr
    assert "0 women, 0 readings, 0 photos" in done.stdout
    # Nothing where it is quick; whatever there is, is JSON.
    assert all(json.loads(line)["stage"] for line in done.stderr.splitlines())
    done = run_cardreader("restore", file, "--data", tmp_path / "new", "--json-lines", **SECRETS)
    assert done.returncode == 0, done.stderr


@pytest.mark.parametrize(
    ("host", "address"),
    [
        ("localhost", "127.0.0.1"),
        pytest.param("127.0.0.1", "127.0.0.1", marks=pytest.mark.slow),
        pytest.param("::1", "[::1]", marks=pytest.mark.slow),
    ],
)
def test_a_numeric_address_or_localhost_is_served_and_shown(
    host: str, address: str, tmp_path: Path
) -> None:
    port = free_port()
    kept = {k: v for k, v in os.environ.items() if not k.startswith("CARDREADER_")}
    serve = [*("serve", "--plain", "--host", host), *("--port", str(port), "--data", tmp_path)]
    with (tmp_path / "said").open("w") as said:
        server = subprocess.Popen(
            [sys.executable, "-m", "cardreader", *map(str, serve)],
            cwd=ROOT, stdout=said, stderr=said, env={**kept, "PYTHONUNBUFFERED": "1"},
        )  # fmt: skip
        try:
            wait_for(f"http://{address}:{port}/sign-in")
        finally:
            server.terminate()
            server.wait(20)
    # A name is shown as its number, and an IPv6 number in brackets.
    assert f"http://{address}:{port}/" in (tmp_path / "said").read_text()


@pytest.mark.parametrize("words", [["audit"], ["user", "add", "b"], ["backup", "f.backup"]])
@pytest.mark.parametrize("kind", ["empty", "foreign"])
def test_a_file_that_holds_no_register(words: list[str], kind: str, tmp_path: Path) -> None:
    """`audit` made a register of it, and called that unbroken."""
    file = tmp_path / "register.db"
    file.touch()
    if kind == "foreign":
        with closing(sqlite3.connect(file)) as database:
            database.execute("CREATE TABLE notes (words TEXT)")
    before = file.read_bytes()
    said = _one_line(run_cardreader(*words, "--data", tmp_path, **SECRETS), ExitCode.BAD_DATA)
    assert f"{file} holds no register" in said
    assert file.read_bytes() == before


def test_no_register_is_put_into_another_programs_file(tmp_path: Path) -> None:
    with closing(sqlite3.connect(tmp_path / "register.db")) as database:
        database.execute("CREATE TABLE notes (words TEXT)")
    words = ("user", "add", "b", "--new-register", "--data", tmp_path)
    said = _one_line(run_cardreader(*words, **SECRETS), ExitCode.BAD_DATA)
    assert "another program's tables" in said
    with closing(sqlite3.connect(tmp_path / "register.db")) as database:
        assert database.execute("SELECT name FROM sqlite_master").fetchall() == [("notes",)]


def test_a_folder_that_may_not_be_looked_into_is_no_defect(tmp_path: Path) -> None:
    done = run_cardreader("audit", "--data", tmp_path / ("x" * 300))
    assert "File name too long" in _one_line(done, ExitCode.NOT_WRITTEN)


def test_accounts_are_told_of_in_words(register: Path) -> None:
    def user(*words: str, password: str = "an invented password") -> subprocess.CompletedProcess:
        return run_cardreader("user", *words, "--data", register, CARDREADER_NEW_PASSWORD=password)

    assert user("add", "binta").stdout == f"binta may sign in as worker, in {register}\n"
    assert user("password", "binta").stdout == f"binta has a new password, in {register}\n"
    said = _one_line(user("password", "bitna"), ExitCode.BAD_DATA)
    assert f"nobody is called 'bitna' in {register}" in said
    for words in (("add", "chidi"), ("password", "binta")):
        said = _one_line(user(*words, password="short"), ExitCode.BAD_DATA)
        assert "the password is too short: it needs at least 10 characters" in said


def test_one_port_for_both_is_told_as_that(tmp_path: Path) -> None:
    port = str(free_port())
    words = ("serve", "--port", port, "--start-port", port, "--data", tmp_path / "register")
    assert f"are both {port}" in _one_line(run_cardreader(*words), ExitCode.USAGE)
    assert not (tmp_path / "register").exists()


def test_restoring_says_where_and_what_is_no_backup(register: Path, tmp_path: Path) -> None:
    file, new = tmp_path / "register.backup", tmp_path / "new"
    file.write_text("no backup at all")
    said = _one_line(run_cardreader("restore", file, "--data", new, **SECRETS), ExitCode.BAD_DATA)
    assert f"{file} is no backup of a register" in said
    assert not new.exists()
    deep = tmp_path / "some" / "where"
    assert run_cardreader("restore", file, "--data", deep, **SECRETS).returncode != 0
    assert not deep.parent.exists()
    new.mkdir()  # what was there stays
    assert run_cardreader("restore", file, "--data", new, **SECRETS).returncode != 0
    assert new.exists()
    file.unlink()
    assert run_cardreader("backup", file, "--data", register, **SECRETS).returncode == 0
    assert f"to {new}: " in run_cardreader("restore", file, "--data", new, **SECRETS).stdout


def test_a_disk_that_fills_while_a_backup_is_restored_is_not_the_backups_fault(
    register: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = tmp_path / "register.backup"
    assert run_cardreader("backup", file, "--data", register, **SECRETS).returncode == 0

    def full(*_: object, **_more: object) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr("cardreader.register.backup.fill", full)
    done = run_cardreader("restore", file, "--data", tmp_path / "new", **SECRETS)
    assert "the disk is full" in _one_line(done, ExitCode.NOT_WRITTEN)


def test_restoring_over_people_who_may_sign_in_asks_for_replace(
    register: Path, tmp_path: Path
) -> None:
    """No woman was in it, and all accounts were gone without a word."""
    file, other = tmp_path / "register.backup", tmp_path / "other"
    assert run_cardreader("backup", file, "--data", register, **SECRETS).returncode == 0
    words = ("restore", file, "--data", other)
    for name in ("first", "second"):
        add = ("user", "add", name, "--new-register", "--data", other)
        assert run_cardreader(*add, **SECRETS).returncode == 0
        if name == "first":
            shutil.copytree(other, tmp_path / "unused")
    said = _one_line(run_cardreader(*words, **SECRETS), ExitCode.BAD_DATA)
    assert "the register holds data" in said
    assert run_cardreader(*words, "--replace", **SECRETS).returncode == 0
    unused = ("restore", file, "--data", tmp_path / "unused")
    assert run_cardreader(*unused, **SECRETS).returncode == 0


def test_a_code_without_its_address_is_told(register: Path) -> None:
    """It was left out of account, and another code shown."""
    done = run_cardreader("meet", "--code", "12345678", "--data", register)
    assert "--code needs the ADDRESS" in _one_line(done, ExitCode.USAGE)


def test_a_server_that_is_stopped_says_so(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def stopped(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("cardreader.web.serve.serve", stopped)
    done = run_cardreader("serve", "--data", tmp_path / "register")
    assert "stopped: what was entered is kept" in _one_line(done, ExitCode.OK)


def test_a_server_says_that_the_clock_is_wrong(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A laptop without its battery starts in some year past, and a new register tells nothing."""

    class Stopped(clock.datetime):
        @classmethod
        def now(cls, zone: dt.tzinfo | None = None) -> Stopped:
            return cls(1971, 1, 2, tzinfo=zone)

    words = ("serve", "--data", tmp_path / "register")
    monkeypatch.setattr("cardreader.web.serve.serve", lambda *_: None)
    assert run_cardreader(*words).stderr == ""
    monkeypatch.setattr(clock, "datetime", Stopped)
    said = _one_line(run_cardreader(*words), ExitCode.OK)
    assert "the clock is wrong, 1971-01-02" in said
    assert "set it before anything is entered" in said
