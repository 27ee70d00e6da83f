"""Ports, addresses, names and certificates: clear words, and all follow when they change."""

from __future__ import annotations

import asyncio
import datetime as dt
import errno
import os
import socket
import ssl
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from functools import wraps

import pytest
from browserkit import free_port
from cryptography import x509
from fastapi.testclient import TestClient
from sqlalchemy import select
from webfakes import FakeReader
from zeroconf import AddressResolver, Zeroconf

from cardreader.register import accounts
from cardreader.register.database import Database, sqlite_url
from cardreader.register.identity import host_name, identity_of
from cardreader.register.kinds import Role
from cardreader.register.models import Account
from cardreader.web import announce
from cardreader.web.announce import Announcement
from cardreader.web.listen import ServeError, listen
from cardreader.web.serve import Place, serve, shown, welcome
from cardreader.web.settings import Settings
from cardreader.web.startpage import create_start_app
from cardreader.web.whereabouts import Watch, Whereabouts

IDENTITY = "0123456789abcdef" * 2


def test_a_port_that_is_taken_is_told_before_anything_is_shown(tmp_path, capsys):
    with listen("127.0.0.1", 0) as taken:
        port = taken.getsockname()[1]
        for ports, option in ((port, None), "--port"), ((free_port(), port), "--start-port"):
            with pytest.raises(ServeError, match=f"port {port} is taken.*{option}"):
                serve(Settings(data=tmp_path), None, "127.0.0.1", *ports)
    assert capsys.readouterr().out == ""
    assert not (tmp_path / "register.db").exists()


def test_a_first_start_that_fails_makes_no_account_whose_password_nobody_saw(tmp_path, monkeypatch):
    def no_room(*_):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr("cardreader.web.tls.certificates", no_room)
    with pytest.raises(OSError, match="No space"):
        serve(Settings(data=tmp_path), FakeReader(), "127.0.0.1", 0, 0)
    register = Database(sqlite_url(tmp_path / "register.db"))
    with register.read() as session:
        assert session.scalars(select(Account)).all() == []
    register.close()


@pytest.mark.parametrize(
    ("host", "port", "words"),
    [
        ("no-such-host.invalid", 8443, "no name that this machine knows"),
        ("not an address", 8443, "no name that this machine knows"),
        ("192.0.2.77", 8443, "doesn't have that address"),  # RFC 5737: nobody's
        ("127.0.0.1", 99999, "from 1 to 65535"),
        ("127.0.0.1", -1, "from 1 to 65535"),
    ],
)
def test_a_wrong_host_or_port_is_told_in_words(host, port, words):
    with pytest.raises(ServeError, match=words):
        listen(host, port)


@pytest.mark.parametrize("host", ["localhost", "127.0.0.1", "0.0.0.0"])
def test_hosts_that_are_this_machine_are_taken(host):
    with listen(host, 0) as sock:
        socket.create_connection(("127.0.0.1", sock.getsockname()[1]), 20).close()


def test_an_ipv6_number_may_be_given_in_brackets():
    with listen("[::1]", 0) as sock:
        assert sock.getsockname()[0] == "::1"


def test_an_ipv6_number_stands_in_brackets():
    where = Whereabouts(("::1",), 8443, 8080)
    assert where.shown_urls == ["http://[::1]:8080/"]
    assert where.register_url("::1") == "https://[::1]:8443/"


def test_welcome_says_what_plain_http_means_and_shows_the_password_once():
    plain = welcome(Whereabouts(("10.0.0.2",), 8080, None), None, "/data")
    assert "everyone on the network can read along" in plain
    said = welcome(
        Whereabouts(("10.0.0.2",), 8443, 8080, "cardreader-012345.local", "AB:" * 31 + "AB"),
        "secret-word",
        "/regsiter",
    )
    for words in ("http://10.0.0.2:8080/", "https://cardreader-012345.local:8443/", "secret-word"):
        assert words in said
    # A mistyped folder must not become a new register in silence.
    assert "A new register, with nobody in it, was made in /regsiter." in said
    assert "new register" not in plain


