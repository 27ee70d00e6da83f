"""Several blots of one woman: what averages out, what does not, and when they disagree."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from cardreader.core.shipped import shipped
from cardreader.hb.calibration import Calibration
from cardreader.hb.combine import FALSE_ALARMS, combine
from cardreader.hb.distribution import HbDistribution
from cardreader.hb.estimate import HbEstimate, estimate
from cardreader.hb.measured import Measured

GRID = np.linspace(0.5, 25, 491)
DEFAULT = Calibration.load(shipped("default"))


def reading(hb: float, measurement=0.2, calibration=0.4, cv=0.03, tail=1e5) -> HbEstimate:
    """A reading whose parts are known; with few degrees of freedom its tails are heavy."""
    sd = np.hypot(measurement, calibration)
    scale = sd / np.sqrt(tail / (tail - 2))
    image = HbDistribution.of_log_density(GRID, stats.t.logpdf((GRID - hb) / scale, tail))
    return HbEstimate(image, cv, 0.9, measurement, calibration)


@pytest.mark.parametrize("n", [2, 3, 4])
def test_what_differs_from_blot_to_blot_averages_out(n):
    """JCGM 100:2008, 5.2: own parts fall with the number of blots, the common part stays."""
    one, own_share = reading(10.0), 0.3
    together = combine([one] * n, own_share)
    own2 = 0.2**2 + own_share * 0.4**2 + (0.03 * 10.0) ** 2
    want = np.sqrt((1 - own_share) * 0.4**2 + own2 / n)
    assert together.n_blots == n
    assert together.hb_g_dl == pytest.approx(10.0, abs=0.02)
    assert float(together.distribution.sd) == pytest.approx(want, rel=0.02)
    assert not together.blots_disagree


@pytest.mark.parametrize("tail", [3.0, 1e5])
def test_two_equal_readings_are_never_wider_than_one(tail):
    one = reading(9.0, tail=tail)
    two = combine([one, one], 0.3)
    assert np.ptp(two.interval_g_dl) < np.ptp(one.interval_g_dl)


def test_the_tail_is_not_lost():
    heavy, light = (combine([reading(9.0, tail=t)] * 2, 0.3) for t in (3.0, 1e5))
    far = 9.0 - 4 * float(light.distribution.sd)
    assert heavy.p_below(far) > 10 * light.p_below(far)


def test_one_blot_stays_as_it_is():
    one = reading(9.0)
    assert combine([one], 0.3) is one


def test_readings_as_far_apart_as_chance_lets_them_be_do_not_disagree():
    together = combine([reading(8.9), reading(9.3)], 0.3)
    assert not together.blots_disagree
    assert together.hb_g_dl == pytest.approx(9.1, abs=0.03)


@pytest.mark.slow
@pytest.mark.parametrize(("n", "tail"), [(2, 1e5), (3, 1e5), (2, 4.0)])
def test_false_alarms_are_as_rare_as_stated(n, tail):
    """Readings drawn by the stated parts. For more than one pair the bound is from above."""
    rng = np.random.default_rng(1)
    alarms, women, own_share = 0, 1500, 0.3
    for _ in range(women):
        own = np.hypot(0.2, np.sqrt(own_share) * 0.4)
        scale = own / np.sqrt(tail / (tail - 2))
        off = stats.t.rvs(tail, 0, scale, n, random_state=rng) + rng.normal(0, 0.03 * 9.0, n)
        alarms += combine([reading(9.0 + o, tail=tail) for o in off], own_share).blots_disagree
    assert alarms / women < FALSE_ALARMS + 3 * np.sqrt(FALSE_ALARMS / women)
    assert alarms > 0


def test_blots_that_disagree_cover_both():
    apart = combine([reading(6.0), reading(12.0)], 0.3)
    assert apart.blots_disagree
    low, high = apart.interval_g_dl
    assert low < 6.0 < 12.0 < high


def test_a_doubtful_photo_counts_less():
    together = combine([reading(9.0, 0.1, 0.2), reading(9.6, 0.5, 0.7)], 0.3)
    assert together.hb_g_dl < 9.15


def test_the_print_of_a_card_does_not_average_out():
    """JCGM 100:2008, 5.2: a nominal lot's ink is common to all photos of its cards."""
    at_nine = [np.interp(9.0, DEFAULT.grid_g_dl, c) for c in DEFAULT.grid_locus.T]
    seen = Measured(at_nine, 1e-6 * np.eye(3), DEFAULT.signature_mean)
    common = replace(DEFAULT, own_share=0.0)
    nominal = estimate(seen, common, print_sd=0.1)
    four = combine([nominal] * 4, common.own_share)
    assert four.sd_calibration_g_dl == pytest.approx(nominal.sd_calibration_g_dl, rel=0.05)


def test_nothing_and_combined_blots_are_mistakes():
    with pytest.raises(ValueError, match="nothing to combine"):
        combine([], 0.3)
    two = combine([reading(9.0)] * 2, 0.3)
    with pytest.raises(ValueError, match="single blots"):
        combine([two, reading(9.0)], 0.3)
