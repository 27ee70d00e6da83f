"""The whole chain on sample photos, and that it always answers."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from dataclasses import replace
from datetime import date
from pathlib import Path

import jsonschema
import numpy as np
import pytest

from cardreader.calibrate.papers import papers_of
from cardreader.card.lots import Lots
from cardreader.core.refusal import ADVICE, Reason, Refusal
from cardreader.core.shipped import shipped
from cardreader.decide.protocolfile import load_protocol
from cardreader.decide.rule import Outcome
from cardreader.decide.statements import Statement
from cardreader.decide.subject import Subject
from cardreader.hb.calibration import Calibration
from cardreader.hb.container import load_calibration
from cardreader.hb.lotcolours import LotColours
from cardreader.hb.paper import UNNAMED
from cardreader.pipeline import judge, read_photo
from cardreader.reader import Reader
from cardreader.result.asjson import dumps, reading_json, reading_schema
from cardreader.result.astext import reading_text
from cardreader.result.provisos import lot_statement
from cardreader.result.reading import Findings

ROOT = Path(__file__).parents[1]
SAMPLE = ROOT / "sample_images" / "good" / "moderate-8.3-tube.jpg"


@pytest.fixture(scope="module")
def reader() -> Reader:
    return Reader(
        Lots.load(shipped("lots")),
        Calibration.load(shipped("default")),
        load_protocol(),
        date(2026, 11, 25),
    )


def test_every_stage_leaves_its_result(reader):
    out = read_photo(SAMPLE.read_bytes(), reader)
    assert out.refusal is None
    stages = (
        *(out.photo, out.pose, out.lot, out.banding, out.samples),
        *(out.correction, out.blot, out.estimate),
    )
    assert all(stage is not None for stage in stages)
    assert out.lot_id == "027001"


def test_the_same_photo_gives_the_same_json(reader):
    data = SAMPLE.read_bytes()
    first, second = (dumps(reading_json(read_photo(data, reader))) for _ in range(2))
    assert first == second


@pytest.mark.parametrize("data", [b"", b"no picture", SAMPLE.read_bytes()[:200_000]])
def test_what_is_no_whole_photo_is_refused(reader, data):
    out = read_photo(data, reader)
    assert out.refusal is not None
    assert out.decision.outcome is Outcome.NOT_READ


def test_an_expired_lot_is_refused_on_the_day_after(reader):
    expires = reader.lots[27001].expires
    last = read_photo(SAMPLE.read_bytes(), replace(reader, today=expires))
    after = read_photo(
        SAMPLE.read_bytes(), replace(reader, today=expires.replace(year=expires.year + 1))
    )
    assert last.refusal is None
    assert after.refusal is not None
    assert after.refusal.reason is Reason.LOT_EXPIRED


def test_a_calibration_for_another_lot_is_refused(reader):
    measured = replace(reader.calibration, basis="measured", lots=("000123",))
    other = replace(reader, calibration=measured)
    out = read_photo(SAMPLE.read_bytes(), other)
    assert out.refusal is not None
    assert out.refusal.reason is Reason.CALIBRATION_UNFIT


def test_what_was_learnt_by_the_design_is_not_read_beside_the_measured_print(reader):
    """Else the lot's file, renewed once the print is measured, moves all readings in silence."""
    own = replace(reader.calibration, basis="measured", lots=("027001",))
    wished = Lots([replace(reader.lots[27001], basis="nominal", instrument="")])
    data = SAMPLE.read_bytes()
    for by_design, lots, is_read in (
        ((), reader.lots, True),
        (("027001",), reader.lots, False),
        (("027001",), wished, True),
        (("027002",), reader.lots, True),
    ):
        calibration = replace(own, lots_by_design=by_design)
        out = read_photo(data, replace(reader, calibration=calibration, lots=lots))
        assert (out.refusal is None) is is_read
        if out.refusal is not None:
            assert out.refusal.reason is Reason.LOT_CHANGED
            assert "Fit again" in out.refusal.advice
            assert out.measured is not None


