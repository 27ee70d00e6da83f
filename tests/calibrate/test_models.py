"""The candidates: what they recover, and that they predict as the reader does."""

import numpy as np
import pytest
from blots import locus, measured
from sklearn.base import clone

from cardreader.calibrate.anchored import RampAnchored
from cardreader.calibrate.locus import Locus
from cardreader.calibrate.models import (
    DensityLine,
    MonotoneInterpolation,
    MonotoneSpline,
    candidates,
)
from cardreader.calibrate.regression import deming_coefficients
from cardreader.calibrate.scores import needed_factor
from cardreader.core.shipped import shipped
from cardreader.hb.calibration import Calibration
from cardreader.hb.estimate import estimates
from cardreader.hb.measured import Measured


@pytest.fixture(scope="module")
def shipped_calibration():
    return Calibration.load(shipped("default"))


def _training(seed, n=150, lab_sd=0.15, volume_cv=0.03):
    rng = np.random.default_rng(seed)
    hb = rng.uniform(4, 15, n)
    return measured(hb, rng, volume_cv).rows(), hb, hb + rng.normal(0, lab_sd, n)


@pytest.fixture(scope="module")
def base():
    X, _, lab = _training(1, 800, 0.0)
    return MonotoneSpline(volume_cv=0.03).fit(X, lab, 0.05).calibration_


@pytest.mark.parametrize("name", ["monotone interpolation", "monotone spline", "ramp-anchored"])
def test_flexible_candidates_read_new_blots_without_bias(name, base):
    X, _, lab = _training(4, 300)
    model = clone(candidates(base, 0.03)[name]).fit(X, lab, 0.15)
    new, truth, _ = _training(5, 1500)
    error = model.predict(new) - truth
    for low, high in ((4.5, 7), (7, 9), (9, 11), (11, 14.5)):
        inside = (truth > low) & (truth < high)
        assert abs(error[inside].mean()) < 0.15
    assert np.sqrt(np.mean(error**2)) < 0.6


@pytest.mark.parametrize("name", ["monotone interpolation", "monotone spline", "ramp-anchored"])
def test_a_copy_shares_the_base_and_keeps_what_it_was_made_with(name, base):
    """A base has tens of thousands of numbers, and a study makes a hundred copies."""
    model = candidates(base, 0.03)[name]
    made = clone(model)
    assert type(made) is type(model)
    assert made is not model
    given = model.get_params(deep=False)
    assert given["base"] is not None
    assert all(made.get_params(deep=False)[key] is value for key, value in given.items())


def test_a_poor_laboratory_does_not_flatten_the_scale():
    # With laboratory errors of 1 g/dL ordinary regression of colour on laboratory values would
    # read low values too low and high values too high; error of the mean slope over studies.
    # All are asked of the same new blots: 400 tell them apart as 1500 do (0.0949 and 0.0940 of the
    # slope by ordinary regression, 0.0453 by both in the fit that knows the errors).
    slopes, naive = [], []
    new, truth, _ = _training(7, 400)
    for seed in range(6):
        X, _, lab = _training(30 + seed, 250, lab_sd=1.0)
        for ignored, found in ((1.0, slopes), (0.0, naive)):
            reading = DensityLine("kubelka_munk", volume_cv=0.03).fit(X, lab, ignored).predict(new)
            found.append(np.polyfit(truth, reading, 1)[0])
    exact, _, lab0 = _training(40, 1500, lab_sd=0.0)
    reading = DensityLine("kubelka_munk", volume_cv=0.03).fit(exact, lab0, 0.0).predict(new)
    wanted = np.polyfit(truth, reading, 1)[0]
    assert np.mean(naive) - wanted > 0.06
    assert abs(np.mean(slopes) - wanted) < 0.5 * (np.mean(naive) - wanted)


def test_anchored_scale_is_demings_line(base):
    rng = np.random.default_rng(8)
    hb = rng.uniform(5, 14, 60)
    X = measured(hb, rng, 0.03).rows()
    lab = 0.6 + 1.08 * hb + rng.normal(0, 0.2, 60)
    model = RampAnchored(base, volume_cv=0.03).fit(X, lab, 0.2)
    old = estimates(Measured.of_rows(X), base).raw.median
    left = lab - model.intercept_ - model.slope_ * old
    own = np.mean(left**2) - 0.2**2
    a, b = deming_coefficients(old, lab, 0.2**2 / (own / model.slope_**2))
    assert (model.intercept_, model.slope_) == pytest.approx((a, b), abs=0.01)
    assert model.slope_ == pytest.approx(1.08, abs=0.05)


def test_anchored_to_itself_changes_nothing(base):
    X, _, lab = _training(9, 400, 0.05)
    model = RampAnchored(base, offset_only=True, volume_cv=0.03).fit(X, lab, 0.05)
    assert abs(model.intercept_) < 0.1
    assert model.slope_ == 1.0


def test_no_base_no_anchor():
    X, _, lab = _training(10)
    with pytest.raises(ValueError, match="base"):
        RampAnchored().fit(X, lab)
    assert "ramp-anchored" not in candidates()


@pytest.mark.parametrize("model", [MonotoneInterpolation(), MonotoneSpline(), DensityLine()])
def test_the_fitted_locus_falls_and_makes_a_valid_calibration(model):
    X, _, lab = _training(11, 60)
    made = model.fit(X, lab, 0.15).calibration_
    assert (np.diff(made.locus, axis=0) <= 1e-12).all()
    assert Calibration.from_json(made.to_json()).n_pairs == 60
    assert made.domain_g_dl[0] < lab.min() < lab.max() < made.domain_g_dl[1]


@pytest.mark.parametrize("density", ["transmission", ""])
def test_an_unknown_density_raises(density):
    X, _, lab = _training(12)
    with pytest.raises(ValueError, match="density"):
        DensityLine(density).fit(X, lab)


def test_too_few_rows_raise():
    X, _, lab = _training(13, 5)
    with pytest.raises(ValueError, match="at least 8"):
        MonotoneSpline().fit(X, lab)


def test_the_nearest_point_of_the_curve_is_the_truth_without_noise():
    knots = np.linspace(3, 16, 30)
    curve = Locus(knots, locus(knots))
    hb = np.linspace(3.5, 15.5, 40)
    found, sd = curve.nearest(curve.at(hb), np.tile(1e-4 * np.eye(3), (40, 1, 1)))
    assert found == pytest.approx(hb, abs=1e-3)
    slope = np.linalg.norm(curve.slope(hb), axis=1)
    assert sd == pytest.approx(1e-2 / slope, rel=5e-3)


def test_a_locus_that_rises_raises():
    with pytest.raises(ValueError, match="fall"):
        Locus([5.0, 6.0], [[-0.2, -0.2, -0.2], [-0.1, -0.3, -0.3]])


def test_widened_intervals_grow_with_the_factor_and_hold_at_the_needed_one(base):
    X, _, lab = _training(14, 40)
    found = estimates(Measured.of_rows(X), base)
    needed = needed_factor(found, lab, 0.03, 0.9)
    for scale, hold in ((1.02, True), (0.95, False)):
        low, high = found.final(needed * scale, 0.03).interval(0.9)
        inside = (low <= lab) & (lab <= high)
        bound = needed > 0.05  # volume scatter alone may hold a value that lies in the middle
        assert inside[bound].all() if hold else not inside[bound].any()


def test_a_value_that_no_interval_could_hold_needs_infinity(base):
    X, _, _ = _training(15, 10)
    needed = needed_factor(estimates(Measured.of_rows(X), base), np.full(10, 60.0), 0.03, 0.9)
    assert np.isinf(needed).all()
