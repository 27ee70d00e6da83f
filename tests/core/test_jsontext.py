"""JSON text is the very text of the standard library."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cardreader.core.jsontext import indented
from cardreader.core.shipped import shipped

FINITE = st.floats(allow_nan=False, allow_infinity=False)
VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | FINITE | st.text(),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(), inner, max_size=4),
)


@settings(max_examples=100)
@given(st.dictionaries(st.text(), VALUES, max_size=4))
def test_any_value(value: dict[str, Any]) -> None:
    assert indented(value) == json.dumps(value, indent=1) + "\n"


@settings(max_examples=10)
@given(st.lists(FINITE, min_size=1, max_size=40), st.integers(1000, 1010))
def test_long_lists_of_numbers(few: list[float], length: int) -> None:
    numbers = (few * length)[:length]
    value = {"a": numbers, "b": {"c": numbers, "d": [*numbers, 1]}}
    assert indented(value) == json.dumps(value, indent=1) + "\n"


def test_numbers_that_are_equal_and_written_otherwise() -> None:
    for zero in (0.0, -0.0, 0.0):
        value = {"a": [zero] * 1000, "b": {"c": [zero] * 1000}}
        assert indented(value) == json.dumps(value, indent=1) + "\n"


def test_the_shipped_calibration() -> None:
    text = (shipped("default") / "model.json").read_text(encoding="utf-8")
    assert indented(json.loads(text)) == text


@pytest.mark.parametrize("number", [float("nan"), float("inf")])
def test_what_is_not_finite_is_refused(number: float) -> None:
    for numbers in ([number], [number] * 1000):
        with pytest.raises(ValueError, match=r"[Ff]inite|compliant"):
            indented({"a": numbers})
