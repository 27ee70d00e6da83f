"""Registers, hand-over and take-in as commands: a round between two folders, and how they end."""

from __future__ import annotations

import datetime as dt
import io
import json
import shutil
import uuid
from contextlib import contextmanager
from pathlib import Path

import pytest
from days import today
from inprocess import run_cardreader
from sqlalchemy import select

from cardreader.register import fhir, women
from cardreader.register.database import Database, sqlite_url
from cardreader.register.identity import host_name, identity_of, own_identity
from cardreader.register.models import Woman
from cardreader.terminal.exitcodes import ExitCode


class Folder:
    """A register in a folder, driven by commands."""

    def __init__(self, folder: Path) -> None:
        folder.mkdir(exist_ok=True)
        self.folder = folder
        self.database = Database(sqlite_url(folder / "register.db"))
        self.database.migrate()

    def run(self, *words: object) -> tuple[int, str, str]:
        told = run_cardreader(*map(str, words), "--data", self.folder)
        return told.returncode, told.stdout, told.stderr

    def card(self, name: str) -> tuple[Path, str]:
        file = self.folder / "own.card"
        code, out, _ = self.run("registers", "card", file, "--name", name)
        assert code == 0
        return file, out.rsplit("code ", 1)[1].strip()

    def add(self, code: str) -> None:
        with self.database.write() as session:
            women.add_woman(session, code, 20, today(), None)

    def codes(self) -> list[str]:
        with self.database.read() as session:
            return sorted(session.scalars(select(Woman.code)))


@pytest.fixture(scope="module")
def introduced(tmp_path_factory):
    """Two folders whose registers hold each other's card, to be copied."""
    folder = tmp_path_factory.mktemp("introduced")
    post, programme = Folder(folder / "post"), Folder(folder / "programme")
    for one, other, name in ((post, programme, "Programme"), (programme, post, "Post 3")):
        file, code = other.card(name)
        assert one.run("registers", "add", file, "--code", code.lower().replace("-", " "))[0] == 0
    post.database.close()
    programme.database.close()
    return folder


@pytest.fixture
def two(introduced, tmp_path):
    post, programme = (
        Folder(shutil.copytree(introduced / name, tmp_path / name))
        for name in ("post", "programme")
    )
    yield post, programme
    post.database.close()
    programme.database.close()


def test_a_round_between_two_registers(two, tmp_path):
    post, programme = two
    post.add("KX-1")
    file = tmp_path / "new.handover"
    code, out, _ = post.run("hand-over", file)
    assert (code, out.split(": ", 1)[1]) == (
        0,
        "everything for Programme: 1 woman, 0 deleted on request, 0 photos\n",
    )
    code, out, _ = programme.run("take-in", file)
    assert code == 0
    assert "taken in from Post 3" in out
    assert "0 new readings, 0 photos" in out
    assert "1 new" in out
    assert programme.codes() == ["KX-1"]
    assert "1 as they were" in programme.run("take-in", file)[1]
    assert (
        "told never; taken in " + str(dt.datetime.now(dt.UTC).date())
        in (programme.run("registers", "list")[1])
    )
    code, out, _ = post.run("hand-over", file)
    assert "what is new for Programme: 0 women" in out


def test_a_wrong_code_adds_no_register(two, tmp_path):
    stranger = Folder(tmp_path / "stranger")
    file, _ = stranger.card("Stranger")
    post, _ = two
    code, _, err = post.run("registers", "add", file, "--code", "AAAA-AAAA-AAAA-AAAA-AAAA")
    assert code == ExitCode.BAD_DATA
    assert "not this card's" in err
    assert "Stranger" not in post.run("registers", "list")[1]
    stranger.database.close()


@pytest.mark.parametrize("content", [b"", b"not a card", b"[]", b'{"format": 1}', b"\xff" * 50])
def test_what_is_no_card_is_told_in_one_line(two, tmp_path, content):
    file = tmp_path / "bad.card"
    file.write_bytes(content)
    code, out, err = two[0].run("registers", "add", file, "--code", "X")
    assert (code, out) == (ExitCode.BAD_DATA, "")
    assert err == "cardreader: this is not the card of a register\n"


@pytest.mark.parametrize(
    ("words", "code"),
    [
        (["take-in", "missing.handover"], ExitCode.NO_FILE),
        (["take-in", __file__], ExitCode.BAD_DATA),
        (["hand-over", "/nowhere/at/all.handover"], ExitCode.NOT_WRITTEN),
        (["hand-over", "x.handover", "--to", "Nobody"], ExitCode.BAD_DATA),
        (["registers", "forget", "Nobody"], ExitCode.BAD_DATA),
        (["registers", "add"], ExitCode.USAGE),
        (["registers", "add", "missing.card", "--code", "X"], ExitCode.NO_FILE),
    ],
)
def test_each_ends_with_one_line_and_its_code(two, words, code):
    done, out, err = two[0].run(*words)
    assert (done, out) == (code, "")
    assert err.startswith("cardreader: ")
    assert err.count("\n") == 1


