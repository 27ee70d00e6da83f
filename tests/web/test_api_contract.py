"""The API against its own description: schemathesis sends what fits it and what doesn't."""

from __future__ import annotations

import pytest
import schemathesis
from hypothesis import HealthCheck, assume, given, settings
from people import Person
from schemathesis import GenerationMode
from schemathesis.specs.openapi.checks import positive_data_acceptance

CODE = "KX-901"


@pytest.fixture(scope="module")
def api_person(tmp_path_factory):
    """A signed-in supervisor of an application for the whole module."""
    from webfakes import FakeReader

    from cardreader.register import accounts
    from cardreader.register.kinds import Role
    from cardreader.web.app import create_app
    from cardreader.web.settings import Settings

    folder = tmp_path_factory.mktemp("api") / "data"
    app = create_app(Settings(data=folder, requests_a_minute=1_000_000), FakeReader())
    with app.state.database.write() as session:
        accounts.add_account(session, "supervisor", Role.SUPERVISOR, "a long invented password")
    person = Person(app, "supervisor")
    person.add_woman(CODE)
    yield person
    app.state.shared.uploads.close()
    app.state.database.close()


@pytest.fixture(scope="module")
def operations(api_person):
    """Every operation of the API's own OpenAPI description, by name."""
    schema = schemathesis.openapi.from_asgi("/api/openapi.json", api_person.app)
    found = [result.ok() for result in schema.get_all_operations()]
    return {operation.label: operation for operation in found}


OPERATIONS = [
    "GET /api/session",
    "GET /api/women",
    "POST /api/women",
    "GET /api/women/{woman_id}",
    "GET /api/women/{woman_id}/readings",
    "GET /api/women/{woman_id}/events",
    "GET /api/women/{woman_id}/referrals",
    "GET /api/month",
    "POST /api/women/{woman_id}/tube",
    "POST /api/women/{woman_id}/lab",
    "POST /api/photos",
    "POST /api/visits/{visit_id}/photos",
    "GET /api/readings/{reading_id}",
    "POST /api/readings/{reading_id}/original",
    "GET /api/uploads/{key}",
    "PUT /api/uploads/{key}",
    "DELETE /api/uploads/{key}",
    "GET /api/calibration",
    "GET /api/calibrations",
    "POST /api/calibration",
]
# Nothing can be wrong in a call that takes nothing.
TAKES_NOTHING = ("GET /api/session", "GET /api/calibration", "GET /api/calibrations")

TRIED = [
    (name, mode)
    for name in OPERATIONS
    for mode in GenerationMode
    if name not in TAKES_NOTHING or mode is not GenerationMode.NEGATIVE
]
# That a result's date lies in the past year can't be said in the description, nor that a photo
# comes with the form or in pieces before it, nor what this server takes at most.
NOT_SAYABLE = {
    name: [positive_data_acceptance]
    for name in (
        "POST /api/women/{woman_id}/lab",
        "POST /api/photos",
        "POST /api/visits/{visit_id}/photos",
        "POST /api/readings/{reading_id}/original",
        "PUT /api/uploads/{key}",
    )
}


def _sends_anything_as_file(case):
    """Whatever is sent as a file is one: bytes, as far as the server can tell."""
    body = case.body
    return isinstance(body, dict) and not isinstance(body.get("photo", b""), bytes | str)


def _has_empty_field(case):
    """An empty field of a form is one that was left out, whatever its format."""
    body = case.body
    return isinstance(body, dict) and any(value in ("", b"") for value in body.values())


@pytest.mark.parametrize("calls", [8, pytest.param(20, marks=pytest.mark.slow)])
@pytest.mark.parametrize(("name", "mode"), TRIED)
def test_api_keeps_its_own_description(operations, api_person, name, mode, calls):
    strategy = operations[name].as_strategy(generation_mode=mode)

    @given(case=strategy)
    @settings(
        max_examples=calls,
        derandomize=True,
        database=None,
        suppress_health_check=list(HealthCheck),
    )
    def check(case):
        if mode is GenerationMode.NEGATIVE:
            assume(not _has_empty_field(case) and not _sends_anything_as_file(case))
        case.headers = {**(case.headers or {}), "X-CSRF-Token": api_person.csrf}
        case.call_and_validate(
            cookies=dict(api_person.client.cookies), excluded_checks=NOT_SAYABLE.get(name, [])
        )

    check()


def test_every_operation_is_tried(operations):
    assert set(operations) == set(OPERATIONS)
