"""What a register's server judged by last is what its commands judge by, unless told."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from days import today
from inprocess import run_cardreader
from sqlalchemy import select

from cardreader.core.shipped import shipped
from cardreader.decide.protocol import Protocol
from cardreader.decide.protocolfile import DEFAULT, ProtocolSource, load_protocol
from cardreader.register.base import local_day, utc_now
from cardreader.register.database import Database, sqlite_url
from cardreader.register.lastjudged import Judging, last_judging, remember
from cardreader.register.meet import guest
from cardreader.register.merge.handover import hand_over
from cardreader.register.merge.registers import add_known, card_of, known_registers, own_register
from cardreader.register.models import Referral
from cardreader.register.recording import record_lab, subject_of
from cardreader.register.women import add_woman
from cardreader.terminal.exitcodes import ExitCode
from cardreader.web import here, serve
from cardreader.web.app import create_app

WHO = Judging(ProtocolSource("who-2024"), None)
SEVERE_IN_THE_HILLS_G_DL = 7.8
"""Severe for the WHO's limits (below 7.0) at 2600 m, where they take 1.5 g/dL and more off."""


@pytest.fixture(scope="module")
def tables(tmp_path_factory) -> Path:
    file = tmp_path_factory.mktemp("tables") / "register.db"
    database = Database(sqlite_url(file))
    database.migrate()
    database.close()
    return file


class Register:
    """A register in a folder of its own."""

    def __init__(self, folder: Path, tables: Path) -> None:
        folder.mkdir()
        self.folder = folder
        self.database = Database(sqlite_url(shutil.copy(tables, folder / "register.db")))

    def run(self, *words: object) -> tuple[int, str]:
        done = run_cardreader(*map(str, words), "--data", self.folder)
        return done.returncode, done.stdout + done.stderr

    def referrals(self) -> list[str]:
        with self.database.read() as session:
            return [row.band for row in session.scalars(select(Referral))]


@pytest.fixture
def two(tmp_path, tables):
    """A post, and a programme that each know the other."""
    both = Register(tmp_path / "post", tables), Register(tmp_path / "programme", tables)
    post, programme = both
    for one, other, name in ((post, programme, "Programme"), (programme, post, "Post 3")):
        with other.database.write() as session:
            card = card_of(own_register(session, name))
        with one.database.write() as session:
            add_known(session, card, only_theirs=False)
    yield both
    for one in both:
        one.database.close()


@pytest.fixture
def started(monkeypatch):
    """Servers that are made as the command makes them, and don't run: what they judge by."""
    by: list[tuple[Protocol, float | None]] = []

    def instead(settings, reader, *_rest) -> None:
        app = create_app(settings, reader)
        state = app.state.shared
        by.append((state.reader.rules, state.settings.elevation_m))
        app.state.database.close()

    monkeypatch.setattr(serve, "serve", instead)
    monkeypatch.setattr(here, "serve_here", instead)
    return by


def of_post(post: Register, file: Path, hb_g_dl: float, judged_by: str) -> Path:
    """A laboratory value in the second trimester, judged at the post, on its way."""
    protocol = load_protocol(judged_by)
    with post.database.write() as session:
        her = add_woman(session, "KX-1", 20, today(), None)
        subject = subject_of(her, local_day(utc_now()), None)
        given = ("lab-1", hb_g_dl, "Cell counter", "Invented Clinic", utc_now(), None)
        record_lab(session, her, *given, protocol, subject)
    with post.database.read() as session:
        (to,) = (known.id for known in known_registers(session))
    hand_over(post.database, to, file, True, None, None)
    return file


@pytest.mark.parametrize("mode", [("--plain",), ("--here", "--no-open")])
def test_what_comes_in_is_judged_as_the_server_judged(two, tmp_path, started, mode):
    """10.7 g/dL in the second trimester: enough for WHO 2024, not for common practice."""
    post, programme = two
    own = tmp_path / "own.toml"
    text = (shipped("protocols") / f"{DEFAULT}.toml").read_text()
    own.write_text(text.replace(f'id = "{DEFAULT}"', 'id = "stricter-1"', 1))
    assert post.run("serve", *mode, "--protocol", "who-2024")[0] == 0
    assert programme.run("serve", *mode, "--protocol", own)[0] == 0
    own.unlink()  # the register has it
    file = of_post(post, tmp_path / "1.handover", 10.7, "who-2024")
    code, said = programme.run("take-in", file)
    assert code == 0
    assert "judged by the protocol stricter-1 (a file), as the register's server last did" in said
    assert "1 by who-2024" in said
    assert programme.referrals() == ["anaemic"]


