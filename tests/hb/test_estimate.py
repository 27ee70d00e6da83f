"""From corrected colour to a distribution of haemoglobin."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from cardreader.core.refusal import Reason, Refusal
from cardreader.core.shipped import shipped
from cardreader.hb.calibration import Calibration
from cardreader.hb.estimate import (
    HbEstimate,
    combine,
    estimate_colour,
    estimate_from,
)

DEFAULT = Calibration.load(shipped("default"))
NONE = np.zeros((3, 3))


def straight(slope: float = -0.1, sd: float = 0.05, tail: float = 1e5) -> Calibration:
    """A straight locus with even normal scatter: everything about it is known in closed form."""
    knots = np.linspace(0.5, 25, 50)
    return replace(
        DEFAULT,
        knots_hb_g_dl=knots,
        locus=slope * knots[:, None] * [0.5, 1.0, 1.2],
        covariance=np.repeat(np.eye(3)[None] * sd**2, 50, axis=0),
        signature_mean=np.zeros(0),
        signature_sd=np.zeros(0),
        signature_axis=np.zeros(50),
        signature_shift=np.zeros((0, 3)),
        signature_slope=np.zeros((0, 3)),
        signature_precision=np.zeros((0, 0)),
        fading=None,
        tail=tail,
        stray_share=0.0,
        conformal_scale=1.0,
        volume_cv=0.0,
        domain_g_dl=np.array([1.0, 24.0]),
    )


def at(calibration: Calibration, hb: float) -> np.ndarray:
    return np.array([np.interp(hb, calibration.grid_g_dl, c) for c in calibration.grid_locus.T])


def read(hb: float, calibration: Calibration, photo=NONE) -> HbEstimate:
    return estimate_from(at(calibration, hb), photo, calibration.signature_mean, calibration)


def test_a_straight_locus_gives_weighted_least_squares():
    """Closed form (JCGM 100:2008, 5.1.2): sd = sd_colour / |slope|, interval 1.645 sd."""
    model = straight()
    out = read(9.0, model)
    sd = 0.05 / (0.1 * np.linalg.norm([0.5, 1.0, 1.2]))
    assert out.hb_g_dl == pytest.approx(9.0, abs=0.01)
    low, high = out.interval_g_dl
    assert high - low == pytest.approx(2 * stats.norm.ppf(0.95) * sd, rel=0.02)
    for threshold in (8.5, 9.0, 9.6):
        assert out.p_below(threshold) == pytest.approx(stats.norm.cdf(threshold, 9.0, sd), abs=0.02)


def test_uncertainty_parts_add_up_in_squares():
    model = straight()
    photo = np.eye(3) * 0.03**2
    out = read(9.0, model, photo)
    slope = 0.1 * np.linalg.norm([0.5, 1.0, 1.2])
    assert out.sd_measurement_g_dl == pytest.approx(0.03 / slope, rel=0.03)
    assert out.sd_calibration_g_dl == pytest.approx(0.05 / slope, rel=0.03)


def test_volume_scatter_is_cv_times_haemoglobin():
    model = replace(straight(sd=0.01), volume_cv=0.05)
    out = read(11.0, model)
    low, high = out.interval_g_dl
    assert out.volume_floor_g_dl == pytest.approx(0.55, abs=0.01)
    image = 0.01 / (0.1 * np.linalg.norm([0.5, 1.0, 1.2]))
    want = 2 * stats.norm.ppf(0.95) * np.hypot(0.55, image)
    assert high - low == pytest.approx(want, rel=0.04)


def test_the_conformal_factor_stretches_the_interval():
    narrow, wide = read(9.0, straight()), read(9.0, replace(straight(), conformal_scale=1.5))
    ratio = np.ptp(wide.interval_g_dl) / np.ptp(narrow.interval_g_dl)
    assert ratio == pytest.approx(1.5, rel=0.03)


@pytest.mark.parametrize("hb", [3.0, 5.0, 7.0, 9.0, 11.0, 14.0, 18.0])
def test_a_point_of_the_locus_is_read_as_itself(hb):
    assert read(hb, DEFAULT).hb_g_dl == pytest.approx(hb, rel=0.04)


def test_readings_rise_with_haemoglobin():
    found = [read(hb, DEFAULT).hb_g_dl for hb in np.arange(2.5, 18.6, 0.5)]
    assert np.all(np.diff(found) > 0)


def test_off_the_locus_is_wider_and_then_no_blood():
    on = at(DEFAULT, 9.0)
    sd = np.sqrt(np.diag(DEFAULT.grid_covariance[150]))
    middle = DEFAULT.signature_mean
    near = estimate_colour(on, NONE, middle, DEFAULT)
    off = estimate_colour(on + sd * [0.8, -0.8, 0], NONE, middle, DEFAULT)
    far = estimate_colour(on + sd * [9, -9, 0], NONE, middle, DEFAULT)
    assert isinstance(near, HbEstimate)
    assert isinstance(off, HbEstimate)
    assert np.ptp(off.interval_g_dl) > np.ptp(near.interval_g_dl)
    assert isinstance(far, Refusal)
    assert far.reason is Reason.NOT_BLOOD_COLOUR


@pytest.mark.parametrize("hb", [1.4, 21.0])
def test_beyond_the_range_is_refused(hb):
    out = estimate_colour(at(DEFAULT, hb), NONE, DEFAULT.signature_mean, DEFAULT)
    assert isinstance(out, Refusal)
    assert out.reason is Reason.OUT_OF_RANGE


def test_probabilities_are_probabilities():
    out = read(9.0, DEFAULT)
    grid = np.linspace(0, 30, 200)
    below = np.array([out.p_below(x) for x in grid])
    assert np.all(np.diff(below) >= -1e-12)
    assert below[0] == pytest.approx(0, abs=1e-6)
    assert below[-1] == pytest.approx(1, abs=1e-6)


def test_several_blots_average_what_differs_between_them():
    model = replace(straight(sd=0.01), volume_cv=0.05)
    one = read(11.0, model, np.eye(3) * 0.02**2)
    four = combine([one] * 4, model)
    assert four.n_blots == 4
    assert four.hb_g_dl == pytest.approx(one.hb_g_dl, abs=0.03)
    own2 = one.sd_measurement_g_dl**2 + one.volume_floor_g_dl**2
    want = np.sqrt(one.sd_calibration_g_dl**2 + own2 / 4)
    assert np.ptp(four.interval_g_dl) == pytest.approx(2 * 1.645 * want, rel=0.03)


def test_blots_that_disagree_widen_the_interval():
    model = straight()
    close = combine([read(9.0, model), read(9.2, model)], model)
    apart = combine([read(6.0, model), read(12.0, model)], model)
    assert np.ptp(apart.interval_g_dl) > 2 * np.ptp(close.interval_g_dl)


def test_a_lot_never_measured_widens_for_all_blots_alike():
    """JCGM 100:2008, 5.2: the card's print is common to all blots, so it doesn't average out.

    The straight locus goes through nothing at 0 g/dL, where a relative doubt about
    the log ratio is the same relative doubt about haemoglobin.
    """
    model = straight(sd=0.005)
    measured = read(9.0, model)
    nominal = estimate_from(at(model, 9.0), NONE, np.zeros(0), model, print_sd=0.03)
    want = np.hypot(measured.sd_calibration_g_dl, 0.03 * 9.0)
    assert nominal.sd_calibration_g_dl == pytest.approx(want, rel=0.05)
    assert combine([nominal] * 4, model).sd_calibration_g_dl >= nominal.sd_calibration_g_dl


def test_nothing_to_combine_is_a_mistake():
    with pytest.raises(ValueError, match="nothing to combine"):
        combine([], DEFAULT)
