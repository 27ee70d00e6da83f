"""Guessing passwords is slowed; nobody locks another out; nothing is read for a stranger."""

from __future__ import annotations

import html
import re

import pytest
from fastapi.testclient import TestClient
from people import PASSWORD

from cardreader.web.delay import (
    LONGEST_WAIT_OF_AN_ADDRESS_S,
    LONGEST_WAIT_S,
    TRIES_OF_AN_ADDRESS,
    SignInDelay,
)


class Clock:
    """A clock that is set by hand."""

    now_s = 0.0

    def __call__(self) -> float:
        return self.now_s


def _from(app, address: str) -> TestClient:
    return TestClient(app, client=(address, 4711), follow_redirects=False)


def _try(client: TestClient, password: str, name: str = "worker"):
    return client.post("/sign-in", data={"name": name, "password": password})


def test_guessing_is_slowed_more_with_each_try(make_app):
    client = _from(make_app(free_tries=3), "10.0.0.9")
    assert [_try(client, f"guess {n}").status_code for n in range(5)] == [403] * 3 + [429] * 2
    refused = _try(client, PASSWORD)
    assert refused.status_code == 429
    assert int(refused.headers["retry-after"]) in (1, 2)


def test_a_stranger_does_not_lock_a_known_name(make_app):
    app = make_app(free_tries=3)
    stranger, colleague = _from(app, "10.0.0.9"), _from(app, "10.0.0.7")
    for n in range(200):
        _try(stranger, f"guess {n}")
    assert _try(colleague, PASSWORD).status_code == 303


def test_the_delay_doubles_up_to_its_end_and_is_forgotten():
    clock = Clock()
    delay = SignInDelay(3, clock)
    waits = []
    for _ in range(16):
        while (wait_s := delay.begin("worker", "10.0.0.9")) > 0:
            waits.append(wait_s)
            clock.now_s += wait_s
    assert waits[:4] == [2.0, 4.0, 8.0, 16.0]
    assert max(waits) == LONGEST_WAIT_S
    clock.now_s += 3601
    assert delay.begin("worker", "10.0.0.9") == 0


def test_going_through_a_list_of_names_is_slowed_at_that_address_only():
    delay = SignInDelay(3, Clock())
    waits = [delay.begin(f"name{n}", "10.0.0.9") for n in range(200)]
    assert waits[: 3 * TRIES_OF_AN_ADDRESS] == [0.0] * 3 * TRIES_OF_AN_ADDRESS
    assert all(0 < wait <= LONGEST_WAIT_OF_AN_ADDRESS_S for wait in waits[15:])
    assert delay.begin("name1", "10.0.0.7") == 0


def test_many_tries_at_once_are_not_let_through_together():
    delay = SignInDelay(3, Clock())
    assert [delay.begin("worker", "10.0.0.9") > 0 for _ in range(10)] == [False] * 3 + [True] * 7


def test_whoever_signs_in_rightly_is_not_slowed():
    delay = SignInDelay(3, Clock())
    for _ in range(50):
        assert delay.begin("worker", "10.0.0.9") == 0
        delay.passed("worker", "10.0.0.9")


@pytest.mark.parametrize(
    ("path", "status"), [("/api/photos", 401), ("/exchange/import", 303), ("/women/new", 303)]
)
def test_no_body_is_read_before_a_sign_in_is_known(app, path, status):
    def body():
        for _ in range(39):
            yield b"x" * 2**20

    headers = {"Content-Type": "multipart/form-data; boundary=b"}
    spied = _CountingApp(app)
    client = TestClient(spied, follow_redirects=False)
    answer = client.post(path, content=body(), headers=headers)
    assert answer.status_code == status
    assert spied.received == 0


class _CountingApp:
    """An application that counts how often the one inside asks for a part of the body."""

    def __init__(self, app) -> None:
        self.app, self.received = app, 0

    async def __call__(self, scope, receive, send) -> None:
        async def counted():
            self.received += scope["type"] == "http"
            return await receive()

        await self.app(scope, counted, send)


def test_a_sign_in_form_is_small(app):
    assert _try(_from(app, "10.0.0.9"), "x" * 20_000).status_code == 413


def test_a_path_with_a_slash_too_many_leads_to_no_other_host(app):
    client = TestClient(app, follow_redirects=False, base_url="http://elsewhere.example")
    answer = client.get("/women/new/")
    assert "elsewhere" not in answer.headers.get("location", "")


def test_who_was_signed_out_meanwhile_is_told_that_the_form_was_not_kept(app, worker):
    woman = worker.add_woman("KX-790")
    worker.client.cookies.delete("signed_in")
    sent = {"value": "9.3", "method": "Cell counter"}
    referer = {"Referer": f"http://testserver{woman}/lab?note=saved"}
    answer = worker.client.post(f"{woman}/lab", data=sent, headers=referer)
    assert answer.status_code == 303
    there = answer.headers["location"]
    assert there == f"/sign-in?note=not-kept&next={woman}/lab"
    shown = worker.get(there).text
    assert "what you just sent was not kept" in shown
    assert f'name="next" value="{woman}/lab"' in shown
    # Another site's address leads nowhere, and signing out needs no such word.
    elsewhere = {"Referer": "https://evil.example//evil.example/x"}
    away = worker.client.post(f"{woman}/lab", data=sent, headers=elsewhere)
    shown = worker.get(away.headers["location"]).text
    assert 'name="next" value="/"' in shown
    assert worker.client.post("/sign-out").headers["location"] == "/sign-in"


