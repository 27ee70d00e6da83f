"""The real reader behind the pages, on sample photos (synthetic)."""

from __future__ import annotations

from pathlib import Path

import pytest

from cardreader.decide.rule import Outcome
from cardreader.decide.statements import Statement
from cardreader.decide.subject import Subject
from cardreader.web.pipelinereader import PipelineReader

GOOD = Path(__file__).parents[2] / "sample_images" / "good"


@pytest.fixture(scope="module")
def reader() -> PipelineReader:
    return PipelineReader.load()


@pytest.fixture(scope="module")
def clear(reader) -> dict:
    """The JSON of a blot read as not anaemic."""
    facts = reader.read((GOOD / "above-14.6-led.jpg").read_bytes(), Subject()).facts
    assert facts.outcome is Outcome.NOT_ANAEMIC
    return facts.detail


def test_one_blot_is_left_as_it_was_read(reader, clear):
    assert reader.combine([clear], Subject(), False).detail == clear


def test_a_pale_blot_beside_it_takes_the_all_clear_away(reader, clear):
    facts = reader.combine([clear], Subject(), True)
    assert facts.outcome is Outcome.UNCERTAIN
    codes = [action["code"] for action in facts.detail["decision"]["actions"]]
    assert Statement.PALE_BLOT in codes
    assert Statement.CONFIRM_AT_FACILITY in codes
    # The value stays what it was; only what may be concluded from it changes.
    assert facts.hb_g_dl == pytest.approx(clear["hb"]["g_dl"], abs=0.01)


def test_two_blots_are_surer_than_one(reader, clear):
    two = reader.combine([clear, clear], Subject(), False)
    assert (
        two.high_g_dl - two.low_g_dl
        < clear["hb"]["interval"]["high_g_dl"] - (clear["hb"]["interval"]["low_g_dl"])
    )
