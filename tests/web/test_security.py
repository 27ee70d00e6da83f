"""Who may do what, and what is refused."""

from __future__ import annotations

import datetime as dt
import re

import pytest
from fastapi.testclient import TestClient
from people import PASSWORD, Person
from sqlalchemy import func, select
from webfakes import photo

from cardreader.register import audit
from cardreader.register.accounts import SessionLimits
from cardreader.register.base import utc_now
from cardreader.register.models import AuditEntry, SignIn, Woman

PAGES = {
    "worker": {"/", "/women", "/women/new", "/lists/due", "/summary", "/more", "/password"},
    "supervisor": {
        "/",
        "/women/new",
        "/summary",
        "/exchange",
        "/people",
        "/audit",
        "/registers",
        "/more",
    },
    "researcher": {"/summary", "/exchange", "/more", "/password"},
}
FORBIDDEN = {
    "worker": {"/exchange", "/exchange/readings.csv", "/people", "/audit", "/registers"},
    "supervisor": set(),
    "researcher": {"/women", "/women/new", "/lists/due", "/people", "/audit", "/api/women"},
}


@pytest.mark.parametrize("role", list(PAGES))
def test_roles(app, role):
    person = Person(app, role)
    assert {path: person.get(path).status_code for path in PAGES[role]} == dict.fromkeys(
        PAGES[role], 200
    )
    assert {path: person.get(path).status_code for path in FORBIDDEN[role]} == dict.fromkeys(
        FORBIDDEN[role], 403
    )


def test_no_page_but_the_open_ones_answers_without_a_sign_in(app):
    client = TestClient(app, follow_redirects=False)
    opened = []
    for pattern, methods in _routes(app):
        path = re.sub(r"\{[^}]*\}", "x", pattern)
        for method in set(methods) - {"HEAD"}:
            answer = client.request(method, path)
            redirected = answer.headers.get("location", "").startswith("/sign-in")
            if not (redirected or answer.status_code in (401, 403)):
                opened.append((method, path))
    assert set(opened) == {
        ("GET", "/sign-in"),
        ("GET", "/unsent"),  # holds nothing of anybody
        ("GET", "/first"),  # not there but at a phone's first start, and then by its token
        ("POST", "/first"),
        ("GET", "/sw.js"),
        ("GET", "/manifest.webmanifest"),
        ("GET", "/api/openapi.json"),
        ("POST", "/language"),
        ("POST", "/scheme"),
        ("POST", "/api/meeting/greet"),  # another register, which has a code and no account
        ("POST", "/api/meeting/x/prove"),
    }


def _routes(app):
    from fastapi.routing import APIRoute
    from starlette.routing import Route

    found = set()

    def walk(router, before):
        # A router's own routes have its prefix in their path; of those inside it, it has not.
        for route in router.routes:
            if isinstance(route, APIRoute | Route):
                found.add((before + route.path, tuple(sorted(route.methods))))
            inner = getattr(route, "original_router", None) or getattr(route, "router", None)
            if inner is not None and hasattr(inner, "routes"):
                walk(inner, before + getattr(router, "prefix", ""))

    walk(app, "")
    assert len(found) > 35
    return sorted(found)


def test_forms_need_their_token(app, worker):
    count = women(app)
    answer = worker.client.post("/women/new", data={"code": "KX-1"})
    assert answer.status_code == 403
    answer = worker.client.post("/women/new", data={"code": "KX-1", "csrf": "x" * 32})
    assert answer.status_code == 403
    # Another person's token is none either.
    other = Person(app, "supervisor")
    answer = worker.client.post("/women/new", data={"code": "KX-1", "csrf": other.csrf})
    assert answer.status_code == 403
    answer = worker.client.post("/api/women", json={"code": "KX-1"})
    assert answer.status_code == 403
    assert women(app) == count


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "http://elsewhere.example"},
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},
        {"Origin": "null"},
    ],
)
def test_other_sites_are_refused(app, worker, headers):
    answer = worker.client.post(
        "/women/new", data={"code": "KX-1", "csrf": worker.csrf}, headers=headers
    )
    assert answer.status_code == 403
    answer = TestClient(app).post(
        "/sign-in", data={"name": "worker", "password": PASSWORD}, headers=headers
    )
    assert answer.status_code == 403


def women(app) -> int:
    with app.state.database.read() as session:
        return session.scalar(select(func.count()).select_from(Woman))


def test_cookie_is_closed_to_scripts_and_other_sites(make_app):
    app = make_app(secure_cookies=True)
    client = TestClient(app, base_url="https://testserver", follow_redirects=False)
    answer = client.post("/sign-in", data={"name": "worker", "password": PASSWORD})
    cookie = answer.headers["set-cookie"].lower()
    for word in ("httponly", "samesite=strict", "secure", "path=/"):
        assert word in cookie


def test_only_a_hash_of_the_token_is_kept(app, worker):
    token = worker.client.cookies["signed_in"]
    with app.state.database.read() as session:
        assert all(token not in row.token_hash for row in session.scalars(select(SignIn)))