@pytest.fixture
def place(tmp_path):
    """An encrypted server's place on loopback, with its sockets open."""
    with listen("127.0.0.1", 0) as sock, listen("127.0.0.1", 0) as start:
        place = Place(tmp_path, sock, start, IDENTITY)
        yield place
        place.close()


def _names(place: Place) -> set[str]:
    leaf, authority = x509.load_pem_x509_certificates(place.context.files.chain.read_bytes())
    leaf.verify_directly_issued_by(authority)
    names = leaf.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    return {
        *names.get_values_for_type(x509.DNSName),
        *map(str, names.get_values_for_type(x509.IPAddress)),
    }


def test_a_new_address_has_its_certificate_under_the_same_authority(place, capsys):
    before = place.authority.read_bytes()
    old_context = place.context()
    place.follow(["192.168.77.5"])
    assert place.authority.read_bytes() == before
    assert "192.168.77.5" in _names(place)
    assert place.context() is not old_context
    assert isinstance(place.context(), ssl.SSLContext)
    assert place.now().addresses == ("192.168.77.5",)
    said = capsys.readouterr().out
    assert "address changed" in said
    assert f"http://192.168.77.5:{place.now().start_port}/" in said


def test_the_qr_page_follows(place, tmp_path):
    client = TestClient(create_start_app(Settings(data=tmp_path), place))
    start_port = place.now().start_port
    assert f"http://127.0.0.1:{start_port}/" in client.get("/qr").text
    place.follow(["192.168.77.5"])
    page = client.get("/qr").text
    assert f"http://192.168.77.5:{start_port}/" in page
    assert "127.0.0.1" not in page
    assert 'http-equiv="refresh"' in page
    assert place.now().fingerprint in page


def test_start_page_leads_where_the_phone_came_in(place, tmp_path):
    place.follow(["10.0.0.2", "192.168.77.5"])
    app = create_start_app(Settings(data=tmp_path), place)
    port = place.now().port
    for came_in_at, led_to in (("192.168.77.5", "192.168.77.5"), ("8.8.8.8", "10.0.0.2")):
        client = TestClient(app, base_url=f"http://{came_in_at}")
        page = client.get("/", headers={"Host": "elsewhere.example"}).text
        assert f'href="https://{led_to}:{port}/"' in page
        assert "elsewhere" not in page


def test_watch_tells_only_changes():
    found, told = [["10.0.0.2"], ["10.0.0.2"], ["10.0.0.3"], []], []
    watch = Watch(told.append, look=iter(found).__next__)
    assert [watch.check() for _ in range(3)] == [False, True, True]
    assert told == [["10.0.0.3"], []]


def test_watch_goes_on_where_no_certificate_can_be_made(capsys):
    """As on a full disk: it is told once, and done as soon as there is room."""
    room, told = [], []

    def follow(addresses):
        if not room:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        told.append(addresses)

    found = iter([["10.0.0.2"], *[["10.0.0.3"]] * 4])
    watch = Watch(follow, look=found.__next__)
    assert [watch.check(), watch.check()] == [False, False]
    assert capsys.readouterr().out.count("No space left on device") == 1
    room.append(True)
    assert [watch.check(), watch.check()] == [True, False]
    assert told == [["10.0.0.3"]]


def test_a_certificate_out_of_date_is_made_anew(place, capsys):
    authority = place.authority.read_bytes()
    assert not place.is_stale()
    a_year_on = dt.datetime.now(dt.UTC) + dt.timedelta(days=296)
    place.context.clock = lambda: a_year_on
    watch = Watch(place.follow, place.look, stale=place.is_stale)
    assert [watch.check(), watch.check()] == [True, False]
    assert place.authority.read_bytes() == authority
    leaf = x509.load_pem_x509_certificate(place.context.files.chain.read_bytes())
    assert leaf.not_valid_after_utc > a_year_on + dt.timedelta(days=200)
    assert capsys.readouterr().out == ""


def in_a_thread(test):
    """Where no event loop runs: other tests' browsers may have left theirs running in this one."""

    @wraps(test)
    def apart(*args, **more):
        with ThreadPoolExecutor(1) as pool:
            return pool.submit(test, *args, **more).result()

    return apart


