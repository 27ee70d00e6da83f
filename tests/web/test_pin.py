"""A PIN opens its owner's account on one device, five wrong tries end it, a password renews it."""

from __future__ import annotations

import datetime as dt
import html
import re

import pytest
from fastapi.testclient import TestClient
from people import PASSWORD, Person
from sqlalchemy import select

from cardreader.decide.protocolfile import load_protocol, parse_protocol
from cardreader.decide.tomltable import ProtocolError
from cardreader.register.base import utc_now
from cardreader.register.devices import PIN_DIGITS, WRONG_TRIES, pin_problem
from cardreader.register.kinds import Role
from cardreader.register.models import AuditEntry, Device

PIN = "482915"


def _set(person: Person, pin: str = PIN, again: str | None = None, password: str = PASSWORD):
    return person.post("/pin", pin=pin, again=again or pin, password=password)


def _by_pin(client: TestClient, pin: str):
    return client.post("/sign-in/pin", data={"pin": pin, "next": "/more"})


@pytest.fixture
def phone(app):
    """A worker's phone with a PIN, signed out."""
    person = Person(app, "worker")
    assert _set(person).status_code == 303
    person.post("/sign-out")
    return person.client


def test_the_pin_opens_the_account_on_this_phone(phone):
    page = phone.get("/sign-in").text
    assert "worker" in page
    assert 'action="/sign-in/pin"' in page
    answer = _by_pin(phone, PIN)
    assert (answer.status_code, answer.headers["location"]) == (303, "/more")
    assert phone.get("/api/session").json()["name"] == "worker"


def test_digits_of_any_keyboard_are_the_same_pin(app):
    person = Person(app, "worker")
    arabic, hindi = ("".join(chr(zero + int(digit)) for digit in PIN) for zero in (0x660, 0x966))
    assert _set(person, arabic, again=PIN).status_code == 303
    person.post("/sign-out")
    for typed in (PIN, arabic, hindi):
        assert _by_pin(person.client, typed).status_code == 303
        person.client.cookies.delete("signed_in")


def test_the_pin_is_worth_nothing_elsewhere(app, phone):
    other = TestClient(app, follow_redirects=False)
    assert 'action="/sign-in/pin"' not in other.get("/sign-in").text
    assert _by_pin(other, PIN).status_code == 403
    other.cookies.set("device", "x" * 43)
    assert _by_pin(other, PIN).status_code == 403


def test_wrong_tries_end_it_also_for_the_right_pin(app, phone):
    for n in range(WRONG_TRIES):
        assert _by_pin(phone, f"11122{n}").status_code == 403
    assert _by_pin(phone, PIN).status_code == 403
    assert 'action="/sign-in/pin"' not in phone.get("/sign-in").text
    with app.state.database.read() as session:
        assert session.scalars(select(Device)).all() == []
        actions = session.scalars(select(AuditEntry.action)).all()
    assert (actions.count("pin.wrong"), actions.count("pin.ended")) == (WRONG_TRIES - 1, 1)
    # The password still opens the account: nobody is locked out.
    assert phone.post("/sign-in", data={"name": "worker", "password": PASSWORD}).status_code == 303


def test_a_right_pin_forgives_the_wrong_ones_before(phone):
    for _ in range(3):
        for n in range(WRONG_TRIES - 1):
            assert _by_pin(phone, f"11122{n}").status_code == 403
        assert _by_pin(phone, PIN).status_code == 303


def test_only_hashes_are_kept(app, phone):
    with app.state.database.read() as session:
        device = session.scalars(select(Device)).one()
        assert device.pin_hash.startswith("$argon2id$")
        assert device.token_hash != phone.cookies["device"]
    cookie = _set(Person(app, "worker")).headers["set-cookie"].lower()
    for word in ("httponly", "samesite=strict", "path=/"):
        assert word in cookie


def test_the_password_is_asked_for_again_after_the_protocols_days(app, phone):
    def shift(days: float) -> None:
        with app.state.database.write() as session:
            at = utc_now() - dt.timedelta(days=days)
            session.scalars(select(Device)).one().password_at = at

    shift(29.9)
    assert _by_pin(phone, PIN).status_code == 303
    shift(30.1)
    phone.cookies.delete("signed_in")
    assert 'action="/sign-in/pin"' not in phone.get("/sign-in").text
    assert _by_pin(phone, PIN).status_code == 403
    phone.post("/sign-in", data={"name": "worker", "password": PASSWORD})
    phone.cookies.delete("signed_in")
    assert _by_pin(phone, PIN).status_code == 303


@pytest.mark.parametrize("what", ["password", "disable", "pins"])
def test_the_supervisor_takes_pins_away(app, phone, what):
    supervisor = Person(app, "supervisor")
    page = supervisor.get("/people").text
    assert "1 phone with a PIN." in page
    worker_id = re.search(r'action="/people/([^"]+)"', page.split("<summary>worker")[1])[1]
    supervisor.post(f"/people/{worker_id}", what=what, password="another long password")
    assert _by_pin(phone, PIN).status_code == 403


