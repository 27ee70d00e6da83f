"""What she is told comes from the protocol file, and a bad sentence is refused in one line."""

from __future__ import annotations

import pytest

from cardreader.core.shipped import shipped
from cardreader.decide.protocolfile import load_protocol, parse_protocol
from cardreader.decide.tomltable import ProtocolError

WITHOUT = shipped("protocols", "who-2024.toml").read_text(encoding="utf-8")


def test_common_practice_speaks_of_tablets_and_food_and_names_no_source() -> None:
    counsel = load_protocol().tell_her
    assert any("tea" in text for text in counsel.tablets)
    assert any("children" in text for text in counsel.tablets)
    assert any("green leaves" in text for text in counsel.food)
    assert counsel.source == "common practice, no source"


def test_a_protocol_may_say_nothing() -> None:
    assert not load_protocol("who-2024").tell_her


def parsed(table: str):
    return parse_protocol(f"{WITHOUT}\n[tell_her]\n{table}\n".encode()).tell_her


def test_own_words() -> None:
    counsel = parsed('food = [" Eat millet. "]\nsource = "our district"')
    assert counsel.food == ("Eat millet.",)
    assert counsel


@pytest.mark.parametrize(
    ("table", "fault"),
    [
        ('food = ["Eat millet."]', "tell_her.source is missing"),
        ('food = [""]\nsource = "us"', "tell_her.food holds ''"),
        ('tablets = [3]\nsource = "us"', "tell_her.tablets holds 3"),
        ('food = ["a\\nb"]\nsource = "us"', "a sentence is a line"),
        (f'food = ["{"a" * 201}"]\nsource = "us"', "at most 200 letters"),
        (f'food = {["a"] * 13}\nsource = "us"', "more than 12 sentences"),
        ('foods = ["a"]\nsource = "us"', "tell_her.foods is not a known key"),
    ],
)
def test_what_is_no_counsel(table: str, fault: str) -> None:
    with pytest.raises(ProtocolError, match=fault.replace("[", r"\[")) as raised:
        parsed(table)
    assert "\n" not in str(raised.value)