def test_sign_in_ends_idle_and_after_a_day(make_app):
    app = make_app(session=SessionLimits(dt.timedelta(minutes=30), dt.timedelta(hours=12)))
    person = Person(app, "worker")

    def shift(**changes):
        with app.state.database.write() as session:
            for row in session.scalars(select(SignIn)):
                for name, age in changes.items():
                    setattr(row, name, utc_now() - age)

    shift(seen_at=dt.timedelta(minutes=29))
    assert person.get("/").status_code == 200
    shift(seen_at=dt.timedelta(minutes=31))
    assert person.get("/").status_code == 303
    person = Person(app, "worker")
    shift(started_at=dt.timedelta(hours=11, minutes=59))
    assert person.get("/").status_code == 200
    shift(started_at=dt.timedelta(hours=12, minutes=1))
    assert person.get("/").status_code == 303


def test_signing_out_ends_it_on_the_server(worker):
    token = worker.client.cookies["signed_in"]
    worker.post("/sign-out")
    worker.client.cookies.set("signed_in", token)
    assert worker.get("/").status_code == 303


def test_closed_account_is_out_at_once(app, worker, supervisor):
    page = supervisor.get("/people").text
    worker_id = re.search(r'action="/people/([^"]+)"', page.split("<summary>worker")[1])[1]
    supervisor.post(f"/people/{worker_id}", what="disable")
    assert worker.get("/").status_code == 303


def test_supervisor_cannot_lock_themselves_out(app, supervisor):
    own = supervisor.client.get("/api/session").json()["account_id"]
    supervisor.post(f"/people/{own}", what="disable")
    assert supervisor.get("/people").status_code == 200


def test_many_requests_are_slowed(make_app):
    client = TestClient(make_app(requests_a_minute=10))
    codes = [client.get("/sign-in").status_code for _ in range(12)]
    assert codes == [200] * 10 + [429] * 2


def test_uploads_have_a_limit(make_app):
    app = make_app(upload_limit_bytes=200_000, form_limit_bytes=20_000)
    worker = Person(app, "worker")
    visit = worker.open_visit(worker.add_woman("KX-1"))
    assert worker.send_photo(visit, b"x" * 150_000).status_code == 201
    assert worker.send_photo(visit, b"x" * 250_000).status_code == 413
    assert worker.post("/women/new", code="x" * 30_000).status_code == 413

    def chunks():  # no Content-Length to go by
        for _ in range(60):
            yield b"x" * 10_000

    answer = worker.client.post(
        "/api/photos",
        content=chunks(),
        headers={"X-CSRF-Token": worker.csrf, "Content-Type": "multipart/form-data; boundary=b"},
    )
    assert answer.status_code == 413


def test_headers_on_every_answer(app, worker):
    for path in ("/sign-in", "/", "/static/app.js", "/api/session", "/nothing-here"):
        headers = worker.get(path).headers
        policy = headers["content-security-policy"]
        assert "default-src 'none'" in policy
        assert "unsafe" not in policy
        assert "frame-ancestors 'none'" in policy
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["referrer-policy"] == "same-origin"
    assert worker.get("/").headers["cache-control"] == "no-store"


def test_templates_hold_no_script_style_or_outside_address():
    from cardreader.web.app import STATIC
    from cardreader.web.render import TEMPLATES

    for path in TEMPLATES.glob("*.html"):
        text = path.read_text()
        assert not re.search(r"<script(?![^>]*\bsrc=)", text), path
        assert not re.search(r"\son\w+=|style=|<style", text), path
    for path in [*TEMPLATES.glob("*.html"), *STATIC.glob("*.*s")]:
        assert not re.search(r"https?://(?!www\.w3\.org)", path.read_text()), path


def test_text_typed_in_is_never_markup(worker, app):
    supervisor = Person(app, "supervisor")
    woman = worker.add_woman("KX-1")
    evil = "<img src=x onerror=alert(1)>"
    worker.post(
        f"{woman}/lab",
        value="9.1",
        on=dt.date.today().isoformat(),
        method=evil,
        submission_key="evil-key-1",
    )
    supervisor.post("/people", name=evil, role="worker", password="a long password")
    for page in (supervisor.get("/people"), worker.get(woman)):
        assert "<img" not in page.text
    assert "<img" not in worker.get("/women?find=%3Cimg%20src=x%3E").text


@pytest.mark.parametrize(
    "target", ["//elsewhere.example", "https://elsewhere.example", "/\\elsewhere", "javascript:x"]
)
def test_sign_in_leads_nowhere_else(app, target):
    client = TestClient(app, follow_redirects=False)
    answer = client.post("/sign-in", data={"name": "worker", "password": PASSWORD, "next": target})
    assert answer.headers["location"] == "/"


def test_audit_tells_who_did_what_without_codes(app, worker):
    woman = worker.add_woman("KX-777")
    worker.send_photo(worker.open_visit(woman), photo(5.0))
    with app.state.database.read() as session:
        entries = session.scalars(select(AuditEntry)).all()
        assert audit.check(session)
    actions = {entry.action for entry in entries}
    assert {"sign_in", "woman.add", "visit.open", "reading.photo", "referral.open"} <= actions
    assert not any("KX-777" in entry.detail + entry.subject for entry in entries)
