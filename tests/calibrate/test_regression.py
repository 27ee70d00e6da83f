"""Deming and Passing-Bablok against published estimates and independent computations."""

import numpy as np
import pytest
from published import CREATININE, LAB_AND_DEVICE
from scipy import stats

from cardreader.calibrate.regression import deming, deming_coefficients, passing_bablok


def test_deming_on_the_published_device_data():
    # R. Wicklin, "Deming regression for comparing different measurement methods", 2019.
    x, y = LAB_AND_DEVICE.T
    line = deming(x, y, np.var(x) / np.var(y))
    assert len(x) == 65
    assert line.intercept == pytest.approx(-10.56415, abs=5e-6)
    assert line.slope == pytest.approx(0.354463, abs=5e-7)


def test_deming_with_equal_errors_is_orthogonal_regression():
    # Second opinion: the first principal axis of the centred data.
    x, y = LAB_AND_DEVICE.T
    axis = np.linalg.svd(LAB_AND_DEVICE - LAB_AND_DEVICE.mean(axis=0), full_matrices=False)[2][0]
    assert deming_coefficients(x, y, 1.0)[1] == pytest.approx(axis[1] / axis[0], rel=1e-9)


def test_deming_with_an_exact_x_is_least_squares():
    x, y = LAB_AND_DEVICE.T
    line = stats.linregress(x, y)
    assert deming_coefficients(x, y, np.inf) == pytest.approx((line.intercept, line.slope))
    assert deming_coefficients(x, y, 1e9) == pytest.approx((line.intercept, line.slope), rel=1e-5)


def test_straight_line_of_the_gum_thermometer_example():
    # JCGM 100:2008, H.3: corrections of a thermometer against t - 20 degrees; y1 -0.1712 and
    # y2 0.00218 per degree, predicted correction at 30 degrees -0.1494 (readings from memory).
    t = np.array(
        [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
    )
    b = -np.array([171, 169, 166, 159, 164, 165, 156, 157, 159, 161, 160]) / 1000
    intercept, slope = deming_coefficients(t - 20, b, np.inf)
    assert intercept == pytest.approx(-0.1712, abs=5e-5)
    assert slope == pytest.approx(0.00218, abs=5e-6)
    assert intercept + 10 * slope == pytest.approx(-0.1494, abs=5e-5)


def test_exchanging_the_methods_inverts_the_line():
    x, y = LAB_AND_DEVICE.T
    a, b = deming_coefficients(x, y, 0.5)
    c, d = deming_coefficients(y, x, 2.0)
    assert (c, d) == pytest.approx((-a / b, 1 / b))


def test_deming_is_unbiased_where_least_squares_is_flattened_and_jackknife_covers():
    rng = np.random.default_rng(4)
    slopes, flattened, hits = [], [], 0
    for _ in range(300):
        truth = rng.uniform(5, 15, 60)
        x, y = truth + rng.normal(0, 1.2, 60), 1 + 0.9 * truth + rng.normal(0, 0.6, 60)
        line = deming(x, y, (0.6 / 1.2) ** 2)
        slopes.append(line.slope)
        flattened.append(stats.linregress(x, y).slope)
        hits += line.slope_ci[0] <= 0.9 <= line.slope_ci[1]
    assert np.mean(slopes) == pytest.approx(0.9, abs=0.015)
    assert np.mean(flattened) < 0.8
    assert 0.91 <= hits / 300 <= 0.99


def test_passing_bablok_on_the_published_creatinine_data():
    # R's mcr on its creatinine data prints intercept -0.1171729 (-0.2001149 to -0.0200000) and
    # slope 1.0880089 (1.0000000 to 1.173005); it finds ranks of angles, hence the last digit.
    line = passing_bablok(*CREATININE.T)
    assert line.n == 108
    assert line.intercept == pytest.approx(-0.1171729, abs=5e-8)
    assert line.slope == pytest.approx(1.0880089, abs=5e-8)
    assert line.intercept_ci == pytest.approx((-0.2001149, -0.02), abs=1e-4)
    assert line.slope_ci == pytest.approx((1.0, 1.173005), abs=1e-4)
    assert line.linearity_p > 0.05


def test_passing_bablok_is_symmetric_and_shrugs_off_an_outlier():
    x, y = LAB_AND_DEVICE.T
    scaled = y * np.ptp(x) / np.ptp(y)
    line, back = passing_bablok(x, scaled), passing_bablok(scaled, x)
    assert back.slope == pytest.approx(1 / line.slope, rel=0.01)
    with_outlier = passing_bablok(np.append(x, 70.0), np.append(scaled, 900.0))
    assert with_outlier.slope == pytest.approx(line.slope, rel=0.03)


def test_cusum_test_sees_a_bent_relation():
    rng = np.random.default_rng(8)
    x = np.linspace(3, 17, 120)
    bent = x + 0.06 * (x - 10) ** 2 + rng.normal(0, 0.4, 120)
    straight = x + rng.normal(0, 0.4, 120)
    assert passing_bablok(x, bent).linearity_p < 0.01
    assert passing_bablok(x, straight).linearity_p > 0.05


def test_methods_that_do_not_rise_together_raise():
    x = np.arange(20.0)
    with pytest.raises(ValueError, match="rise together"):
        passing_bablok(x, -2 * x + 0.1 * np.sin(x))


@pytest.mark.parametrize("ratio", [0.0, -1.0, float("nan")])
def test_a_variance_ratio_that_is_none_raises(ratio):
    with pytest.raises(ValueError, match="variance_ratio"):
        deming_coefficients([1, 2, 3], [1, 2, 4], ratio)
