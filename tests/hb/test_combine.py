"""Several blots of one woman: what averages out, what does not, and when they disagree."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from cardreader.core.shipped import shipped
from cardreader.hb.calibration import Calibration
from cardreader.hb.combine import FALSE_ALARMS, combine, covariance_g_dl2
from cardreader.hb.distribution import HbDistribution
from cardreader.hb.estimate import HbEstimate, estimate
from cardreader.hb.measured import Measured
from cardreader.hb.sittings import OWN_SHARE
from cardreader.hb.ties import Ties, common_share

GRID = np.linspace(0.5, 25, 491)
DEFAULT = Calibration.load(shipped("default"))
CARD = np.array(DEFAULT.signature_mean)
FAR = CARD + 4 * DEFAULT.signature_sd
BENDS = np.zeros_like(DEFAULT.posterior.covariance)
BENDS[:3, :3] = np.eye(3)
"""Nothing is unknown of a site but the level of its blood."""


def reading(
    hb: float, sd: float = 0.4, tail: float = 1e5, signature: np.ndarray | None = None
) -> HbEstimate:
    """A reading of a stated sd before volume; with few degrees of freedom its tails are heavy.

    It has nothing in common with one of another sitting.
    """
    scale = sd / np.sqrt(tail / (tail - 2))
    image = HbDistribution.of_log_density(GRID, stats.t.logpdf((GRID - hb) / scale, tail))
    card = CARD if signature is None else signature
    ties = Ties(card, 0.0, np.zeros(len(CARD)), np.zeros(3), 0.0, None)
    return HbEstimate(image, 0.03, 0.9, 0.5 * sd, np.sqrt(0.75) * sd, ties=ties)


def in_sittings_of_their_own(readings: list[HbEstimate]) -> list[HbEstimate]:
    """The same, each beside a card that looks like none of the others'."""
    cards = [CARD + 6 * k * DEFAULT.signature_sd for k in range(len(readings))]
    return [
        replace(one, ties=replace(one.ties, signature=card))
        for one, card in zip(readings, cards, strict=True)
    ]


@pytest.mark.parametrize("n", [2, 3, 4])
def test_in_one_sitting_blood_volume_averages_out_and_hardly_anything_else(n):
    """JCGM 100:2008, 5.2: own parts fall with the number of blots, the common part stays."""
    together = combine([reading(10.0)] * n, DEFAULT)
    own2 = OWN_SHARE * 0.4**2 + (0.03 * 10.0) ** 2
    want = np.sqrt((1 - OWN_SHARE) * 0.4**2 + own2 / n)
    assert together.n_blots == n
    assert together.hb_g_dl == pytest.approx(10.0, abs=0.02)
    assert float(together.distribution.sd) == pytest.approx(want, rel=0.02)
    assert not together.blots_disagree


@pytest.mark.parametrize("n", [2, 3, 4])
def test_with_another_phone_and_light_each_all_averages_out(n):
    """JCGM 100:2008, 4.2.3: the standard deviation of a mean of n."""
    together = combine(in_sittings_of_their_own([reading(10.0)] * n), DEFAULT)
    want = np.hypot(0.4, 0.03 * 10.0) / np.sqrt(n)
    assert float(together.distribution.sd) == pytest.approx(want, rel=0.03)


def test_two_of_one_sitting_and_one_of_another_lie_between():
    one = reading(10.0)
    widths = [
        np.ptp(combine(three, DEFAULT).interval_g_dl)
        for three in (
            in_sittings_of_their_own([one] * 3),
            [one, one, reading(10.0, signature=FAR)],
            [one] * 3,
        )
    ]
    assert widths[0] < widths[1] - 0.02 < widths[2] - 0.04


def test_without_knowing_sittings_apart_all_photos_are_of_one():
    unknowing = replace(DEFAULT, sittings=None)
    apart = in_sittings_of_their_own([reading(10.0)] * 2)
    one_sitting = combine([reading(10.0)] * 2, DEFAULT)
    assert combine(apart, unknowing).interval_g_dl == one_sitting.interval_g_dl
    untied = [replace(one, ties=None) for one in apart]
    assert combine(untied, DEFAULT).interval_g_dl == one_sitting.interval_g_dl


def test_what_the_calibration_leaves_open_is_common_to_all_sittings():
    """Where all doubt is of the site's weights, no number of photos takes it away."""
    at_nine = np.array([np.interp(9.0, DEFAULT.grid_g_dl, c) for c in DEFAULT.grid_locus.T])
    unsure = replace(DEFAULT, posterior=replace(DEFAULT.posterior, covariance=BENDS))
    seen = [Measured(at_nine, 1e-6 * np.eye(3), card) for card in (CARD, FAR)]
    assert DEFAULT.sittings.as_one(CARD, FAR) == 0
    for calibration, least, most in ((unsure, 0.9, 1.0), (DEFAULT, 0.0, 0.3)):
        one, other = (estimate(part, calibration) for part in seen)
        covariance = covariance_g_dl2([one, other], calibration)
        correlation = covariance[0, 1] / np.sqrt(covariance[0, 0] * covariance[1, 1])
        assert least <= correlation <= most


