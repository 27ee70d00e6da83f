"""Bland-Altman against the paper that gave the method, and intervals against simulation."""

import numpy as np
import pytest
from published import PEFR
from scipy import stats

from cardreader.calibrate.agreement import (
    bland_altman,
    bland_altman_replicates,
    limit_interval,
)


def test_first_readings_of_the_1986_paper():
    # Bland and Altman, Lancet 1986; i: 307-310: mean difference -2.1, sd 38.8 l/min, limits
    # -79.7 and 75.5 from mean -/+ 2 sd; interval of the bias -22.0 to 17.8.
    result = bland_altman(PEFR[:, 0], PEFR[:, 2], z=2, ci_method="approximate")
    assert result.bias == pytest.approx(-2.1, abs=0.05)
    assert result.sd == pytest.approx(38.8, abs=0.05)
    assert result.lower == pytest.approx(-79.7, abs=0.11)  # the paper rounds the sd first
    assert result.upper == pytest.approx(75.5, abs=0.11)
    assert result.bias_ci == pytest.approx((-22.0, 17.8), abs=0.1)


def test_approximate_limit_interval_of_the_1986_paper():
    # The paper rounds the standard error to sqrt(3/n) sd and gets -114.3 to -45.1 and 40.9
    # to 110.1; the unrounded form is 2 % wider.
    result = bland_altman(PEFR[:, 0], PEFR[:, 2], z=2, ci_method="approximate")
    assert result.lower_ci == pytest.approx((-114.3, -45.1), abs=1.0)
    assert result.upper_ci == pytest.approx((40.9, 110.1), abs=1.0)


def test_exact_interval_is_the_one_sided_tolerance_factor():
    # NIST/SEMATECH e-Handbook 7.2.6.3: n 43, 90 % of the population, 99 % confidence; 1.8752 by
    # the approximation printed there, 1.8740 from the noncentral t (both from memory).
    _, high = limit_interval(float(stats.norm.ppf(0.9)), 43, confidence=0.98)
    assert high == pytest.approx(1.8740, abs=2e-4)


def test_interval_of_the_lower_limit_mirrors_that_of_the_upper():
    assert limit_interval(-1.96, 30) == pytest.approx(limit_interval(1.96, 30)[::-1] * -np.ones(2))


@pytest.mark.parametrize("n", [10, 40])
def test_exact_interval_covers_the_true_limit(n):
    rng = np.random.default_rng(6)
    truth, hits, runs = 0.2 + 1.96 * 0.8, 0, 2000
    low, high = limit_interval(1.96, n)
    for row in rng.normal(0.2, 0.8, size=(runs, n)):
        bias, sd = row.mean(), row.std(ddof=1)
        hits += bias + low * sd <= truth <= bias + high * sd
    assert hits / runs == pytest.approx(0.95, abs=3 * np.sqrt(0.05 * 0.95 / runs))


def test_replicates_find_the_sd_of_a_single_difference_and_cover_the_limit():
    rng = np.random.default_rng(11)
    between, within, runs, hits, sds = 0.5, 0.6, 400, 0, []
    truth = 1.96 * np.hypot(between, within)
    subject = np.repeat(np.arange(40), 2)
    for _ in range(runs):
        difference = rng.normal(0, between, 40)[subject] + rng.normal(0, within, 80)
        lab = rng.uniform(5, 15, 40)[subject]
        result = bland_altman_replicates(lab + difference, lab, subject)
        sds.append(result.sd**2)
        hits += result.upper_ci[0] <= truth <= result.upper_ci[1]
    assert np.mean(sds) == pytest.approx(between**2 + within**2, rel=0.05)
    assert 0.92 <= hits / runs <= 0.99


def test_one_reading_a_subject_is_the_plain_method():
    plain = bland_altman(PEFR[:, 0], PEFR[:, 2])
    assert bland_altman_replicates(PEFR[:, 0], PEFR[:, 2], np.arange(17)) == plain


def test_replicates_counted_as_subjects_would_give_a_narrower_bias_interval():
    rng = np.random.default_rng(2)
    subject = np.repeat(np.arange(20), 5)
    lab = rng.uniform(5, 15, 20)[subject]
    test = lab + rng.normal(0, 1, 20)[subject] + rng.normal(0, 0.2, 100)
    honest = bland_altman_replicates(test, lab, subject)
    naive = bland_altman(test, lab)
    assert np.ptp(honest.bias_ci) > 1.5 * np.ptp(naive.bias_ci)


def test_a_difference_that_grows_with_the_level_shows_in_the_trend():
    lab = np.linspace(4, 16, 60)
    noise = np.random.default_rng(3).normal(0, 0.3, 60)
    assert bland_altman(1.1 * lab + noise, lab).trend_p < 1e-6
    assert bland_altman(lab + noise, lab).trend_p > 0.01


def test_replicates_raise_no_more_false_trends_than_they_say():
    """Readings of a woman share her part of the difference: least squares over all of them
    (statsmodels) finds a trend in 30 % of studies that have none."""
    # Here, since each process of the tests would load it.
    from statsmodels.regression.linear_model import OLS
    from statsmodels.tools import add_constant

    rng = np.random.default_rng(5)
    runs, subject, ours, all_readings = 300, np.repeat(np.arange(40), 4), 0, 0
    for _ in range(runs):
        true = rng.uniform(5, 15, 40)
        # Both as far off as the other: else the mean of both leans by itself.
        lab, test = ((true + rng.normal(0, 0.4, 40))[subject] for _ in range(2))
        test = test + rng.normal(0, 0.2, 160)
        ours += bland_altman_replicates(test, lab, subject).trend_p < 0.05
        line = OLS(test - lab, add_constant((test + lab) / 2)).fit()
        all_readings += line.pvalues[1] < 0.05
    assert ours / runs == pytest.approx(0.05, abs=0.04)
    assert all_readings / runs > 0.2


@pytest.mark.parametrize(
    ("test", "reference"),
    [([1, 2], [1, 2]), ([1, 2, 3], [1, 2]), ([1, 2, float("nan")], [1, 2, 3])],
)
def test_unusable_pairs_raise(test, reference):
    with pytest.raises(ValueError, match=r"pairs|length|finite"):
        bland_altman(test, reference)