def test_a_lot_whose_file_has_other_colours_is_not_read_until_it_is_fitted_again(reader):
    """Else a lot measured anew moves all readings in silence; the very print measured twice
    does not, and a calibration that doesn't say its colours reads as before."""
    lot = reader.lots[27001]
    own = replace(reader.calibration, basis="measured", lots=("027001",))
    marked = replace(own, lot_colours=(LotColours.of(lot),))
    off = np.random.default_rng(7).normal(0, 1, lot.lab.shape)
    data = SAMPLE.read_bytes()
    for calibration, size, is_read in (
        (marked, 0.0, True),
        (marked, 0.1, True),
        (marked, 0.7, False),
        (own, 0.7, True),
    ):
        lots = Lots([replace(lot, lab=lot.lab + size * off)])
        now = replace(reader, calibration=calibration, lots=lots)
        out = read_photo(data, now)
        assert (out.refusal is None) is is_read, size
        if out.refusal is not None:
            assert out.refusal.reason is Reason.LOT_CHANGED
            assert "put the old file back" in out.refusal.advice
            assert Statement.RETAKE not in out.decision.actions
            assert Statement.CONFIRM_AT_FACILITY in out.decision.actions
            # What was measured beside the colours of the fit is judged as ever.
            kept = Findings(27001, None, out.measured, lot_colours=lot.fingerprint)
            assert judge(kept, now, Subject()).refusal is None
            beside = replace(kept, lot_colours=lots[27001].fingerprint)
            assert judge(beside, now, Subject()).refusal.reason is Reason.LOT_CHANGED


def test_a_lot_known_by_design_only_is_read_wider_and_says_so(reader):
    """The same colours, but nobody measured the print: one photo read both ways."""
    data = SAMPLE.read_bytes()
    lot = reader.lots[27001]
    unmeasured = replace(reader, lots=Lots([replace(lot, basis="nominal", instrument="")]))
    sure, doubtful = read_photo(data, reader), read_photo(data, unmeasured)
    assert sure.estimate is not None
    assert doubtful.estimate is not None
    assert np.ptp(doubtful.estimate.interval_g_dl) > 1.5 * np.ptp(sure.estimate.interval_g_dl)
    assert lot_statement(doubtful) is Statement.NOMINAL_LOT
    found = replace(reader, lots=Lots([replace(lot, basis="photographed", instrument="")]))
    assert lot_statement(read_photo(data, found)) is Statement.PHOTOGRAPHED_LOT


def test_a_print_far_from_a_design_that_nobody_measured_is_not_blamed_on_filters(reader):
    """Hues of another ink: the print is off, and no cleaning helps."""
    lot = reader.lots[27001]
    off = np.random.default_rng(1).choice([-25.0, 25.0], (26, 2))
    other_ink = np.array(lot.lab)
    other_ink[20:, 1:] += np.repeat(off, 2, axis=0)  # every colour; greys stay
    for basis, reason in (
        ("nominal", Reason.LOT_NOT_MEASURED),
        ("measured", Reason.COLOUR_NOT_CORRECTABLE),
    ):
        other = replace(
            lot,
            basis=basis,
            lab=other_ink,
            spectra=None,
            wavelengths_nm=None,
            paper_spectrum=None,
            stock_spectrum=None,
        )
        out = read_photo(SAMPLE.read_bytes(), replace(reader, lots=Lots([other])))
        assert out.refusal is not None
        assert out.refusal.reason is reason
    assert "filters" not in ADVICE[Reason.LOT_NOT_MEASURED]
    assert "measured" in ADVICE[Reason.LOT_NOT_MEASURED]


