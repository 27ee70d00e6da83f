"""Two servers meet: over real sockets, killed at any byte, and as the supervisor sees it."""

from __future__ import annotations

import contextlib
import datetime as dt
import re
import shutil
import signal
import socket
import threading
import time
from collections.abc import Iterator
from functools import partial

import httpx2
import pytest
from browserkit import PASSWORD, Server, free_port
from fastapi import FastAPI
from forked import Forked
from people import Person
from postgreskit import Postgres
from sqlalchemy import select
from wholestate import load_state

from cardreader.register import accounts, women
from cardreader.register.database import Database, sqlite_url
from cardreader.register.kinds import Role
from cardreader.register.meet import guest
from cardreader.register.meet.course import Course, Stage
from cardreader.register.meet.guest import Guest
from cardreader.register.meet.side import UNFINISHED, Side
from cardreader.register.meet.snags import MeetError, Snag
from cardreader.register.merge.registers import add_known, card_of, own_register, read_card
from cardreader.register.models import Woman
from cardreader.web import meeting
from cardreader.web.gate import Gate
from cardreader.web.hold import server_of
from cardreader.web.listen import listen
from cardreader.web.meeting import HttpLink, Meetings, address_and_code
from cardreader.web.tls import LiveContext
from cardreader.web.whereabouts import Whereabouts

# --- as the supervisor sees it ------------------------------------------------------------


@pytest.fixture
def on_network(app) -> None:
    """The application knows where other machines find it."""
    app.state.whereabouts = lambda: Whereabouts(("192.168.7.5",), 8443, 8080)


def test_a_code_is_shown_with_its_address_and_taken_back(app, on_network, supervisor: Person):
    assert supervisor.post("/registers/code", unknown="refuse").status_code == 303
    text = supervisor.get("/registers").text
    code, _left = app.state.meetings.host.shown()
    assert f"{code[:4]} {code[4:]}" in text
    assert "https://192.168.7.5:8443" in text
    assert "<svg" in text
    assert "Waiting" not in text  # the code says it
    supervisor.post("/registers/forget")
    assert app.state.meetings.host.shown() is None
    assert "Show a code here" in supervisor.get("/registers").text


def test_where_no_other_machine_gets_no_code_is_shown(supervisor: Person):
    assert "reached on this device alone" in supervisor.get("/registers").text
    answer = supervisor.post("/registers/code", unknown="refuse")
    assert answer.status_code == 422


@pytest.mark.parametrize(
    ("address", "code", "words"),
    [
        ("192.168.7.9", "123", "A code has eight digits."),
        ("ftp://192.168.7.9", "12345678", "An address as"),
        ("two words", "12345678", "An address as"),
        ("192.168.7.9:99999", "12345678", "An address as"),
    ],
)
def test_what_was_mistyped_is_told_beside_it(supervisor: Person, address, code, words):
    answer = supervisor.post("/registers/meet", address=address, typed=code, unknown="refuse")
    assert answer.status_code == 422
    assert words in answer.text


def test_an_address_where_nobody_listens_is_told(app, supervisor: Person, monkeypatch):
    monkeypatch.setattr(guest, "PAUSES_S", (0.0,) * len(guest.PAUSES_S))
    address = f"127.0.0.1:{free_port()}"
    answer = supervisor.post("/registers/meet", address=address, typed="12345678", unknown="refuse")
    assert answer.status_code == 303
    until(lambda: app.state.meetings.visiting().snag is Snag.NOT_REACHED)
    assert "Nothing answers there" in supervisor.get("/registers").text
    supervisor.post("/registers/forget")
    assert "Nothing answers there" not in supervisor.get("/registers").text


def test_one_visit_at_a_time(app, supervisor: Person, monkeypatch):
    monkeypatch.setattr(app.state.meetings, "course", Course())
    answer = supervisor.post("/registers/meet", address="x", typed="12345678", unknown="refuse")
    assert answer.status_code == 422
    assert "going on already" in answer.text
    assert "Waiting for the other register" in supervisor.get("/registers").text


