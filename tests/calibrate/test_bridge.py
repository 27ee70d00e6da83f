"""Bridging: an unchanged lot holds, a changed one fails, few pairs stay undecided."""

from dataclasses import replace

import numpy as np
import pytest
from blots import pairs
from scipy import stats

from cardreader.calibrate.bridge import (
    Verdict,
    bridge,
    coverage_probability,
    update,
    with_lots,
)
from cardreader.calibrate.conformal import TooFewPairsError
from cardreader.calibrate.fit import fit

ONE = ((1, "A"),)


@pytest.fixture(scope="module")
def old():
    found, _ = pairs(np.random.default_rng(1), n_women=80)
    return fit(found, model="line on Kubelka-Munk density")


def _bridge(old, seed, **options):
    new, _ = pairs(np.random.default_rng(seed), photos=ONE, lot="027002", **options)
    n = len(old.conformity_scores)
    return bridge(new, old.calibration, n, old.conformity_scores)


def test_an_unchanged_lot_holds_mostly(old):
    verdicts = [_bridge(old, seed, n_women=40).verdict for seed in range(20, 45)]
    assert verdicts.count(Verdict.HOLDS) >= 19
    assert verdicts.count(Verdict.FAILS) <= 5


def test_a_changed_lot_is_found_and_never_said_to_hold(old):
    verdicts = [_bridge(old, seed, n_women=30, shift=-0.08).verdict for seed in range(60, 72)]
    assert verdicts.count(Verdict.FAILS) >= 10
    assert Verdict.HOLDS not in verdicts


def test_a_handful_of_women_can_hardly_show_equivalence(old):
    found = [_bridge(old, seed, n_women=7) for seed in range(80, 104)]
    undecided = [one for one in found if one.verdict is Verdict.UNDECIDED]
    assert len(undecided) >= 5
    assert all("must not be used" in one.words for one in undecided)
    assert all(one.equivalence_p >= 0.05 for one in undecided)


def test_too_few_women_raise(old):
    with pytest.raises(TooFewPairsError, match="at least"):
        _bridge(old, 1, n_women=4)


def test_coverage_test_is_exact(old):
    # Under no change the number of intervals that hold is beta-binomial, so that the test at 5 %
    # rejects in at most 5 % of studies; the law follows from the beta law of conformal coverage.
    rng = np.random.default_rng(3)
    from cardreader.calibrate.conformal import exact_rank

    n, m, runs = 60, 30, 4000
    rank = exact_rank(n, 0.1)
    rejected = 0
    for share in stats.beta.rvs(rank, n + 1 - rank, size=runs, random_state=rng):
        rejected += coverage_probability(int(rng.binomial(m, share)), m, 0.9, n) < 0.05
    assert rejected / runs <= 0.05 + 3 * np.sqrt(0.05 * 0.95 / runs)
    assert rejected > 0


def test_an_update_repairs_a_shifted_lot_and_is_for_that_lot_only(old):
    few, _ = pairs(np.random.default_rng(4), n_women=25, photos=ONE, lot="027002", shift=-0.08)
    changed = update(few, old.calibration)
    assert changed.rms_new_g_dl < 0.75 * changed.rms_old_g_dl
    assert changed.calibration.lots == ("027002",)
    new, truth = pairs(np.random.default_rng(5), n_women=200, photos=ONE, lot="027002", shift=-0.08)
    found = new.estimates(changed.calibration)
    ok, read = found.readable, found.final()
    low, high = read.interval(changed.calibration.coverage)
    held = (low <= new.lab_g_dl) & (new.lab_g_dl <= high)
    assert abs(np.mean((read.median - truth)[ok])) < 0.35
    assert held[ok].mean() > 0.82


def test_few_women_change_only_the_offset(old):
    few, _ = pairs(np.random.default_rng(6), n_women=12, photos=ONE, shift=-0.06)
    assert update(few, old.calibration).offset_only
    many, _ = pairs(np.random.default_rng(7), n_women=30, photos=ONE, shift=-0.06)
    assert not update(many, old.calibration).offset_only


def test_an_update_needs_as_many_women_as_its_interval(old):
    few, _ = pairs(np.random.default_rng(8), n_women=8, photos=ONE)
    with pytest.raises(TooFewPairsError, match="at least 9"):
        update(few, old.calibration)


def test_a_calibration_that_holds_is_extended_to_the_lot(old):
    new, _ = pairs(np.random.default_rng(9), n_women=5, photos=ONE)
    new = replace(new, lot=np.full(len(new), "027002"))
    assert with_lots(old.calibration, new).lots == ("027001", "027002")
    assert with_lots(old.calibration, new).lots_by_design == ()
    by_design = replace(new, print_sd=np.full(len(new), 0.1))
    assert with_lots(old.calibration, by_design).lots_by_design == ("027002",)
