"""Values that are no haemoglobin in g/dL, and weeks that were mistyped, as a worker enters them."""

from __future__ import annotations

import html

import pytest
from days import today
from people import Person
from sqlalchemy import select

from cardreader.register.models import Reading, Visit

HARDLY = "Blood hardly ever holds"


def entered(app) -> int:
    """Readings and visits that are there."""
    with app.state.database.read() as session:
        return len(session.scalars(select(Reading)).all() + session.scalars(select(Visit)).all())


def tube(person: Person, woman: str, value: str, unit: str, **fields: str):
    given = {"value": value, "unit": unit, **fields}
    return person.post(f"{woman}/tube", submission_key="tubekey-1", **given)


@pytest.mark.parametrize(("value", "unit"), [("22", "g_dl"), ("18", "g_dl"), ("130", "percent")])
def test_percent_of_the_tube_is_not_taken_for_g_dl(app, worker, value, unit):
    """22 % are 3.3 g/dL: as g/dL they would be the best value of the day."""
    woman = worker.add_woman("KX-801")
    asked = tube(worker, woman, value, unit)
    assert asked.status_code == 409
    assert HARDLY in html.unescape(asked.text)
    assert entered(app) == 0
    assert tube(worker, woman, value, unit, sure="yes").status_code == 303


def test_usual_values_of_the_tube_are_not_asked_about(worker):
    woman = worker.add_woman("KX-802")
    assert tube(worker, woman, "17.5", "g_dl").status_code == 303


def test_percent_on_paper_is_asked_about_before_anything_is_entered(app, worker):
    line = {"code": "KX-803", "on": today().isoformat(), "value": "21", "unit": "g_dl"}
    line |= {"submission_key": "paper-key-1", "tablets_given": "30", "sent": "yes"}
    asked = worker.post("/paper/enter", **line)
    assert asked.status_code == 422
    assert HARDLY in html.unescape(asked.text)
    assert 'value="KX-803"' in asked.text
    assert entered(app) == 0
    sure = worker.post("/paper/enter", **line, sure="yes")
    assert sure.status_code == 200
    assert entered(app) == 2


def test_a_haematocrit_is_not_taken_for_a_laboratorys_haemoglobin(app, worker):
    woman = worker.add_woman("KX-804")
    given = {"value": "22", "on": today().isoformat(), "method": "Cell counter"}
    asked = worker.post(f"{woman}/lab", submission_key="labkey-1", **given)
    assert asked.status_code == 409
    assert HARDLY in html.unescape(asked.text)
    table = f"code,date,hb_g_dl,method\nKX-804,{today()},22,Cell counter\n"
    supervisor = Person(app, "supervisor")
    answer = supervisor.post("/exchange/import", files={"table": ("t.csv", table.encode())})
    assert "hardly ever so high: enter it by hand" in answer.text
    assert entered(app) == 0
    sure = worker.post(f"{woman}/lab", submission_key="labkey-1", **given, sure="yes")
    assert sure.status_code == 303


def test_mmol_l_are_told_how_to_be_entered_and_a_table_of_them_is_asked_about(app, worker):
    supervisor = Person(app, "supervisor")
    lines = ["code,date,hb_g_dl,method"]
    for number, value in enumerate((7.4, 5.1, 6.8, 8.0, 6.1)):
        woman = worker.add_woman(f"KX-81{number}")
        lines.append(f"KX-81{number},{today()},{value},Cell counter")
    assert "In mmol/L: times 1.611." in worker.get(f"{woman}/lab").text
    asked = "these results look like mmol/L"
    for rows, found in ((lines[:5], False), (lines, True)):
        table = "\n".join(rows).encode()
        answer = supervisor.post("/exchange/import", files={"table": ("t.csv", table)})
        assert (asked in answer.text) is found
    assert entered(app) == 5


def test_the_api_asks_about_them_too(worker):
    woman = worker.add_woman("KX-805")
    body = {"submission_key": "tube-api-1", "unit": "g_dl", "value": 22.0}
    asked = worker.api("POST", f"/api{woman}/tube", json=body)
    assert asked.status_code == 409
    assert HARDLY in asked.text
    assert worker.api("POST", f"/api{woman}/tube", json={**body, "sure": True}).status_code == 201


