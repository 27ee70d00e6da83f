"""The verdict: met, not met, and too small to say are three things."""

from dataclasses import replace

import numpy as np
import pytest
from blots import study
from scipy import stats

from cardreader.calibrate.agreement import bland_altman
from cardreader.calibrate.breakdown import severe_passed_over
from cardreader.calibrate.choosing import Recipe
from cardreader.calibrate.coverage import CoverageRow, laboratory_interval
from cardreader.calibrate.diagnostic import cut_off
from cardreader.calibrate.fit import GIVEN, SITE_MODEL, Fit
from cardreader.calibrate.heldout import HeldOut
from cardreader.calibrate.pairs import Pairs
from cardreader.calibrate.proportion import proportion
from cardreader.calibrate.verdict import criteria, limits, overall
from cardreader.core.shipped import shipped
from cardreader.hb.calibration import Calibration
from cardreader.hb.distribution import HbDistribution


def _found(n=200, bias=0.0, sd=0.5, covered=0.9, missed=0, severe=80):
    """Criteria of an invented study with these figures."""
    rng = np.random.default_rng(1)
    noise = rng.normal(0, sd, n)
    noise = (noise - noise.mean()) / noise.std() * sd
    lab = np.concatenate([np.full(severe, 6.0), np.linspace(7.5, 14, n - severe)])
    answer = np.where(lab < 7, "severe", np.where(lab < 11, "anaemic", "not anaemic"))
    answer[:missed] = "not anaemic"
    referred = answer == "severe"
    cuts = (
        ("decision refers for severe", cut_off(referred, lab, 7.0)),
        ("decision asks to confirm", cut_off(answer != "not anaemic", lab, 11.0)),
    )
    coverage = CoverageRow("all", "all", proportion(round(covered * n), n), 2.0)
    agreement = bland_altman(lab + bias + noise, lab)
    return criteria(agreement, cuts, coverage, proportion(missed, severe), Recipe())


def _met(found):
    return {criterion.name: criterion.met for criterion in found}


def test_a_good_study_meets_all():
    found = _found()
    assert set(_met(found).values()) == {True}
    assert overall(found).startswith("In this study every criterion was met")
    assert "screening aid" in overall(found)


@pytest.mark.parametrize(
    ("change", "name"),
    [
        ({"bias": 0.9}, "Readings are right on average"),
        ({"sd": 1.6}, "Single readings are close enough"),
        ({"covered": 0.75}, "Intervals keep their promise"),
        ({"covered": 0.995}, "Intervals keep their promise"),  # too wide is a fault too
        ({"missed": 1}, "No woman with severe anaemia is called not anaemic"),
        ({"missed": 30}, "Severe anaemia is referred"),
    ],
)
def test_a_study_that_shows_a_fault_is_not_met_and_says_which(change, name):
    found = _found(**change)
    assert _met(found)[name] is False
    assert overall(found).startswith("Not fit for use")
    assert name[1:] in overall(found)


@pytest.mark.parametrize(
    ("change", "name"),
    [
        ({"bias": 0.45, "n": 40, "sd": 0.9, "severe": 10}, "Readings are right on average"),
        ({"sd": 0.95, "n": 40, "severe": 10}, "Single readings are close enough"),
        ({"n": 20, "severe": 5}, "Intervals keep their promise"),
        ({"severe": 10}, "Severe anaemia is referred"),
        ({"severe": 10}, "No woman with severe anaemia is called not anaemic"),
        ({"severe": 0}, "No woman with severe anaemia is called not anaemic"),
        ({"severe": 0}, "Severe anaemia is referred"),
    ],
)
def test_a_study_that_is_too_small_says_so_and_not_that_all_is_well(change, name):
    found = _found(**change)
    assert _met(found)[name] is None
    assert "too small to say" in overall(found)