def test_ctrl_c_says_that_nothing_was_taken_in(two, tmp_path, monkeypatch):
    post, programme = two
    post.add("KX-1")
    file = tmp_path / "new.handover"
    post.run("hand-over", file)

    def stop(*_args, **_more):
        raise KeyboardInterrupt

    monkeypatch.setattr("cardreader.register.merge.takein.finish", stop)
    code, _, err = programme.run("take-in", file)
    assert (code, err) == (130, "cardreader: stopped: nothing was taken in\n")
    assert programme.codes() == []


def test_progress_for_programs(two, tmp_path, monkeypatch):
    monkeypatch.setattr("cardreader.terminal.progress.PATIENCE_S", 0.0)
    monkeypatch.setattr("cardreader.terminal.progress.JSON_EVERY_S", 0.0)
    post, _ = two
    post.add("KX-1")
    _, _, err = post.run("hand-over", tmp_path / "x.handover", "--json-lines")
    told = [json.loads(line) for line in err.splitlines()]
    assert {"stage": "women", "unit": "woman", "total": 1}.items() <= told[0].items()


def test_a_forgotten_register_is_told_nothing_more(two, tmp_path):
    post, _ = two
    assert post.run("registers", "forget", "Programme")[0] == 0
    code, _, err = post.run("hand-over", tmp_path / "x.handover")
    assert code == ExitCode.BAD_DATA
    assert "no other register is known" in err


def test_a_copied_folder_shares_no_file_half_way(two, tmp_path):
    """What was handed over lies whole in one file, readable by its owner alone."""
    post, _ = two
    post.add("KX-1")
    file = tmp_path / "new.handover"
    post.run("hand-over", file)
    assert file.stat().st_mode & 0o077 == 0
    assert [path.name for path in tmp_path.iterdir() if ".part" in path.name] == []
    shutil.copy(file, tmp_path / "copy.handover")


def _system(folder: Folder) -> str | None:
    """What the code KX-1 is said to be a number of, to other systems."""
    with folder.database.read() as session:
        found = json.loads(fhir.bundle(session))
    identifiers = (i for e in found["entry"] for i in e["resource"].get("identifier", ()))
    return next((i["system"] for i in identifiers if i["value"] == "KX-1"), None)


class _Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_a_register_is_made_another_only_when_that_is_meant(two, monkeypatch):
    """Nothing brings the old card back."""
    post, _ = two
    before = post.run("registers", "list")
    code, _, err = post.run("registers", "renew")
    assert code == ExitCode.USAGE
    assert "no terminal to ask on: give --sure if it is a copy" in err
    monkeypatch.setattr("inprocess.io.StringIO", _Terminal)
    for typed, ends in (("no", ExitCode.USAGE), ("", ExitCode.USAGE), ("Yes ", ExitCode.OK)):
        monkeypatch.setattr("builtins.input", lambda prompt, typed=typed: typed)
        assert post.run("registers", "list") == before
        assert post.run("registers", "renew")[0] == ends
    assert post.run("registers", "list") != before


def test_the_register_is_not_held_while_a_code_is_asked_for(two, monkeypatch):
    """The call to whoever gave the card takes minutes: on PostgreSQL the server couldn't write."""
    post, programme = two
    file, code = post.card("Post 7")
    monkeypatch.setattr("inprocess.io.StringIO", _Terminal)
    write, held, while_asked = Database.write, [], []

    @contextmanager
    def noted(self):
        with write(self) as session:
            held.append(session)
            yield session
        held.clear()

    def typed(prompt: str) -> str:
        while_asked.append(list(held))
        return code

    monkeypatch.setattr(Database, "write", noted)
    monkeypatch.setattr("builtins.input", typed)
    assert programme.run("registers", "add", file)[0] == 0
    assert while_asked == [[]]


def test_a_copied_register_is_made_one_of_its_own(two, tmp_path):
    post, programme = two
    post.add("KX-1")
    file = tmp_path / "new.handover"
    before = post.run("registers", "list")[1].split("code ")[1].split()[0]
    code, out, _ = post.run("registers", "renew", "--sure")
    assert code == 0
    assert "this register is one of its own now: Post 3, code" in out
    assert before not in out
    # Two copies never answer to one name on the network, and export no two women as one code's.
    with post.database.read() as session:
        first, now = identity_of(session), own_identity(session)
    assert f"it is {host_name(now)} from the next start" in out
    assert host_name(now) != host_name(first)
    assert _system(post) == f"urn:uuid:{uuid.UUID(hex=now)}"
    again = post.run("registers", "renew", "--sure")[1]
    assert host_name(now) not in again
    post.run("hand-over", file)
    code, _, err = programme.run("take-in", file)
    assert code == ExitCode.BAD_DATA
    assert "'Post 3' is not known here: add that register's card first" in err
    card, code_of_card = post.card("Post 3, laptop 2")
    assert programme.run("registers", "add", card, "--code", code_of_card)[0] == 0
    assert programme.run("take-in", file)[0] == 0
    assert programme.codes() == ["KX-1"]
