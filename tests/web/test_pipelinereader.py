"""The real reader behind the pages, on sample photos (synthetic)."""

from __future__ import annotations

import hashlib
import shutil
from pathlib import Path

import jsonschema
import pytest
from twosides import photographed_twice

from cardreader.core.shipped import shipped
from cardreader.decide.protocolfile import DEFAULT, ProtocolSource
from cardreader.decide.rule import Outcome
from cardreader.decide.statements import Statement
from cardreader.decide.subject import Subject
from cardreader.pipeline import read_same_blot
from cardreader.reader import load_reader
from cardreader.register.blots import SIDES
from cardreader.register.database import Database, sqlite_url
from cardreader.result.asjson import reading_json, reading_schema
from cardreader.web.laterreader import LaterReader
from cardreader.web.pipelinereader import PipelineReader
from cardreader.web.sitereader import SiteReader

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


@pytest.mark.parametrize("unknown", [[0, 1], [0]])
def test_what_can_not_be_judged_here_hides_nothing_behind_a_newer_blot(reader, clear, unknown):
    """As where two registers photographed blots of one visit, with cards of different places."""
    photo = (GOOD / "severe-4.8-lamp.jpg").read_bytes()
    severe = reader.read(photo, Subject()).facts
    assert severe.outcome is Outcome.SEVERE
    blots = [
        {**one, "card": {**one["card"], "lot_id": "999999"}} if n in unknown else one
        for n, one in enumerate((severe.detail, clear))
    ]
    together = reader.combine(blots, Subject(), False)
    assert (together.outcome, together.hb_g_dl) == (Outcome.SEVERE, severe.hb_g_dl)
    assert together.refer


def test_what_was_measured_beside_other_colours_of_the_card_stays_as_it_was_judged(reader, clear):
    """Once a lot's print is measured, what was kept from before is not read by it."""
    then = {**clear, "card": {**clear["card"], "basis": "nominal"}, "status": "kept as it was"}
    assert reader.judge_again([then], Subject()).detail == then
    other = {**then, "card": {**clear["card"], "colours": "0" * 16}}
    assert reader.judge_again([other], Subject()).detail == other
    again = reader.judge_again([clear], Subject()).detail
    assert again["hb"] == clear["hb"]


def test_two_sides_are_what_the_command_makes_of_them(reader, tmp_path):
    """The pages' result of two photos of one blot is that of ``read --same-blot``."""
    older, newer = (path.read_bytes() for path in photographed_twice(tmp_path))
    facts = reader.read_same_blot([newer, older], Subject()).facts
    same = read_same_blot([newer, older], load_reader(), Subject())
    sides = facts.detail[SIDES]
    detail = {name: part for name, part in facts.detail.items() if name != SIDES}
    assert detail == reading_json(same.together)
    jsonschema.validate(detail, reading_schema())
    assert facts.sha256 == hashlib.sha256(newer).hexdigest()
    assert [side["hb_g_dl"] for side in sides] == [
        reading_json(alone)["hb"]["g_dl"] for alone in same.readings
    ]
    assert sides[0]["refusal"] is None


def test_a_side_without_a_card_is_said_to_be_that(reader, tmp_path):
    older, _ = (path.read_bytes() for path in photographed_twice(tmp_path))
    facts = reader.read_same_blot([b"no photo", older], Subject()).facts
    assert facts.refusal == "not_an_image"
    assert facts.sha256 == hashlib.sha256(b"no photo").hexdigest()


def test_what_is_judged_here_names_the_protocol_of_here(reader, clear):
    elsewhere = {**clear, "protocol": {"id": "elsewhere", "sha256": "0" * 64}}
    here = {"id": reader.rules.id, "sha256": reader.rules.sha256}
    assert reader.combine([elsewhere], Subject()).detail["protocol"]["id"] == "elsewhere"
    for facts in (
        reader.combine([elsewhere, elsewhere], Subject()),
        reader.combine([elsewhere], Subject(), True),
        reader.judge_again([elsewhere], Subject()),
    ):
        assert facts.detail["protocol"] == here


@pytest.fixture(params=["loaded", "loaded later"])
def site_reader(request, tmp_path):
    """A server's reader, with an empty folder of lots."""
    (tmp_path / "lots").mkdir()
    protocol = ProtocolSource(DEFAULT)

    def load() -> PipelineReader:
        return PipelineReader.load(tmp_path / "lots", None, protocol)

    database = Database(sqlite_url(tmp_path / "register.db"))
    database.migrate()
    yield SiteReader(load() if request.param == "loaded" else LaterReader(protocol, load), database)
    database.close()


def test_a_lot_whose_file_comes_while_the_server_runs_is_known(site_reader, tmp_path):
    """A new print run in the middle of the year: nobody thinks of starting the server again."""
    lots, known = tmp_path / "lots", shipped("lots") / "027002.txt"
    photo = (GOOD / "above-14.6-led.jpg").read_bytes()

    def refusal():
        return site_reader.read(photo, Subject()).facts.refusal

    assert refusal() == "lot_unknown"
    shutil.copy(known, lots)
    assert refusal() is None
    assert "027002" in site_reader.base.named.demonstration_lots

    # One that can't be read, half copied perhaps, takes nothing away, and is told.
    half = lots / "027001.txt"
    half.write_text(known.read_text()[:400])
    assert refusal() is None
    assert "027001.txt" in site_reader.lots_problem
    half.unlink()
    assert site_reader.lots_problem == ""
    assert refusal() is None

    # Nor does a folder that is away for a moment; a file that was taken out does.
    lots.rename(tmp_path / "away")
    assert refusal() is None
    (tmp_path / "away").rename(lots)
    (lots / known.name).unlink()
    assert refusal() == "lot_unknown"


def test_lots_that_did_not_change_are_not_read_again(site_reader, tmp_path):
    shutil.copy(shipped("lots") / "027001.txt", tmp_path / "lots")
    site_reader.read(b"", Subject())
    assert site_reader.now() is site_reader.now()
    assert site_reader.base is site_reader.now()