@pytest.mark.parametrize(
    ("basis", "words"), [("nominal", "by their design"), ("photographed", "found from photos")]
)
def test_how_the_lots_are_known_is_a_limit_unless_they_are_measured(basis, words):
    features, _ = study(np.random.default_rng(1), n_women=12)
    fitted = Fit(Calibration.load(shipped("worlds")), SITE_MODEL, (), None, (), Recipe())

    def told(rows):
        known = replace(features, rows=rows)
        return " ".join(limits(known, Pairs.of(known), fitted, False, 3))

    assert words not in told(features.rows)
    assert words in told(features.rows.assign(lot_basis=basis))


def test_of_new_women_no_part_was_left_out_and_their_range_is_not_the_pairs():
    features, _ = study(np.random.default_rng(1), n_women=12)
    worlds = Calibration.load(shipped("worlds"))

    def told(model):
        fitted = Fit(worlds, model, (), None, (), Recipe())
        return " ".join(limits(features, Pairs.of(features), fitted, False, 3))

    assert "parts left out" in told(SITE_MODEL)
    assert "goes by simulated worlds" in told(SITE_MODEL)
    assert "parts left out" not in told(GIVEN)
    assert "Nothing is shown of readings beyond that" in told(GIVEN)


def test_a_severe_woman_passed_over_in_one_of_her_readings_counts_whichever_is_drawn():
    features, _ = study(np.random.default_rng(2), n_women=12, low=5, high=6)
    pairs = Pairs.of(features)
    numbers = {
        name: np.zeros(len(pairs))
        for name in ("low_g_dl", "high_g_dl", "lab_low_g_dl", "lab_high_g_dl", "sd_g_dl")
    }
    answer = np.full(len(pairs), "severe", dtype="U12")
    answer[5] = "not anaemic"
    held = HeldOut(
        pairs=pairs,
        hb_g_dl=pairs.lab_g_dl,
        accepted=np.full(len(pairs), True),
        answer=answer,
        may_be_severe=answer == "severe",
        models=(),
        **numbers,
    )
    found = severe_passed_over(held)
    assert (found.count, found.total) == (1, 12)


def test_it_is_said_how_many_severe_women_the_tables_count():
    features, _ = study(np.random.default_rng(2), n_women=12, low=5, high=6)
    fitted = Fit(Calibration.load(shipped("worlds")), SITE_MODEL, (), None, (), Recipe())

    def told(counted):
        return limits(features, Pairs.of(features), fitted, False, counted)[0]

    assert told(12).endswith("rests on those 12.")
    assert told(9).endswith("rests on 9: the others have a tube's value, or no reading.")


@pytest.mark.parametrize("of_site", [True, False])
def test_of_a_site_the_laboratorys_own_error_is_allowed_for(of_site):
    """Beside the share of normal differences that lie within (scipy)."""
    features, _ = study(np.random.default_rng(5), n_women=2000, photos=((1, "A"),))
    pairs = Pairs.of(features)
    rng, sd, lab_sd = np.random.default_rng(6), 0.35, 0.3
    true = pairs.lab_g_dl
    lab = true + rng.normal(0, lab_sd, len(pairs))
    pairs = replace(pairs, lab_g_dl=lab, lab_sd_g_dl=np.full(len(pairs), lab_sd))
    worlds = Calibration.load(shipped("worlds"))
    calibration = replace(worlds, posterior=worlds.posterior if of_site else None, coverage=0.9)
    grid = np.arange(0.0, 20.0, 0.02)
    middle = true + rng.normal(0, sd, len(pairs))
    read = HbDistribution.of_log_density(grid, stats.norm.logpdf(grid, middle[:, None], sd))
    low, high = laboratory_interval(read, pairs, calibration)
    held = np.mean((low <= lab) & (lab <= high))
    z = stats.norm.ppf(0.95)
    expected = 0.9 if of_site else 1 - 2 * stats.norm.sf(z * sd / np.hypot(sd, lab_sd))
    assert held == pytest.approx(expected, abs=4 * np.sqrt(0.9 * 0.1 / len(pairs)))
