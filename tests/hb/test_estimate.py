"""From corrected colour to a distribution of haemoglobin."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from cardreader.core.refusal import Reason, Refusal
from cardreader.core.shipped import shipped
from cardreader.hb.calibration import Calibration
from cardreader.hb.estimate import HbEstimate, estimate, estimates, read_hb
from cardreader.hb.measured import Measured

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
        signature_centre=np.zeros(0),
        posterior=None,
        sittings=None,
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
    return estimate(Measured(at(calibration, hb), photo, calibration.signature_mean), calibration)


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
    near, off, far = (
        read_hb(Measured(on + sd * step, NONE, middle), DEFAULT)
        for step in (np.zeros(3), np.array([0.8, -0.8, 0]), np.array([9, -9, 0]))
    )
    assert isinstance(near, HbEstimate)
    assert isinstance(off, HbEstimate)
    assert np.ptp(off.interval_g_dl) > np.ptp(near.interval_g_dl)
    assert isinstance(far, Refusal)
    assert far.reason is Reason.NOT_BLOOD_COLOUR


@pytest.mark.parametrize("hb", [1.4, 21.0])
def test_beyond_the_range_is_refused(hb):
    out = read_hb(Measured(at(DEFAULT, hb), NONE, DEFAULT.signature_mean), DEFAULT)
    assert isinstance(out, Refusal)
    assert out.reason is Reason.OUT_OF_RANGE


def test_probabilities_are_probabilities():
    out = read(9.0, DEFAULT)
    grid = np.linspace(0, 30, 200)
    below = np.array([out.p_below(x) for x in grid])
    assert np.all(np.diff(below) >= -1e-12)
    assert below[0] == pytest.approx(0, abs=1e-6)
    assert below[-1] == pytest.approx(1, abs=1e-6)


def test_a_lot_never_measured_widens_for_all_blots_alike():
    """JCGM 100:2008, 5.2: the card's print is common to all blots, so it doesn't average out.

    The straight locus goes through nothing at 0 g/dL, where a relative doubt about
    the log ratio is the same relative doubt about haemoglobin.
    """
    model = straight(sd=0.005)
    measured = read(9.0, model)
    nominal = estimate(Measured(at(model, 9.0), NONE, np.zeros(0)), model, print_sd=0.03)
    want = np.hypot(measured.sd_calibration_g_dl, 0.03 * 9.0)
    assert nominal.sd_calibration_g_dl == pytest.approx(want, rel=0.05)


def test_many_photos_are_read_as_each_alone():
    """One estimator: signature, doubt, fading, a nominal lot's print and all."""
    rng = np.random.default_rng(2)
    n, s = 12, len(DEFAULT.signature_mean)
    colours = np.stack([at(DEFAULT, hb) for hb in rng.uniform(4, 15, n)])
    signatures = DEFAULT.signature_mean + rng.normal(0, 1.5, (n, s)) * DEFAULT.signature_sd
    many = Measured(
        colours + rng.normal(0, 0.02, (n, 3)), np.tile(1e-4 * np.eye(3), (n, 1, 1)), signatures
    )
    print_sd = rng.choice([0.0, 0.03], n)
    found = estimates(many, DEFAULT, print_sd)
    read = found.final()
    low, high = read.interval(DEFAULT.coverage)
    for i in range(n):
        one = estimate(many[i], DEFAULT, float(print_sd[i]))
        assert read.median[i] == pytest.approx(one.hb_g_dl, abs=1e-9)
        assert (low[i], high[i]) == pytest.approx(one.interval_g_dl, abs=1e-9)
        assert read.all_below(7.0)[i] == pytest.approx(one.p_below(7.0), abs=1e-9)
        accepted = not isinstance(read_hb(many[i], DEFAULT, float(print_sd[i])), Refusal)
        assert found.readable[i] == accepted


def test_more_photos_than_are_worked_out_at_once_come_out_the_same(monkeypatch):
    monkeypatch.setattr("cardreader.hb.estimate.MOST_AT_ONCE", 100)
    rng = np.random.default_rng(3)
    colours = np.stack([at(DEFAULT, hb) for hb in rng.uniform(4, 15, 30)])[np.arange(230) % 30]
    n = len(colours)
    many = Measured(
        colours, np.tile(1e-4 * np.eye(3), (n, 1, 1)), np.tile(DEFAULT.signature_mean, (n, 1))
    )
    whole = estimates(many, DEFAULT)
    some = estimates(many[90:110], DEFAULT)
    assert len(whole.raw) == n
    assert whole.raw.density[90:110] == pytest.approx(some.raw.density, rel=1e-9)


def strange_card(distance2: float) -> Measured:
    """A blot of 9 g/dL by a card at a distance from those of the default's fit."""
    n = len(DEFAULT.signature_mean)
    away = np.linalg.eigh(DEFAULT.signature_precision)[1][:, 0]
    size = np.sqrt(n * distance2 / (away @ DEFAULT.signature_precision @ away))
    z = DEFAULT.signature_centre + size * away
    signature = DEFAULT.signature_mean + z * DEFAULT.signature_sd
    at = int(np.argmin(np.abs(DEFAULT.grid_g_dl - 9.0)))
    return Measured(DEFAULT.expected(signature)[at], 1e-6 * np.eye(3), signature)


def test_a_strange_card_is_read_with_an_interval_half_as_wide_again_and_no_further():
    without = replace(DEFAULT, signature_doubt=0.0)
    widths = []
    for distance2 in (1.0, 3.5, 11.0):
        seen = strange_card(distance2)
        assert DEFAULT.strangeness(seen.signature) == pytest.approx(distance2, rel=1e-6)
        wide, plain = (
            float(np.ptp(estimate(seen, c).image.interval(0.9))) for c in (DEFAULT, without)
        )
        widths.append(wide / plain)
    assert widths == pytest.approx([1.0, 1.5, 1.5], abs=0.03)
    refused = read_hb(strange_card(13.0), DEFAULT)
    assert isinstance(refused, Refusal)
    assert "unlike any" in refused.detail