def test_no_value_on_a_paper_that_no_pair_was_on(reader):
    """The prior of simulated papers is no pair: the photo is kept until there are some."""
    known = replace(reader.calibration, papers=papers_of(reader.calibration, ("B-1",)))
    there = replace(reader, calibration=known, paper="B-2")
    data = SAMPLE.read_bytes()
    out = read_photo(data, there)
    assert out.refusal is not None
    assert out.refusal.reason is Reason.NOT_CALIBRATED
    assert "B-2" in out.refusal.detail
    assert out.decision.bands == ()
    assert out.measured is not None
    assert out.another_paper
    for batch, said in (
        ("B-1", "Blotting paper B-1. "),
        ("", "Blotting paper not said, taken to be B-1. "),
    ):
        read = read_photo(data, replace(there, paper=batch))
        assert read.estimate is not None
        assert said in " ".join(reading_text(read).split())
        told = reading_json(read)
        jsonschema.Draft202012Validator(reading_schema()).validate(json.loads(dumps(told)))
        assert ("paper" in told, told.get("paper_taken")) == (bool(batch), None if batch else "B-1")
    before = replace(known, papers=papers_of(known, ("B-1", UNNAMED)))  # then nothing is guessed
    read = read_photo(data, replace(there, calibration=before, paper=""))
    assert "Blotting paper" not in reading_text(read)
    # Kept with the batch that it was on, whichever is in use when it is judged again.
    kept = Findings(out.pose.lot_number, None, out.measured, "B-2")
    judged = judge(kept, replace(there, paper="B-1"), Subject())
    assert judged.refusal is not None
    five = replace(known, papers=papers_of(known, ("B-1", "B-2")))
    assert judge(kept, replace(there, calibration=five), Subject()).estimate is not None


def test_every_reason_has_advice():
    assert set(ADVICE) == set(Reason)


def test_a_refusal_has_no_truth_value():
    with pytest.raises(ValueError, match="truth value"):
        bool(Refusal(Reason.NO_CARD, "locate"))


def test_the_readme_shows_what_the_command_prints():
    readme = (ROOT / "README.md").read_text()
    command = re.search(r"cardreader (read sample_images/\S+)", readme)
    assert command is not None
    printed = subprocess.run(
        [sys.executable, "-m", "cardreader", *command[1].split()],
        check=True,
        cwd=ROOT,
        capture_output=True,
        text=True,
    ).stdout
    assert printed.strip() in readme


def test_no_value_without_laboratory_pairs_and_the_measurement_is_kept(reader):
    """A real lot under a calibration that saw no blood: never a value or a band."""
    lot = reader.lots[27001]
    real = replace(reader, calibration=replace(reader.calibration, lots=("025011",)))
    out = read_photo(SAMPLE.read_bytes(), real)
    assert out.refusal is not None
    assert out.refusal.reason is Reason.NOT_CALIBRATED
    assert out.estimate is None
    assert out.decision.outcome is Outcome.NOT_READ
    assert out.decision.bands == ()
    assert Statement.CONFIRM_AT_FACILITY in out.decision.actions
    assert Statement.RETAKE not in out.decision.actions
    assert "blood test" in out.refusal.advice
    assert out.measured is not None  # so that it can be judged later
    later = replace(
        reader,
        calibration=replace(reader.calibration, basis="measured", lots=(lot.lot_id,)),
    )
    judged = judge(Findings(out.pose.lot_number, None, out.measured), later, Subject())
    assert judged.estimate is not None


def test_a_prior_alone_gives_no_value_for_any_lot(reader):
    prior = load_calibration(shipped("worlds"))
    out = read_photo(SAMPLE.read_bytes(), replace(reader, calibration=prior))
    assert out.refusal is not None
    assert out.refusal.reason is Reason.NOT_CALIBRATED


def test_a_photo_that_is_no_use_is_said_before_that_nothing_is_calibrated(reader):
    prior = load_calibration(shipped("worlds"))
    out = read_photo(b"no picture", replace(reader, calibration=prior))
    assert out.refusal is not None
    assert out.refusal.reason is Reason.NOT_AN_IMAGE
