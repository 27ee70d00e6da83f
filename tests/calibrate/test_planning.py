"""Sample sizes against published rules, another library and simulation."""

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.proportion import proportion_confint
from statsmodels.stats.weightstats import DescrStatsW

from cardreader.calibrate.agreement import bland_altman
from cardreader.calibrate.planning import (
    cases_for_sensitivity,
    equivalence_power,
    limits_half_width,
    pairs_for_bridge,
    subjects_for_limits,
    subjects_to_screen,
)


def test_hundred_subjects_know_the_limits_to_a_third_of_the_sd():
    # J. M. Bland's note on sample size for agreement: the interval of a limit is
    # -/+ 1.96 sqrt(3/n) sd, 0.34 sd for 100 and 0.24 sd for 200 subjects (from memory).
    for n, width in ((100, 0.34), (200, 0.24)):
        assert limits_half_width(1.0, n, method="approximate") == pytest.approx(width, abs=0.006)
        assert limits_half_width(1.0, n) == pytest.approx(width, abs=0.006)


def test_the_planned_number_gives_the_planned_width():
    n = subjects_for_limits(0.8, 0.2)
    rng = np.random.default_rng(18)
    widths = []
    for _ in range(300):
        result = bland_altman(10 + rng.normal(0, 0.8, n), np.full(n, 10.0))
        widths.append(np.ptp(result.upper_ci) / 2)
    assert np.mean(widths) == pytest.approx(0.2, rel=0.02)
    assert limits_half_width(0.8, n) <= 0.2 < limits_half_width(0.8, n - 1)


def test_cases_for_sensitivity_reach_the_assurance():
    n = cases_for_sensitivity(0.98, 0.9, assurance=0.8)
    for cases in (n, n + 1, n + 7):
        counts = np.arange(cases + 1)
        low = np.array([proportion_confint(k, cases, method="wilson")[0] for k in counts])
        assert stats.binom.pmf(counts, cases, 0.98)[low >= 0.9].sum() >= 0.8


def test_enrolment_is_more_than_cases_over_prevalence():
    n = subjects_to_screen(60, 0.03, assurance=0.9)
    assert n > 60 / 0.03
    assert stats.binom.sf(59, n, 0.03) >= 0.9 > stats.binom.sf(59, n - 1, 0.03)


def test_equivalence_power_is_that_of_the_library_test_in_simulation():
    rng, n, runs = np.random.default_rng(19), 20, 1500
    passed = sum(
        DescrStatsW(rng.normal(0, 0.8, n)).ttost_mean(-0.5, 0.5)[0] < 0.05 for _ in range(runs)
    )
    power = equivalence_power(n, 0.8, 0.5)
    assert passed / runs == pytest.approx(power, abs=3.5 * np.sqrt(power * (1 - power) / runs))
    assert equivalence_power(pairs_for_bridge(0.8, 0.5), 0.8, 0.5) >= 0.8


@pytest.mark.parametrize(
    "call",
    [
        lambda: subjects_for_limits(0, 0.2),
        lambda: subjects_for_limits(1.0, 1e-6),
        lambda: cases_for_sensitivity(0.9, 0.95),
        lambda: subjects_to_screen(10, 0),
        lambda: pairs_for_bridge(1.0, 0.5, power=1.0),
    ],
)
def test_plans_that_make_no_sense_raise(call):
    with pytest.raises(ValueError):  # noqa: PT011 - each message is its own
        call()