def _choices_back(shown: str) -> str:
    """Where both forms, of language and of colours, lead back to."""
    (back,) = set(re.findall(r'class="language">\s*<input [^>]*name="next" value="([^"]*)"', shown))
    return html.unescape(back)


@pytest.mark.parametrize("choice", [("language", "hi"), ("scheme", "dark")])
def test_a_choice_on_the_sign_in_page_forgets_neither_page_nor_word(app, worker, choice):
    """She sets the language to read what she is told, and still wants to go where she went."""
    woman = worker.add_woman("KX-791")
    client = _from(app, "10.0.0.3")
    there = client.get(woman).headers["location"]
    for note in ("", "&note=not-kept"):
        back = _choices_back(client.get(f"{there}{note}").text)
        answer = client.post(f"/{choice[0]}", data={"next": back, choice[0]: choice[1]})
        shown = client.get(answer.headers["location"]).text
        assert f'name="next" value="{woman}"' in shown
        assert ('class="notice"' in shown) == bool(note)
    # After a wrong password, too.
    wrong = client.post("/sign-in", data={"name": "worker", "password": "no", "next": woman})
    answer = client.post("/language", data={"next": _choices_back(wrong.text), "language": "fr"})
    shown = client.get(answer.headers["location"]).text
    assert f'name="next" value="{woman}"' in shown
    good = {"name": "worker", "password": PASSWORD, "next": woman}
    assert client.post("/sign-in", data=good).headers["location"] == woman


@pytest.mark.parametrize(
    "away", ["//evil.example", "/sign-in?next=https://evil.example", "/sign-in?next=%2F%2Fevil"]
)
def test_a_choice_leads_to_no_other_host(app, away):
    client = _from(app, "10.0.0.3")
    answer = client.post("/language", data={"next": away, "language": "fr"})
    shown = client.get(answer.headers["location"])
    if shown.is_redirect:  # the first page, which asks for a sign-in
        shown = client.get(shown.headers["location"])
    assert 'name="next" value="/"' in shown.text


@pytest.mark.parametrize(
    "asked_for",
    ["/women?find=KX%201%26&on=2026-11-01", "/lists/due?start=100", "/women/new?code=KX-1"],
)
def test_the_query_of_the_page_asked_for_is_kept_through_the_sign_in(app, asked_for):
    """A list's second part, a search, a code typed before: its bare address is another page."""
    client = _from(app, "10.0.0.3")
    there = client.get(f"{asked_for}&note=saved").headers["location"]
    assert "note" not in there
    shown = client.get(there).text
    # Choosing a language or colours on the way forgets nothing of it.
    for choice in ({"language": "fr"}, {"scheme": "dark"}):
        path = f"/{next(iter(choice))}"
        answer = client.post(path, data={"next": _choices_back(shown), **choice})
        shown = client.get(answer.headers["location"]).text
    (target,) = set(
        re.findall(r'action="/sign-in".*?name="next" value="([^"]*)"', shown, re.DOTALL)
    )
    good = {"name": "worker", "password": PASSWORD, "next": html.unescape(target)}
    assert client.post("/sign-in", data=good).headers["location"] == asked_for
    assert client.get(asked_for).status_code == 200


def test_a_form_not_kept_leads_back_to_the_search_it_stood_below(app, worker):
    worker.client.cookies.delete("signed_in")
    referer = {"Referer": "http://testserver/women/new?code=KX-1&note=saved"}
    answer = worker.client.post("/women/new", data={"code": "KX-1"}, headers=referer)
    shown = worker.get(answer.headers["location"]).text
    assert 'name="next" value="/women/new?code=KX-1"' in shown


def _language(client: TestClient) -> str:
    return re.search(r'<html lang="(\w+)"', client.get("/more").text)[1]


def test_a_language_chosen_just_before_signing_in_goes_before_the_accounts_own(app, worker):
    """For this time: whoever signs in next without choosing finds her own again."""
    assert worker.post("/language", language="fr", next="/").status_code == 303
    client = _from(app, "10.0.0.3")
    _try(client, PASSWORD)
    assert _language(client) == "fr"
    client.cookies.delete("signed_in")
    assert client.post("/language", data={"language": "hi", "next": "/"}).status_code == 303
    _try(client, "not it")
    _try(client, PASSWORD)
    assert _language(client) == "hi"
    assert _language(worker.client) == "fr"
    client.cookies.delete("signed_in")
    _try(client, PASSWORD)
    assert _language(client) == "fr"


def test_the_same_by_pin(app, worker):
    worker.post("/language", language="fr", next="/")
    client = worker.client
    worker.post("/pin", password=PASSWORD, pin="428913", again="428913")
    client.cookies.delete("signed_in")
    client.post("/language", data={"language": "ar", "next": "/"})
    answer = client.post("/sign-in/pin", data={"pin": "428913", "next": "/more"})
    assert answer.headers["location"] == "/more"
    assert _language(client) == "ar"