def test_the_register_gets_a_name(supervisor: Person):
    assert supervisor.post("/registers/name", name="Health post 3").status_code == 303
    assert "This register is called Health post 3" in supervisor.get("/registers").text


def test_only_the_supervisor_hands_over(worker: Person, researcher: Person):
    for person in (worker, researcher):
        assert person.get("/registers").status_code == 403
        assert person.post("/registers/code", unknown="refuse").status_code == 403
        assert person.post("/registers/meet", address="x", typed="1").status_code == 403


def test_strangers_send_little_and_only_while_a_code_is_shown(app, worker: Person):
    worker.client.cookies.clear()
    answer = worker.client.post("/api/meeting/greet", content=b"hello")
    assert (answer.status_code, answer.json()["snag"]) == (409, "no_code")
    assert worker.client.post("/api/meeting/greet", content=b"x" * 2000).status_code == 413
    # Who wasn't met has nothing to say, however long.
    assert worker.client.post("/api/meeting/anything", content=b"x").status_code == 401


def test_the_qr_code_holds_address_and_code():
    assert address_and_code("https://192.168.7.5:8443/#12345678") == (
        "https://192.168.7.5:8443/",
        "12345678",
    )
    assert address_and_code(" 192.168.7.5 ") == ("192.168.7.5", "")


@pytest.fixture(params=["https", "http"])
def listening(request, tmp_path) -> Iterator[tuple[str, Meetings]]:
    """An address, given without its scheme, at which meetings are answered."""
    app = FastAPI()
    app.state.meetings = meetings = Meetings()
    app.include_router(meeting.router)
    context = None
    if request.param == "https":
        context = LiveContext(tmp_path)
        context.renew(["localhost"])
    with listen("127.0.0.1", 0) as sock:
        server = server_of(app, Gate(context=context))
        thread = threading.Thread(target=server.run, kwargs={"sockets": [sock]})
        thread.start()
        until(lambda: server.started)
        yield f"127.0.0.1:{sock.getsockname()[1]}", meetings
        server.should_exit = True
        thread.join()


def test_a_link_finds_out_whether_the_address_is_encrypted(listening):
    address, _ = listening
    link = HttpLink(address)
    for _ in range(2):  # the second over the same connection
        with pytest.raises(MeetError) as told:
            link("greet", b"hello")
        assert told.value.snag is Snag.NO_CODE
    link.close()


# --- over real sockets --------------------------------------------------------------------


def until(there, seconds: float = 120.0) -> None:
    ends = time.monotonic() + seconds
    while not there():
        assert time.monotonic() < ends
        time.sleep(0.1)


class Supervisor:
    """Somebody signed in at a running server, without a browser."""

    def __init__(self, server: Server) -> None:
        self.client = httpx2.Client(base_url=server.url, timeout=60)
        self.client.post("/sign-in", data={"name": "supervisor", "password": PASSWORD})
        self.csrf = self.client.get("/api/session").json()["csrf"]

    def post(self, path: str, **fields: str):
        return self.client.post(path, data={"csrf": self.csrf, **fields})

    def page(self) -> str:
        return self.client.get("/registers").text

    def shows_code(self, unknown: str = "refuse") -> str:
        self.post("/registers/forget")
        assert self.post("/registers/code", unknown=unknown).status_code == 303
        return re.search(r'meeting-code" dir="ltr">([0-9 ]+)<', self.page())[1]


@pytest.fixture
def signed_in():
    """Signs supervisors in at servers, and closes their connections."""
    everybody = []

    def sign_in(server: Server) -> Supervisor:
        everybody.append(Supervisor(server))
        return everybody[-1]

    yield sign_in
    for one in everybody:
        one.client.close()


@pytest.fixture(scope="module")
def empty(tmp_path_factory):
    """A data folder with accounts and nothing else."""
    server = Server(tmp_path_factory.mktemp("empty") / "data")
    server.add_people()
    return server.data


@pytest.fixture
def two(tmp_path, empty):
    """A district's running server, and a post's folder; each has entered women."""
    district, post = Server(tmp_path / "district"), Server(tmp_path / "post")
    for server, letter in ((district, "D"), (post, "P")):
        shutil.copytree(empty, server.data)
        enter(server, letter, 60)
    district.start()
    yield district, post
    for server in (district, post):
        server.kill()


