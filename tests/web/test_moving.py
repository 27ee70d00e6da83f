"""Photos kept under one address of the register reach it under another, in a real browser.

Two loopback addresses of one server stand for a hotspot's two numbers: to a browser
they are two sites, each with a storage of its own.
"""

from __future__ import annotations

import json
from collections.abc import Iterator

import pytest
from browserkit import PASSWORD, Server
from playwright.sync_api import Page, expect

from cardreader.web.origins import MOST, known_origins, note_origins


@pytest.fixture(scope="module")
def server(tmp_path_factory) -> Iterator[Server]:
    """A server on all addresses that remembers an earlier one."""
    server = Server(tmp_path_factory.mktemp("register") / "data", "--host", "0.0.0.0")
    server.add_people()
    note_origins(server.data, [server.url])
    server.start()
    yield server
    server.kill()


def _sign_in(page: Page, origin: str) -> None:
    page.goto(f"{origin}/sign-in")
    page.get_by_label("Name").fill("worker")
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Sign in").click()
    page.wait_for_url(lambda url: "/sign-in" not in url)


def _keep_photo(page: Page, origin: str, code: str, tmp_path) -> None:
    """Keep a photo there without sending it; no photo at all, so it is entered as refused."""
    page.context.route("**/api/**", lambda route: route.abort())
    page.goto(f"{origin}/unsent")
    (tmp_path / "p.jpg").write_bytes(f"no photo at all: {code}".encode())
    page.locator("input[type=file]").set_input_files(tmp_path / "p.jpg")
    page.get_by_label("Her code in your register").fill(code)
    page.get_by_role("button", name="Keep and send").click()
    expect(page.locator("#unsent-count")).to_have_text("1")
    page.context.unroute("**/api/**")


@pytest.mark.slow
def test_kept_photos_come_over_to_the_new_address(context, server, tmp_path):
    earlier, later = server.url, server.url.replace("127.0.0.1", "127.0.0.2")
    page = context.pages[0]
    # As if another person's sign-in stood there by now: the photo stays until it is asked for.
    _sign_in(page, earlier)
    context.route(f"{earlier}/api/**", lambda route: route.abort())
    _keep_photo(page, earlier, "KX-801", tmp_path)
    page.goto("about:blank")
    _sign_in(page, later)
    page.goto(f"{later}/unsent")
    with context.expect_page() as opened:
        page.get_by_role("button", name="Look at 127.0.0.1").click()
    other = opened.value
    expect(other.locator("#giving")).to_contain_text("127.0.0.2")
    other.get_by_role("button", name="Give them").click()
    expect(page.locator("#elsewhere .form-status")).to_contain_text(
        "Photos that have come over: 1."
    )
    expect(other.locator("#giving")).to_contain_text("Photos that have moved: 1.")
    expect(other.locator("#unsent-list")).to_contain_text("Nothing is waiting")
    expect(page.locator("#unsent-list")).to_contain_text("Nothing is waiting")
    women = page.request.get(f"{later}/api/women").json()
    (woman,) = [w for w in women if w["code"] == "KX-801"]
    assert len(page.request.get(f"{later}/api/women/{woman['id']}/readings").json()) == 1


@pytest.mark.slow
def test_no_site_of_the_internet_is_given_anything(context, server, tmp_path):
    page = context.pages[0]
    _sign_in(page, server.url)
    for to in ("https://elsewhere.example", "http://8.8.8.8", "https://10.0.0.7.elsewhere.example"):
        with context.expect_page() as opened:
            page.evaluate(
                "([url, to]) => window.open(`${url}/unsent#give=${encodeURIComponent(to)}`)",
                [server.url, to],
            )
        other = opened.value
        other.wait_for_load_state()
        expect(other.locator("#giving")).to_be_hidden()
        other.close()


@pytest.mark.slow
def test_a_photo_of_another_register_is_not_sent_to_this_one(context, server, tmp_path):
    page = context.pages[0]
    _sign_in(page, server.url)
    # The phone last stood before another register at the same address.
    page.evaluate(
        """() => { const a = JSON.parse(localStorage.account);
        localStorage.account = JSON.stringify({...a, register: "0".repeat(32)}); }"""
    )
    page.context.route("**/unsent", lambda route: route.fallback())
    page.context.clear_cookies()
    _keep_photo(page, server.url, "KX-802", tmp_path)
    _sign_in(page, server.url)
    page.goto(f"{server.url}/unsent")
    page.get_by_role("button", name="Send now").click()
    expect(page.locator("#unsent-list")).to_contain_text("this is another")
    women = page.request.get(f"{server.url}/api/women").json()
    assert not [w for w in women if w["code"] == "KX-802"]


@pytest.mark.slow
def test_a_password_can_be_looked_at_and_a_pin_opens(context, server):
    page = context.pages[0]
    page.goto(f"{server.url}/sign-in")
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Show").click()
    expect(page.get_by_label("Password")).to_have_attribute("type", "text")
    page.get_by_role("button", name="Hide").click()
    expect(page.get_by_label("Password")).to_have_attribute("type", "password")
    _sign_in(page, server.url)
    page.goto(f"{server.url}/pin")
    page.get_by_label("PIN, 6 digits").fill("482915")
    page.get_by_label("The same again").fill("482915")
    page.get_by_label("Present password").fill(PASSWORD)
    page.get_by_role("button", name="Set the PIN").click()
    page.wait_for_url("**/more*")
    context.clear_cookies(name="signed_in")
    page.goto(f"{server.url}/")
    page.get_by_label("PIN").fill("482915")
    page.get_by_role("button", name="Sign in").click()
    page.wait_for_url(f"{server.url}/")


def test_earlier_addresses_are_remembered_newest_first(tmp_path):
    note_origins(tmp_path, ["https://10.0.0.1:8443"])
    note_origins(tmp_path, ["https://10.0.0.2:8443", "https://cardreader-0a1b2c.local:8443"])
    note_origins(tmp_path, ["https://10.0.0.1:8443"])
    assert known_origins(tmp_path) == [
        "https://10.0.0.1:8443",
        "https://10.0.0.2:8443",
        "https://cardreader-0a1b2c.local:8443",
    ]
    note_origins(tmp_path, [f"https://10.0.0.{n}:8443" for n in range(40)])
    assert len(known_origins(tmp_path)) == MOST
    for damage in ("", "[", "{}", json.dumps([1, "javascript:x", '"><script>'])):
        (tmp_path / "origins.json").write_text(damage)
        assert known_origins(tmp_path) == []