@in_a_thread
def test_the_name_is_told_from_within_an_event_loop(monkeypatch):
    monkeypatch.setattr(announce, "ASK_MS", 50)  # nobody else is there
    announcement = Announcement("cardreader-0a1b2e.local", 8443, True, ["127.0.0.1"])

    async def told():
        return announcement.renew(["192.168.77.6"])

    try:
        # In a thread of its own: a browser's test may have left this one within a loop.
        with ThreadPoolExecutor(1) as pool:
            assert pool.submit(lambda: asyncio.run(told())).result()
    finally:
        announcement.close()


@pytest.mark.slow
@in_a_thread
def test_the_name_is_found_by_multicast_dns():
    """Asked by a second instance of the zeroconf library, over loopback."""
    announcement = Announcement("cardreader-0a1b2c.local", 8443, True, ["127.0.0.1"])
    asker = Zeroconf(interfaces=["127.0.0.1"])
    try:
        assert announcement.renew(["192.168.77.5"])
        found = AddressResolver("cardreader-0a1b2c.local.")
        assert found.request(asker, 5000)
        assert found.parsed_addresses() == ["192.168.77.5"]
        assert announcement.renew(["192.168.78.9"])
        again = AddressResolver("cardreader-0a1b2c.local.")
        assert again.request(asker, 5000)
        assert "192.168.78.9" in again.parsed_addresses()
    finally:
        announcement.close()
        asker.close()


@pytest.mark.slow
@pytest.mark.parametrize("secure", [True, False])
@in_a_thread
def test_a_copied_register_does_not_take_the_name_of_the_first(secure):
    """RFC 6762, section 9: who comes second takes another name, and says whose it is."""
    first = Announcement("cardreader-0a1b2d.local", 8443, True, ["127.0.0.1"])
    copy = Announcement("cardreader-0a1b2d.local", 8444, secure, ["127.0.0.1"])
    asker = Zeroconf(interfaces=["127.0.0.1"])
    try:
        assert first.renew(["192.168.77.5"])
        assert first.taken_by == ()
        assert copy.renew(["192.168.77.6"])
        assert copy.name == "cardreader-0a1b2d-2.local"
        assert copy.taken_by == ("192.168.77.5",)
        for name, address in (("", "192.168.77.5"), ("-2", "192.168.77.6")):
            found = AddressResolver(f"cardreader-0a1b2d{name}.local.")
            assert found.request(asker, 5000)
            assert found.parsed_addresses() == [address]
        # The first has gone: the name is free again.
        first.close()
        assert copy.renew(["192.168.77.6"])
        assert copy.name == "cardreader-0a1b2d.local"
        assert copy.taken_by == ()
    finally:
        first.close()
        copy.close()
        asker.close()


def test_a_name_that_is_anothers_is_said_at_the_start():
    where = Whereabouts(
        ("192.168.77.6",), 8443, 8080, "cardreader-0a1b2d-2.local", name_taken_by=("192.168.77.5",)
    )
    said = shown(where)
    assert "Another server on this network has this register's name: 192.168.77.5." in said
    assert "cardreader-0a1b2d-2.local" in said
    assert "Another server" not in shown(replace(where, name_taken_by=()))


def test_a_name_has_its_certificate(tmp_path):
    from cardreader.web.tls import LiveContext

    live = LiveContext(tmp_path)
    files = live.renew(["10.0.0.2", host_name(IDENTITY), "elsewhere.example"])
    leaf = x509.load_pem_x509_certificate(files.chain.read_bytes())
    names = leaf.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    assert set(names.get_values_for_type(x509.DNSName)) == {
        "localhost",
        "cardreader-012345.local",
    }  # never for a name of the internet


def test_a_register_has_an_identity_that_stays(tmp_path):
    database = Database(sqlite_url(tmp_path / "register.db"))
    database.migrate()
    with database.read() as session:
        assert identity_of(session) is None
    with database.write() as session:
        accounts.add_account(session, "ada", Role.WORKER, "a long password")
        first = identity_of(session)
    with database.write() as session:
        accounts.add_account(session, "eve", Role.WORKER, "a long password")
    with database.read() as session:
        assert identity_of(session) == first
    assert len(first) == 32
    database.close()
    assert shown(Whereabouts((), 8443, 8080)).count("localhost") >= 2
