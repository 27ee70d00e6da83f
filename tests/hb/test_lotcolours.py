"""A calibration knows the colours of the lots it learnt beside, and does not read beside others."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from cardreader.card.lots import Lots
from cardreader.colour.cielab import delta_e_2000
from cardreader.core.shipped import shipped
from cardreader.hb.calibration import Calibration
from cardreader.hb.calibrationnumbers import CalibrationError
from cardreader.hb.container import load_calibration
from cardreader.hb.lotcolours import MOST_DE00, MOST_MEAN_DE00, LotColours


@pytest.fixture(scope="module")
def lot():
    return replace(Lots.load(shipped("lots"))[27_001], instrument="an invented instrument")


def moved(lot, size, seed=4):
    """The lot's file as another measurement gives it: CIELAB off by ``size`` (1 sd)."""
    off = np.random.default_rng(seed).normal(0, size, lot.lab.shape)
    return replace(lot, lab=lot.lab + off)


def test_two_measurements_of_one_print_are_the_same(lot):
    again = moved(lot, 0.12)
    assert delta_e_2000(lot.lab, again.lab).mean() > 0.1
    assert LotColours.of(lot).unlike(again) == ""
    assert LotColours.of(lot).unlike(lot) == ""
    assert again.fingerprint != lot.fingerprint


def test_another_print_is_told_in_the_mean_and_at_its_worst(lot):
    other = moved(lot, 2.0)
    apart = delta_e_2000(np.round(lot.lab, 2), other.lab)
    said = LotColours.of(lot).unlike(other)
    assert f"CIEDE2000 {apart.mean():.1f} in the mean, {apart.max():.1f} at patch" in said


@pytest.mark.parametrize(
    ("patches", "by"), [(slice(None), 1.2 * MOST_MEAN_DE00), (slice(0, 1), 2 * MOST_DE00)]
)
def test_all_a_little_or_one_by_much_is_enough(lot, patches, by):
    lab = np.array(lot.lab)
    lab[patches, 0] -= np.sign(lab[patches, 0] - 50) * 2 * by
    assert LotColours.of(lot).unlike(replace(lot, lab=lab))


def test_a_design_is_no_measurement_though_the_colours_are_the_same(lot):
    wished = replace(lot, basis="nominal")
    assert LotColours.of(wished).unlike(lot) == "known by its design then, measured now"
    assert LotColours.of(lot).unlike(wished) == "measured then, known by its design now"
    assert wished.fingerprint != lot.fingerprint
    found = replace(lot, basis="photographed")
    assert LotColours.of(wished).unlike(found) == (
        "known by its design then, known by photos of its cards now"
    )


def test_they_travel_with_the_calibration(lot):
    prior = load_calibration(shipped("worlds"))
    assert "lot_colours" not in prior.as_json(), "calibrations of before keep their hash"
    assert prior.unlike(moved(lot, 5.0)) == "", "what isn't known isn't said"
    own = replace(prior, lots=(lot.lot_id,), lot_colours=(LotColours.of(lot),))
    back = Calibration.from_json(own.to_json())
    assert back.sha256 == own.sha256
    assert back.colours_of(lot.lot_id).fingerprint == lot.fingerprint
    assert back.unlike(lot) == ""
    assert back.unlike(moved(lot, 5.0))
    assert back.unlike(replace(moved(lot, 5.0), number=27_002)) == "", (
        "of that lot it knows nothing"
    )


@pytest.mark.parametrize(
    "wrong",
    [7, [7], [{}], [{"lot_id": "1"}], "long", [{"lot_id": "1", "basis": "measured", "lab": [1]}]],
)
def test_damaged_colours_are_told_in_one_line(lot, wrong):
    own = replace(load_calibration(shipped("worlds")), lot_colours=(LotColours.of(lot),))
    content = own.as_json()
    for value in (wrong, [{**content["lot_colours"][0], "basis": "guessed"}]):
        with pytest.raises(CalibrationError) as told:
            Calibration.of_json({**content, "lot_colours": value})
        assert "\n" not in str(told.value)