def test_the_default_is_told_where_no_server_has_judged_yet(two, tmp_path):
    """She at the terminal can't know by what a register goes whose pages were never up."""
    post, programme = two
    file = of_post(post, tmp_path / "1.handover", 10.7, "who-2024")
    code, said = programme.run("take-in", file)
    assert code == 0
    assert (
        f"values here were judged by the protocol {DEFAULT}, the default, since no server of "
        "this register has judged yet: --protocol names another"
    ) in said
    code, said = programme.run("take-in", file, "--protocol", "who-2024")
    assert (code, "the default" in said) == (0, False)


def test_another_protocol_is_told_and_not_remembered(two, tmp_path):
    post, programme = two
    remember(programme.database, WHO)
    file = of_post(post, tmp_path / "1.handover", 10.7, "who-2024")
    code, said = programme.run("take-in", file, "--protocol", DEFAULT)
    assert code == 0
    assert f"judged by the protocol {DEFAULT}; the register's server last judged by the" in said
    assert programme.referrals() == ["anaemic"]
    assert last_judging(programme.database) == WHO


def test_the_elevation_of_the_place_is_remembered_with_it(two, tmp_path):
    post, programme = two
    remember(programme.database, Judging(WHO.protocol, 2600))
    file = of_post(post, tmp_path / "1.handover", SEVERE_IN_THE_HILLS_G_DL, DEFAULT)
    code, said = programme.run("take-in", file)
    assert (code, "who-2024 at 2600 m, as" in said) == (0, True)
    assert "severe" in programme.referrals()


def test_meeting_another_register_goes_by_it_too(two, monkeypatch):
    monkeypatch.setattr(guest, "PAUSES_S", (0.0,) * len(guest.PAUSES_S))
    _, programme = two
    remember(programme.database, WHO)
    # Nobody is there; what it would have judged by is said before it asks.
    code, said = programme.run("meet", "127.0.0.1:1", "--code", "12345678")
    assert code != 0
    assert "judged by the protocol who-2024, as the register's server last did" in said


def test_a_server_goes_on_as_before_and_back_when_it_is_told(two, started):
    post, _ = two
    default, who = load_protocol(), load_protocol("who-2024")
    steps = [
        ((), (default, None), None),
        ((), (default, None), None),
        (("--protocol", "who-2024", "--elevation-m", "1200"), (who, 1200.0), "last judged by"),
        ((), (who, 1200.0), "who-2024 at 1200 m, as the register's server last did"),
        (("--protocol", DEFAULT), (default, 1200.0), "last judged by the protocol who-2024"),
        (("--elevation-m", "0"), (default, 0.0), "last judged by"),
    ]
    for words, judged_by, line in steps:
        code, said = post.run("serve", "--plain", *words)
        assert code == 0
        assert started[-1] == judged_by
        assert line in said if line else "judged" not in said


@pytest.mark.parametrize("height", ["9000", "nan"])
def test_an_elevation_in_feet_is_told_before_the_server_runs(two, started, height):
    code, said = two[0].run("serve", "--plain", "--elevation-m", height)
    assert (code, "outside" in said, started) == (ExitCode.USAGE, True, [])


def test_a_protocol_that_can_no_longer_be_used_is_told_and_replaced(two, started):
    post, _ = two
    remember(post.database, Judging(ProtocolSource("of-before", "schema = 0\n"), None))
    code, said = post.run("serve", "--plain")
    assert (code, started) == (ExitCode.BAD_DATA, [])
    assert "can't be used (schema is 0" in said
    assert "--protocol" in said
    assert post.run("serve", "--plain", "--protocol", DEFAULT)[0] == 0