def test_the_code_of_a_record_to_delete_is_taken_as_keyboards_write_it(supervisor):
    """Arabic digits, a long dash and a space, as where she is looked for."""
    woman = supervisor.add_woman("KX-807")
    assert supervisor.post(f"{woman}/remove", code="kx-808").status_code == 422
    typed = "kx\u2013\u0668\u0660 \u0667"
    assert supervisor.post(f"{woman}/remove", code=typed).status_code == 303
    assert supervisor.get(woman).status_code == 404


def test_weeks_mistyped_are_mended_while_the_visit_goes_on(worker):
    woman = worker.add_woman("KX-806", weeks="36")
    worker.open_visit(woman)
    assert 'name="gestation_weeks"' in worker.get(woman).text
    worker.post(f"{woman}/weeks", gestation_weeks="6")
    assert "Week 6 of pregnancy" in worker.get(woman).text


def _by_api(worker, number: int, value: float, unit: str | None = "g_dl", **more):
    woman = worker.add_woman(f"KX-82{number}")
    body = {
        "submission_key": f"lab-unit-{number}",
        "value": value,
        "unit": unit,
        "method": "Cell counter",
        "on": today().isoformat(),
        **more,
    }
    body = {name: given for name, given in body.items() if given is not None}
    return worker.api("POST", f"/api{woman}/lab", json=body)


def test_the_api_takes_no_laboratory_value_without_its_unit(app, worker):
    refused = _by_api(worker, 1, 7.0, unit=None, hb_g_dl=7.0)
    assert refused.status_code == 422
    assert "unit" in refused.text
    assert entered(app) == 0
    # 0.62063 mmol/L for each g/dL: PMC3934467, table 1.
    for number, (value, unit) in enumerate(((11.28, "g_dl"), (112.8, "g_l"), (7.0, "mmol_l"))):
        taken = _by_api(worker, number + 2, value, unit)
        assert taken.status_code == 201
        assert taken.json()["hb_g_dl"] == pytest.approx(7.0 / 0.62063, abs=0.005)
    assert _by_api(worker, 6, 112.8, "mmol_l").status_code == 422


def test_values_of_the_api_that_look_like_mmol_l_are_asked_about(worker):
    """As those of a table are, once there are enough to tell."""
    values = (7.4, 5.1, 6.8, 8.0, 6.1)
    asked = [_by_api(worker, n, v, sure=True).json()["maybe_mmol_l"] for n, v in enumerate(values)]
    assert asked == [False] * 4 + [True]
    assert not _by_api(worker, 7, 7.3, "mmol_l", sure=True).json()["maybe_mmol_l"]
    assert not _by_api(worker, 8, 9.1, method="Photometer").json()["maybe_mmol_l"]


@pytest.mark.parametrize("given", [True, False, "22"])
def test_what_json_calls_no_number_is_none(worker, given):
    """Python takes ``true`` for 1, and a text of digits for a number."""
    body = {"code": "KX-850", "gestation_weeks": given}
    assert worker.api("POST", "/api/women", json=body).status_code == 422
    woman = worker.add_woman("KX-851").removeprefix("/women/")
    entry = {"unit": "g_dl", "value": given}
    for kind, more in (("tube", {}), ("lab", {"method": "counter", "on": today().isoformat()})):
        key = {"submission_key": f"some-key-{kind}"}
        answer = worker.api("POST", f"/api/women/{woman}/{kind}", json=key | entry | more)
        assert answer.status_code == 422, kind
        answer = worker.api(
            "POST", f"/api/women/{woman}/{kind}", json=key | entry | more | {"value": 9}
        )
        assert answer.status_code == 201, kind


@pytest.mark.parametrize("given", [{}, {"unit": "g/dl"}, {"unit": None}, {"unit": ["g_dl"]}])
@pytest.mark.parametrize(
    ("kind", "choice"),
    [
        ("lab", "send g_dl, g_l or mmol_l, as the laboratory's slip has it"),
        ("tube", "send g_dl or percent, as the scale that was read"),
    ],
)
def test_a_unit_that_is_not_told_is_asked_for_in_one_line(worker, kind, choice, given):
    woman = worker.add_woman("KX-960")
    body = {"submission_key": "unit-key-960", "value": 9.3, "method": "x", "on": "2026-11-01"}
    answer = worker.api("POST", f"/api{woman}/{kind}", json=body | given)
    assert answer.status_code == 422
    (told,) = answer.json()["detail"]
    assert told["loc"] == ["body", "unit"]
    assert told["msg"] == f"missing or not known: {choice}"
