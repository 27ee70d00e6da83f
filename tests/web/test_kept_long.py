"""Photos that waited on a phone while the register went on: its own browser, the real server."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import pytest
from browserkit import Server
from phone import (
    add_woman,
    check_page,
    choose_photo,
    keep_photo,
    open_visit,
    readings_of,
    settle_worker,
    sign_in,
    until,
    wait_until_sent,
)
from playwright.sync_api import Page, expect

PASSPHRASE = {"CARDREADER_BACKUP_PASSPHRASE": "an invented passphrase"}


def keep(page: Page, code: str, photo: Path, asked: bool = False) -> None:
    """A photo under a code with the server out of reach; ``asked`` whether the blot is dry."""
    page.get_by_label("Her code in your register").first.fill(code)
    choose_photo(page, photo)
    if asked:
        page.get_by_role("button", name="This blot is dry").click()
    page.get_by_role("button", name="Keep and send").click()
    expect(page.locator(".photo-form .form-status")).to_contain_text("Kept on this phone")


def out_of_reach(page: Page, server: Server) -> None:
    page.goto("/unsent")
    settle_worker(page)
    server.kill()


def sign_in_anew(page: Page, server: Server, name: str = "worker") -> None:
    page.context.clear_cookies()
    sign_in(page, server, name)


def test_a_photo_for_a_visit_that_a_backup_does_not_have_is_sent_under_her_code(
    page, server, photos, tmp_path, axe
):
    """It could only be discarded: she would have been pricked again, or not read at all."""
    sign_in(page, server)
    add_woman(page, "RE-1")
    file = str(tmp_path / "register.backup")
    assert server.command("backup", file, **PASSPHRASE).returncode == 0
    open_visit(page)
    settle_worker(page)
    server.kill()
    keep_photo(page, photos["severe"])
    restored = server.command("restore", file, "--replace", **PASSPHRASE)
    assert restored.returncode == 0, restored.stderr
    server.cookies.clear()
    server.start()
    sign_in_anew(page, server)
    expect(page.get_by_text("This register was put back on")).to_be_visible()
    page.goto("/unsent")
    row = page.locator("#unsent-list")
    expect(row).to_contain_text("The server did not take this photo: No such visit.")
    assert readings_of(page, "RE-1") == []
    check_page(page, axe, "/unsent")
    row.get_by_label("Her code in your register").fill("re-1")
    row.get_by_role("button", name="Send it under this code").click()
    wait_until_sent(page)
    assert [r["outcome"] for r in readings_of(page, "RE-1")] == ["severe"]


def test_photos_of_an_account_that_was_made_anew_are_sent(page, server, photos):
    """A register put back from a backup knows a worker by another account of her name."""
    sign_in(page, server)
    out_of_reach(page, server)
    keep(page, "RE-2", photos["fine"])
    page.evaluate(
        "Queue.all().then(([one]) => Queue.put({ ...one, account_id: 'as it was before' }))"
    )
    server.start()
    page.goto("/unsent")
    wait_until_sent(page)
    assert len(readings_of(page, "RE-2")) == 1
    expect(page.locator("#arrived-list")).to_contain_text("RE-2")


@pytest.mark.parametrize("by", ["seen", "sign-out"])
def test_what_one_worker_has_not_seen_another_does_not_take_away(page, server, photos, by):
    """Her sign-in ran out, another took the phone, and a severe result went unread."""
    code = f"RE-3{len(by)}"
    sign_in(page, server)
    out_of_reach(page, server)
    keep(page, code, photos["severe"])
    server.start()
    page.goto("/unsent")
    wait_until_sent(page)
    sign_in_anew(page, server, "supervisor")
    if by == "seen":
        out_of_reach(page, server)
        keep(page, "RE-39", photos["fine"])
        server.start()
        page.goto("/unsent")
        wait_until_sent(page)
        page.get_by_role("button", name="I have seen these").click()
        expect(page.locator("#arrived-list a")).to_have_count(0)
    else:
        page.goto("/more")
        page.get_by_role("button", name="Sign out").click()
        page.wait_for_url("**/sign-in*")
        server.cookies.pop("supervisor")
    sign_in_anew(page, server)
    page.goto("/unsent")
    expect(page.locator("#arrived-list")).to_contain_text(f"{code} Severe")
    page.get_by_role("button", name="I have seen these").click()


def test_a_result_that_nobody_has_seen_stays_when_the_phones_clock_is_set(page, server, photos):
    """A phone whose battery was empty starts years ago, until a network sets its clock."""
    page.clock.install(time=dt.datetime.now(dt.UTC) - dt.timedelta(days=2000))
    sign_in(page, server)
    out_of_reach(page, server)
    keep(page, "RE-4", photos["severe"], asked=True)
    server.start()
    page.get_by_role("button", name="Send now").click()
    wait_until_sent(page)
    page.clock.set_system_time(dt.datetime.now(dt.UTC))
    page.evaluate("refreshKept()")
    expect(page.locator("#arrived-list")).to_contain_text("RE-4 Severe")
    page.goto("/")
    expect(page.locator("#arrived-badge")).to_have_class("unsent-badge urgent")
    # It goes after two days by the server's clock.
    page.evaluate("Queue.forgetOld(-47 * 3600 * 1000)")
    until(page, "Queue.results(lastAccount().id).then(told => told.length === 1)")
    page.evaluate("Queue.forgetOld(-49 * 3600 * 1000)")
    until(page, "Queue.results(lastAccount().id).then(told => told.length === 0)")


@pytest.mark.parametrize("women", [1, 2])
def test_a_code_written_almost_like_another_is_asked_about_when_the_photo_comes_in(
    page, server, photos, women
):
    sign_in(page, server)
    mine, other = (f"{code}{women}" for code in ("RE-0005", "RE-005"))
    add_woman(page, mine)
    out_of_reach(page, server)
    keep(page, other, photos["anaemic"])
    server.start()
    page.goto("/unsent")
    row = page.locator("#unsent-list")
    expect(row).to_contain_text(f"the register has {mine}, which is written almost alike.")
    row.get_by_label("Her code in your register").fill(mine if women == 1 else other)
    row.get_by_role("button", name="Send it under this code").click()
    wait_until_sent(page)
    assert len(readings_of(page, mine if women == 1 else other)) == 1
    codes = [w["code"] for w in page.request.get("/api/women").json()]
    assert (other in codes) is (women == 2)


def test_what_is_asked_of_a_photo_is_asked_of_who_took_it(page, server, photos):
    """Another on the same phone could discard it, or give it to another woman."""
    sign_in(page, server)
    add_woman(page, "RE-0061")
    out_of_reach(page, server)
    keep(page, "RE-061", photos["severe"])
    server.start()
    page.goto("/unsent")
    row = page.locator("#unsent-list")
    expect(row.get_by_role("button")).to_have_text(["Send it under this code", "Discard"])
    sign_in_anew(page, server, "supervisor")
    page.goto("/unsent")
    expect(row).to_contain_text("Waits for worker to sign in.")
    expect(row.get_by_role("button")).to_have_count(0)
    sign_in_anew(page, server)
    page.goto("/unsent")
    row.get_by_label("Her code in your register").fill("RE-0061")
    row.get_by_role("button", name="Send it under this code").click()
    wait_until_sent(page)
    assert len(readings_of(page, "RE-0061")) == 1


FULL = """() => {
  // Nothing asks the worker beside the page to send it.
  Object.defineProperty(ServiceWorkerRegistration.prototype, "sync", { get: () => undefined });
  const { put, delete: remove } = IDBObjectStore.prototype;
  let full = true;
  IDBObjectStore.prototype.put = function (...given) {
    if (full) throw new DOMException("no room", "QuotaExceededError");
    return put.apply(this, given);
  };
  IDBObjectStore.prototype.delete = function (...given) {
    if (this.name === "photos") full = false;
    return remove.apply(this, given);
  };
}"""
"""A phone that has no room before a photo is gone."""


def test_a_phone_that_is_full_tells_what_became_of_its_photo(page, server, photos):
    sign_in(page, server)
    out_of_reach(page, server)
    keep(page, "RE-7", photos["severe"])
    page.evaluate(FULL)
    server.start()
    page.get_by_role("button", name="Send now").click()
    wait_until_sent(page)
    page.evaluate("refreshKept()")
    expect(page.locator("#arrived-list")).to_contain_text("RE-7 Severe")


def test_with_the_server_in_reach_the_form_itself_asks_whose_code_it_is(page, server, photos, axe):
    sign_in(page, server)
    add_woman(page, "RE-0081")
    page.goto("/unsent")
    page.get_by_label("Her code in your register").fill("RE-081")
    choose_photo(page, photos["anaemic"])
    page.get_by_role("button", name="Keep and send").click()
    asked = page.locator(".photo-form .form-status")
    expect(asked).to_contain_text("the register has RE-0081, which is written almost alike.")
    check_page(page, axe, "/unsent")
    asked.get_by_role("button", name="Send it under this code").click()
    expect(asked.get_by_label("Her code in your register")).to_be_focused()
    asked.get_by_label("Her code in your register").fill("re-0081")
    asked.get_by_role("button", name="Send it under this code").click()
    page.wait_for_url("**/readings/*", timeout=40_000)
    assert len(readings_of(page, "RE-0081")) == 1