def test_blots_on_two_papers_have_in_common_what_the_less_known_one_leaves_open():
    """A batch with few pairs leaves more open than the site's own: the more counts."""
    little, much = (replace(DEFAULT.posterior, covariance=k * BENDS) for k in (0.1, 1.0))
    one, other = (
        Ties(CARD, 0.1, np.zeros(len(CARD)), np.array([1.0, 0.0, 0.0]), 0.0, posterior)
        for posterior in (little, much)
    )
    assert common_share(one, other) == common_share(other, one) == common_share(other, other)
    assert common_share(one, one) == pytest.approx(0.1 * common_share(other, other))


@pytest.mark.parametrize("tail", [3.0, 1e5])
def test_two_equal_readings_are_never_wider_than_one(tail):
    one = reading(9.0, tail=tail)
    two = combine([one, one], DEFAULT)
    assert np.ptp(two.interval_g_dl) < np.ptp(one.interval_g_dl)


def test_the_tail_is_not_lost():
    heavy, light = (combine([reading(9.0, tail=t)] * 2, DEFAULT) for t in (3.0, 1e5))
    far = 9.0 - 4 * float(light.distribution.sd)
    assert heavy.p_below(far) > 10 * light.p_below(far)


def test_one_blot_stays_as_it_is():
    one = reading(9.0)
    assert combine([one], DEFAULT) is one


def test_readings_as_far_apart_as_chance_lets_them_be_do_not_disagree():
    together = combine([reading(8.9), reading(9.3)], DEFAULT)
    assert not together.blots_disagree
    assert together.hb_g_dl == pytest.approx(9.1, abs=0.03)


def test_photo_and_calibration_keep_their_parts_of_the_doubt():
    one, two = reading(9.0), combine([reading(9.0)] * 2, DEFAULT)
    assert two.sd_measurement_g_dl < one.sd_measurement_g_dl
    assert two.sd_measurement_g_dl / two.sd_calibration_g_dl == pytest.approx(
        one.sd_measurement_g_dl / one.sd_calibration_g_dl
    )
    assert np.hypot(two.sd_measurement_g_dl, two.sd_calibration_g_dl) == pytest.approx(
        float(two.image.sd), rel=1e-6
    )


@pytest.mark.slow
@pytest.mark.parametrize(("n", "tail"), [(2, 1e5), (3, 1e5), (2, 4.0)])
def test_false_alarms_are_as_rare_as_stated(n, tail):
    """Readings of one sitting drawn by the stated parts. For more than one pair the bound is
    from above."""
    rng = np.random.default_rng(1)
    alarms, women = 0, 1500
    for _ in range(women):
        scale = np.sqrt(OWN_SHARE) * 0.4 / np.sqrt(tail / (tail - 2))
        off = stats.t.rvs(tail, 0, scale, n, random_state=rng) + rng.normal(0, 0.03 * 9.0, n)
        alarms += combine([reading(9.0 + o, tail=tail) for o in off], DEFAULT).blots_disagree
    assert alarms / women < FALSE_ALARMS + 3 * np.sqrt(FALSE_ALARMS / women)
    assert alarms > 0


def test_blots_that_disagree_cover_both():
    apart = combine([reading(6.0), reading(12.0)], DEFAULT)
    assert apart.blots_disagree
    low, high = apart.interval_g_dl
    assert low < 6.0 < 12.0 < high


def test_a_doubtful_photo_counts_less():
    together = combine([reading(9.0, 0.22), reading(9.6, 0.86)], DEFAULT)
    assert together.hb_g_dl < 9.15


@pytest.mark.parametrize("apart", [0, 1])
def test_the_print_of_a_lot_does_not_average_out(apart):
    """JCGM 100:2008, 5.2: a nominal lot's ink is common to all photos of its cards."""
    at_nine = [np.interp(9.0, DEFAULT.grid_g_dl, c) for c in DEFAULT.grid_locus.T]
    seen = Measured(at_nine, 1e-6 * np.eye(3), CARD)
    measured, nominal = (estimate(seen, DEFAULT, print_sd=sd) for sd in (0.0, 0.3))
    of_measured, of_nominal = (
        combine(in_sittings_of_their_own([one] * 4) if apart else [one] * 4, DEFAULT)
        for one in (measured, nominal)
    )
    assert of_nominal.sd_calibration_g_dl > 0.9 * nominal.sd_calibration_g_dl
    if apart:
        assert of_measured.sd_calibration_g_dl < 0.75 * measured.sd_calibration_g_dl


def test_nothing_and_combined_blots_are_mistakes():
    with pytest.raises(ValueError, match="nothing to combine"):
        combine([], DEFAULT)
    two = combine([reading(9.0)] * 2, DEFAULT)
    with pytest.raises(ValueError, match="single blots"):
        combine([two, reading(9.0)], DEFAULT)