@contextlib.contextmanager
def opened(server: Server):
    url = server.options[1] if server.options else sqlite_url(server.data / "register.db")
    database = Database(url)
    try:
        yield database
    finally:
        database.close()


def enter(server: Server, letter: str, count: int) -> None:
    with opened(server) as database, database.write() as session:
        for n in range(count):
            women.add_woman(session, f"{letter}-{n:03d}", 20, dt.date.today(), None)


def says(server: Server):
    with opened(server) as database, database.read() as session:
        return load_state(session)


def know_each_other(one: Server, other: Server) -> None:
    cards = []
    for server in (one, other):
        with opened(server) as database, database.write() as session:
            cards.append(card_of(own_register(session, server.data.name)))
    for server, card in zip((one, other), reversed(cards), strict=True):
        with opened(server) as database, database.write() as session:
            add_known(session, read_card(card.to_json().encode()), False)


@pytest.mark.slow
def test_two_servers_bring_each_other_up_to_date(two, signed_in):
    district, post = two
    post.start()
    here, there = signed_in(district), signed_in(post)
    wrong = there
    code = here.shows_code("tell-all")
    # Three wrong codes, typed one after the other.
    for left in ("2 tries are left", "1 try is left", "Too many wrong codes"):
        typed = f"{(int(code.replace(' ', '')) + 1) % 10**8:08d}"
        wrong.post("/registers/meet", address=district.url, typed=typed, unknown="refuse")
        until(lambda words=left: words in wrong.page())
        wrong.post("/registers/forget")
    assert "Too many wrong codes" in here.page()
    code = here.shows_code("tell-all")
    there.post("/registers/meet", address=district.url, typed=code, unknown="tell-all")
    until(lambda: "Done. Each register" in there.page() and "Done. Each register" in here.page())
    assert "New women: 60" in there.page()
    assert says(district) == says(post)
    assert len(says(post).women) == 120
    # Again, from the other side and by the command that shows a code.
    enter(post, "N", 1)
    port = free_port()
    words = ["meet", "--port", port, "--data", post.data]
    shown = Forked(words, post.environment(), piped=True)
    typed = shown.stdout.readline().rsplit(":", 1)[1].strip()
    here.post("/registers/forget")
    here.post("/registers/meet", address=f"127.0.0.1:{port}", typed=typed, unknown="refuse")
    assert "New women: 1" in shown.rest(timeout=120)
    assert shown.returncode == 0
    assert says(district) == says(post)


class Wire:
    """A wire to a server that carries so many bytes, and then does something."""

    def __init__(self, port: int, most: int, then) -> None:
        self.to, self.left, self.then = port, most, then
        self.socket = socket.create_server(("127.0.0.1", 0))
        self.address = f"http://127.0.0.1:{self.socket.getsockname()[1]}"
        self.ends: list[socket.socket] = []
        threading.Thread(target=self._accept, daemon=True).start()

    def _accept(self) -> None:
        with contextlib.suppress(OSError):
            while True:
                near, _ = self.socket.accept()
                self.ends.append(near)
                try:
                    far = socket.create_connection(("127.0.0.1", self.to))
                except OSError:
                    near.close()
                    continue
                self.ends.append(far)
                for one, other in ((near, far), (far, near)):
                    threading.Thread(target=self._carry, args=(one, other), daemon=True).start()

    def _carry(self, one: socket.socket, other: socket.socket) -> None:
        with contextlib.suppress(OSError):
            while data := one.recv(1024):
                self.left -= len(data)
                if self.left < 0:
                    self.then()
                    break
                other.sendall(data)
        for end in (one, other):
            with contextlib.suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)

    def close(self) -> None:
        for end in (self.socket, *self.ends):
            end.close()


