"""The calibration as data: kept whole, checked on loading, monotone where it must be."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from cardreader.card.lots import Lots
from cardreader.core.shipped import shipped
from cardreader.hb.calibration import Calibration
from cardreader.hb.calibrationnumbers import CalibrationError


@pytest.fixture(scope="module")
def default() -> Calibration:
    return Calibration.load(shipped("default"))


def test_json_there_and_back(default):
    again = Calibration.from_json(default.to_json())
    assert again.to_json() == default.to_json()
    assert again.sha256 == default.sha256


def test_the_shipped_one_says_that_it_is_simulated(default):
    assert default.basis == "simulated"
    assert "simulated" in default.source


def test_more_haemoglobin_is_darker_along_the_shipped_locus(default):
    assert np.all(np.diff(default.grid_locus[:, 1]) < 0)


def test_knots_are_met_and_nothing_overshoots(default):
    # Fritsch and Carlson 1980: a monotone interpolant stays between its data.
    at = [int(np.argmin(np.abs(default.grid_g_dl - k))) for k in default.knots_hb_g_dl]
    assert np.allclose(default.grid_locus[at], default.locus, atol=0.02)
    assert default.grid_locus[:, 1].max() <= default.locus[:, 1].max() + 1e-12


def test_a_signature_far_off_widens_and_stops_counting(default):
    usual = default.signature_mean + default.signature_centre * default.signature_sd
    strange = usual + 50 * default.signature_sd
    middle = len(default.grid_g_dl) // 2
    known, unknown = (np.trace(default.spread(s)[middle]) for s in (usual, strange))
    assert unknown > 2 * known
    doubtful = replace(default, signature_doubt=0.35)
    assert doubtful.doubt(usual) == 1.0
    assert doubtful.doubt(strange) == pytest.approx(1.35)
    clipped = default.signature_mean + default.signature_clip * default.signature_sd
    assert np.allclose(default.expected(strange), default.expected(clipped))


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"locus": np.zeros((3, 3))}, "locus has shape"),
        ({"tail": 0.0}, "tail must be positive"),
        ({"conformal_scale": float("inf")}, "conformal_scale must be positive"),
        ({"volume_cv": 0.9}, "volume_cv"),
        ({"coverage": 1.0}, "coverage"),
        ({"basis": "guessed"}, "basis"),
        ({"domain_g_dl": [5.0, 4.0]}, "domain"),
        ({"signature_precision": np.eye(2)}, "signature_precision"),
    ],
)
def test_what_can_not_be_is_refused(default, change, says):
    with pytest.raises(CalibrationError, match=says):
        replace(default, **change)


@pytest.mark.parametrize(
    "spoil",
    [
        lambda c: c.pop("locus"),
        lambda c: c.update(extra=1),
        lambda c: c.update(schema=99),
        lambda c: c.update(locus="none"),
        lambda c: c["locus"][0].__setitem__(0, None),
        lambda c: c.update(tail="wide"),
    ],
)
def test_a_spoilt_file_gives_one_line(default, spoil):
    content = json.loads(default.to_json())
    spoil(content)
    with pytest.raises(CalibrationError) as caught:
        Calibration.from_json(json.dumps(content))
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("text", ["", "[]", "{", "null", "[" * 100_000, '{"schema": 1}'])
def test_what_is_no_calibration_is_refused(text):
    with pytest.raises(CalibrationError):
        Calibration.from_json(text)


def test_lots_learnt_by_their_design_are_kept_and_old_calibrations_keep_their_hash() -> None:
    plain = Calibration.load(shipped("default"))
    assert "lots_by_design" not in plain.as_json()
    told = replace(plain, lots_by_design=("027001",))
    back = Calibration.from_json(told.to_json())
    assert back.lots_by_design == ("027001",)
    lot = Lots.load(shipped("lots"))[27_001]
    assert back.unlike(lot) == "known by its design then, measured now"
    assert back.unlike(replace(lot, basis="nominal")) == ""
    assert back.unlike(replace(lot, number=27_002)) == ""
    assert plain.unlike(lot) == ""
