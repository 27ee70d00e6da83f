"""The one JSON and the plain text of a reading."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from datetime import date, datetime
from decimal import Decimal
from types import SimpleNamespace

import jsonschema
import pytest
from fakes import reading, refused
from hypothesis import given
from hypothesis import strategies as st

from cardreader.core.refusal import Reason, Refusal
from cardreader.decide.statements import TEXT, Statement
from cardreader.decide.subject import Smoking, Subject
from cardreader.result.asjson import SCHEMA, dumps, reading_json, reading_schema, rounded
from cardreader.result.astext import chance, interval_text, reading_text

CASES = {
    "severe": reading(5.5),
    "may be severe": reading(7.6),
    "anaemic": reading(9.0),
    "may be anaemic": reading(11.2),
    "not anaemic": reading(13.2),
    "by trimester, high up": reading(
        10.0,
        protocol_id="who-2024",
        subject=Subject(gestation_weeks=20, elevation_m=2300.0, smoking=Smoking.SOME),
    ),
    "trimester unknown": reading(10.0, protocol_id="who-2024"),
    "measured": reading(9.0, basis="measured", calibration_basis="measured"),
    "no image": refused(Reason.NOT_AN_IMAGE),
    "no card": refused(Reason.NO_CARD),
    "blot missing": refused(Reason.BLOT_MISSING, with_card=True),
    "out of range": refused(Reason.OUT_OF_RANGE, with_card=True),
}
cases = pytest.mark.parametrize("case", CASES.values(), ids=CASES.keys())


@pytest.fixture(scope="module")
def schema() -> jsonschema.Draft202012Validator:
    jsonschema.Draft202012Validator.check_schema(reading_schema())
    return jsonschema.Draft202012Validator(reading_schema())


@cases
def test_json_fulfils_the_schema(case: SimpleNamespace, schema) -> None:
    schema.validate(json.loads(dumps(reading_json(case))))


@cases
def test_json_is_sorted_and_the_same_each_time(case: SimpleNamespace) -> None:
    value = reading_json(case)
    assert list(value) == sorted(value)
    assert json.dumps(value) == json.dumps(value, sort_keys=True)
    assert dumps(value) == dumps(reading_json(case))


def test_schema_catches_a_normal_result_from_a_refused_photo() -> None:
    validator = jsonschema.Draft202012Validator(reading_schema())
    wrong = reading_json(CASES["no card"])
    wrong["decision"] = reading_json(CASES["not anaemic"])["decision"]
    assert not validator.is_valid(wrong)
    unconfirmed = reading_json(CASES["anaemic"])
    unconfirmed["decision"]["confirm"] = False
    assert not validator.is_valid(unconfirmed)
    extra = reading_json(CASES["anaemic"]) | {"name": "somebody"}
    assert not validator.is_valid(extra)


def test_json_values() -> None:
    value = reading_json(CASES["anaemic"])
    assert value["hb"]["g_dl"] == 9.0
    assert value["hb"]["g_l"] == 90.0
    assert value["hb"]["interval"]["low_g_dl"] == pytest.approx(9 - 1.6449 * 0.6, abs=5e-4)
    assert value["hb"]["sd"]["measurement_g_dl"] == 0.4123
    # Normal table: 3.33 standard deviations below and above.
    assert value["hb"]["p_below_7"] == pytest.approx(0.00043, abs=1e-5)
    assert value["hb"]["p_below_11"] == pytest.approx(0.99957, abs=1e-4)
    assert value["blot"]["area_mm2"] == 78.91
    assert value["photo"]["taken"] == "2026-03-04T09:30:00"
    assert value["card"]["expires"] == "2030-01-31"
    assert value["calibration"]["statement"]["text"] == (
        "Calibrated on simulated photos only: no clinical accuracy is claimed."
    )
    assert reading_json(CASES["measured"])["calibration"]["statement"] is None


def test_a_card_that_no_instrument_measured_says_so() -> None:
    assert "Card colours assumed, not measured: less sure." in reading_text(reading())
    case = reading(basis="measured")
    assert reading_json(case)["card"]["statement"] is None
    case.lot.is_demonstration = True
    assert reading_json(case)["card"]["statement"]["code"] == "simulated_lot"
    assert "a simulated one, for demonstration only." in " ".join(reading_text(case).split())


def test_any_calibration_not_measured_is_called_simulated() -> None:
    for basis in ("simulated", "", "unheard of"):
        value = reading_json(reading(calibration_basis=basis))
        assert value["calibration"]["statement"]["code"] == "simulated_calibration"


@given(st.floats(-1e300, 1e300))
def test_rounding_keeps_four_digits(value: float) -> None:
    assert rounded(value) == pytest.approx(value, rel=5.01e-4, abs=1e-300)
    assert len(Decimal(repr(rounded(value))).normalize().as_tuple().digits) <= 4


@pytest.mark.parametrize("value", [float("nan"), float("inf")])
def test_what_is_no_number_is_a_mistake(value: float) -> None:
    with pytest.raises(ValueError, match="no place in a reading"):
        rounded(value)


@cases
def test_text_carries_what_it_must(case: SimpleNamespace) -> None:
    text = " ".join(reading_text(case).split())
    assert "Screening only. This is not a diagnosis." in text
    assert "blood test" in text
    assert "Local protocol and licensed staff decide" in text
    assert "infectious" in text
    assert "sharps box" in text
    if case.calibration_basis == "simulated":
        assert "no clinical accuracy is claimed" in text


@cases
def test_text_fits_a_small_screen(case: SimpleNamespace) -> None:
    lines = reading_text(case).splitlines()
    assert max(map(len, lines)) <= 72
    assert len(lines) <= 28
    assert all(line == line.rstrip() for line in lines)


def test_text_says_words_before_numbers() -> None:
    lines = reading_text(CASES["anaemic"]).splitlines()
    assert lines[0] == "Anaemia is likely: mild to moderate."
    assert lines[2] == "Haemoglobin about 9.0 g/dL (90 g/L)."
    assert lines[3] == "Nine times in ten between 8.0 and 10.0 g/dL."
    assert not re.search(r"\d", lines[0])


def test_text_of_a_refusal_gives_no_number() -> None:
    text = reading_text(CASES["no card"])
    assert text.startswith("Not read. This does not mean that she is well.")
    assert "No card was found" in text
    assert "g/dL" not in text
    assert "unlikely" not in text


def test_text_of_an_adjusted_reading() -> None:
    # 0.0056384 * 2300 + 0.0000003 * 2300**2 = 14.555 g/L, and 3 g/L for a smoker.
    text = reading_text(CASES["by trimester, high up"])
    assert "Judged as 8.2 g/dL: 1.8 taken off for elevation or smoking." in text


@pytest.mark.parametrize(
    ("p", "words"),
    [
        (0, "under 1 in 100"),
        (0.004, "under 1 in 100"),
        (0.03, "3 in 100"),
        (0.5, "50 in 100"),
        (0.994, "99 in 100"),
        (0.996, "over 99 in 100"),
        (1, "over 99 in 100"),
    ],
)
def test_chance(p: float, words: str) -> None:
    assert chance(p) == words


@given(st.floats(3, 18), st.floats(0.1, 2))
def test_interval_in_words_is_never_narrower(hb_g_dl: float, sd: float) -> None:
    estimate = reading(hb_g_dl, sd).estimate
    low, high = map(float, re.findall(r"-?\d+\.\d", interval_text(estimate)))
    # Than the four digits that JSON gives: words and pages are made from the same ones.
    assert low <= rounded(estimate.interval_g_dl[0])
    assert high >= rounded(estimate.interval_g_dl[1])
    assert high - low <= estimate.interval_g_dl[1] - estimate.interval_g_dl[0] + 0.2001


def test_neither_refused_nor_estimated_is_a_mistake() -> None:
    broken = reading()
    broken.estimate = None
    with pytest.raises(ValueError, match="either refused or has an estimate"):
        reading_text(broken)


def test_dates_are_iso_8601() -> None:
    value = reading_json(CASES["anaemic"])
    assert datetime.fromisoformat(value["photo"]["taken"])
    assert date.fromisoformat(value["card"]["expires"])


def test_schema_names_this_version() -> None:
    assert reading_schema()["properties"]["schema"]["const"] == SCHEMA


def test_a_blot_that_may_shine_is_said_to_and_another_photo_is_asked_for() -> None:
    case = reading()
    assert "statement" not in reading_json(case)["blot"]
    case.blot = SimpleNamespace(**{**vars(case.blot), "reflection": True})
    value = reading_json(case)
    jsonschema.validate(value, reading_schema(), cls=jsonschema.Draft202012Validator)
    assert value["blot"]["statement"]["code"] == Statement.FAINT_REFLECTION
    sentence = TEXT[Statement.FAINT_REFLECTION]
    assert sentence in " ".join(reading_text(case).split())
    case.estimate, case.refusal = None, Refusal(Reason.OUT_OF_RANGE, "estimate")
    assert "statement" not in reading_json(case)["blot"]


@pytest.mark.parametrize(("side", "so"), [("below", "low"), ("above", "high")])
def test_a_value_beyond_all_pairs_says_so_and_what_to_do(side: str, so: str) -> None:
    case = reading(9.0)
    case.estimate = replace(case.estimate, beyond_pairs=side)
    said = f"No blood test behind the calibration was so {so}: wider interval."
    text = " ".join(reading_text(case).split())
    assert f"{said} Add such women's tests." in text
    value = reading_json(case)
    jsonschema.validate(value, reading_schema(), cls=jsonschema.Draft202012Validator)
    assert value["hb"]["beyond_pairs"]["code"] == f"{side}_pairs"
    among = reading_json(reading(9.0))
    assert "beyond_pairs" not in among["hb"]