@pytest.mark.slow
def test_a_guest_killed_at_any_byte_loses_nothing(two, signed_in):
    district, post = two
    know_each_other(district, post)
    supervisor = signed_in(district)
    for most in (1_500, 9_000, 30_000):
        guests: list[Forked] = []
        wire = Wire(district.port, most, partial(kill_first, guests))
        code = supervisor.shows_code()
        words = ["meet", wire.address, "--code", code, "--data", post.data]
        guests.append(Forked(words, post.environment()))
        assert guests[0].wait(timeout=120) == -signal.SIGKILL
        wire.close()
        assert all(name[0] in "DP" for name in codes(post))
    done = post.command("meet", district.url, "--code", supervisor.shows_code())
    assert done.returncode == 0, done.stderr
    assert "district: each register has what the other had" in done.stdout
    assert says(district) == says(post)
    assert len(says(post).women) == 120
    assert list(post.data.glob(f"{UNFINISHED}*")) == []


def kill_first(guests: list[Forked]) -> None:
    until(lambda: guests)
    guests[0].kill()


def codes(server: Server) -> list[str]:
    with opened(server) as database, database.read() as session:
        return sorted(session.scalars(select(Woman.code)))


def visit(database: Database, post: Server, address: str, code: str) -> Guest:
    link = HttpLink(address)
    guest = Guest(Side(database, post.data), link, wait=lambda _s: None)
    try:
        guest.meet(code)
    finally:
        link.close()
    return guest


@pytest.mark.slow
def test_a_host_killed_at_any_byte_loses_nothing(two, signed_in):
    district, post = two
    know_each_other(district, post)
    with opened(post) as database:
        for most in (9_000, 25_000):
            wire = Wire(district.port, most, district.kill)
            code = signed_in(district).shows_code().replace(" ", "")
            with pytest.raises(MeetError) as told:
                visit(database, post, wire.address, code)
            assert told.value.snag in (Snag.NOT_REACHED, Snag.BROKEN_OFF)
            wire.close()
            district.start()
        code = signed_in(district).shows_code().replace(" ", "")
        guest = visit(database, post, district.url, code)
        assert guest.course.now().stage is Stage.DONE
    assert says(district) == says(post)
    assert len(says(post).women) == 120
    # What a kill left is gone since the server's next start; this meeting's own lies there.
    assert len(list(district.data.glob(f"{UNFINISHED}*"))) == 1


@pytest.fixture
def two_on_postgresql(tmp_path):
    """A district's running server and a post, each with a PostgreSQL database of its own."""
    postgres = Postgres()
    pair = []
    for name, letter in (("district", "D"), ("post", "P")):
        server = Server(tmp_path / name, "--database", postgres.migrated_url())
        server.data.mkdir()
        with opened(server) as database, database.write() as session:
            accounts.add_account(session, "supervisor", Role.SUPERVISOR, PASSWORD)
        enter(server, letter, 40)
        pair.append(server)
    know_each_other(*pair)
    pair[0].start()
    yield pair
    for server in pair:
        server.kill()
    postgres.stop()


@pytest.mark.slow
def test_registers_on_postgresql_lose_nothing_when_either_is_killed(two_on_postgresql, signed_in):
    district, post = two_on_postgresql
    words = ["meet", "--data", str(post.data), *post.options]
    for most in (1_500, 9_000, 20_000):
        guests: list[Forked] = []
        wire = Wire(district.port, most, partial(kill_first, guests))
        code = signed_in(district).shows_code()
        guests.append(Forked([*words, wire.address, "--code", code], post.environment()))
        assert guests[0].wait(timeout=120) == -signal.SIGKILL
        wire.close()
    with opened(post) as database:
        for most in (9_000, 20_000):
            wire = Wire(district.port, most, district.kill)
            code = signed_in(district).shows_code().replace(" ", "")
            with pytest.raises(MeetError):
                visit(database, post, wire.address, code)
            wire.close()
            district.start()
    code = signed_in(district).shows_code()
    done = post.command("meet", district.url, "--code", code, *post.options)
    assert done.returncode == 0, done.stderr
    assert says(district) == says(post)
    assert len(says(post).women) == 80
    assert list(post.data.glob(f"{UNFINISHED}*")) == []