def test_ones_own_new_password_ends_the_pin(app):
    person = Person(app, "worker")
    _set(person)
    person.post("/password", old=PASSWORD, new="another long password")
    assert _by_pin(person.client, PIN).status_code == 403


def test_taking_it_away(app):
    person = Person(app, "worker")
    _set(person)
    assert "This phone has a PIN" in person.get("/pin").text
    person.post("/pin/remove")
    assert "This phone has a PIN" not in person.get("/pin").text


def test_another_owners_pin_takes_the_place_of_the_first(app, phone):
    phone.post("/sign-in", data={"name": "supervisor", "password": PASSWORD})
    csrf = phone.get("/api/session").json()["csrf"]
    phone.post(
        "/pin", data={"csrf": csrf, "pin": "739164", "again": "739164", "password": PASSWORD}
    )
    phone.cookies.delete("signed_in")
    assert "supervisor" in phone.get("/sign-in").text
    assert _by_pin(phone, PIN).status_code == 403
    with app.state.database.read() as session:
        assert len(session.scalars(select(Device)).all()) == 1


@pytest.mark.parametrize(
    ("fields", "field"),
    [
        ({"pin": "12345"}, "pin"),
        ({"pin": "48291a"}, "pin"),
        ({"pin": "48291²"}, "pin"),
        ({"pin": "123456"}, "pin"),
        ({"again": "482916"}, "again"),
        ({"password": "not the password"}, "password"),
    ],
)
def test_a_pin_that_cannot_be_set_is_told_beside_its_field(app, fields, field):
    person = Person(app, "worker")
    answer = _set(person, **fields)
    assert answer.status_code == 422
    assert f'id="{field}-problem"' in answer.text
    with app.state.database.read() as session:
        assert session.scalars(select(Device)).all() == []


@pytest.mark.parametrize("pin", ["000000", "345678", "987654", "890123", "121212", "123123"])
def test_easy_pins(pin):
    assert len(pin) == PIN_DIGITS
    assert pin_problem(pin) is not None
    assert pin_problem(PIN) is None


def test_pins_do_not_travel_with_a_backup(app, phone, tmp_path):
    from cardreader.register.backup import make_backup, restore_backup
    from cardreader.register.database import Database, sqlite_url

    file = tmp_path / "x.backup"
    make_backup(app.state.database, tmp_path, file, "an invented passphrase")
    new = sqlite_url(tmp_path / "new" / "register.db")
    restore_backup(new, tmp_path / "new", file, "an invented passphrase")
    restored = Database(new)
    with restored.read() as session:
        assert session.scalars(select(Device)).all() == []
    restored.close()


def test_a_role_is_changed_and_holds_at_once(app, worker, supervisor):
    page = supervisor.get("/people").text
    worker_id = re.search(r'action="/people/([^"]+)"', page.split("<summary>worker")[1])[1]
    assert worker.get("/audit").status_code == 403
    supervisor.post(f"/people/{worker_id}", what="role", role="supervisor")
    assert worker.get("/audit").status_code == 200
    own = supervisor.client.get("/api/session").json()["account_id"]
    supervisor.post(f"/people/{own}", what="role", role="worker")
    supervisor.post(f"/people/{worker_id}", what="role", role="emperor")
    assert supervisor.client.get("/api/session").json()["role"] == Role.SUPERVISOR
    with app.state.database.read() as session:
        assert session.scalars(select(AuditEntry.action)).all().count("account.role") == 1


def test_session_times_come_from_the_protocol(app, worker):
    """The figures of a programme's own file, read by the project's loader."""
    with open("calibration/protocols/common-practice.toml", "rb") as file:
        text = file.read()
    assert load_protocol().sign_in.idle_minutes == 30
    rules = parse_protocol(text + b"\n[sign_in]\nidle_minutes = 5\nwhole_hours = 2\npin_days = 7\n")
    app.state.shared.reader.base.rules = rules
    assert app.state.shared.session.idle == dt.timedelta(minutes=5)
    assert app.state.shared.session.whole == dt.timedelta(hours=2)
    assert app.state.shared.pin_lasts == dt.timedelta(days=7)
    from cardreader.register.models import SignIn

    for minutes, status in ((4, 200), (6, 303)):
        with app.state.database.write() as session:
            at = utc_now() - dt.timedelta(minutes=minutes)
            hers = select(SignIn).where(SignIn.csrf == worker.csrf)
            session.scalars(hers).one().seen_at = at
        assert worker.get("/").status_code == status
    with pytest.raises(ProtocolError, match=r"sign_in\.whole_hours"):
        parse_protocol(text + b"\n[sign_in]\nwhole_hours = 48\n")


def test_the_way_from_pin_to_password_keeps_the_page_she_was_going_to(phone):
    shown = phone.get("/sign-in?next=/women/new").text
    (link,) = re.findall(r'href="(/sign-in\?[^"]*by=password[^"]*)"', shown)
    assert 'name="next" value="/women/new"' in phone.get(html.unescape(link)).text
