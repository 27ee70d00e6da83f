"""Distributions of haemoglobin against scipy's."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from cardreader.hb.distribution import HbDistribution, mass_below

GRID = np.linspace(0.5, 25, 491)


def of(*columns) -> HbDistribution:
    return HbDistribution.of_log_density(GRID, np.array(columns))


def test_quantiles_and_chances_are_scipys():
    means, sds = (8.0, 12.0), (0.5, 1.1)
    found = of(*(stats.norm.logpdf(GRID, m, s) for m, s in zip(means, sds, strict=True)))
    low, high = found.interval(0.9)
    for i, (m, s) in enumerate(zip(means, sds, strict=True)):
        normal = stats.norm(m, s)
        assert found.median[i] == pytest.approx(m, abs=0.005)
        assert (low[i], high[i]) == pytest.approx(normal.interval(0.9), abs=0.01)
        assert found.all_below(9.3)[i] == pytest.approx(normal.cdf(9.3), abs=0.005)
        assert found.sd[i] == pytest.approx(s, rel=0.01)
        assert found[i].p_below(9.3) == pytest.approx(found.all_below(9.3)[i])


def test_a_normal_value_is_normal():
    found = HbDistribution.normal(10.0, 0.4)
    assert found.hb_g_dl == pytest.approx(10.0)
    assert float(found.sd) == pytest.approx(0.4, rel=1e-3)
    assert found.p_below(9.5) == pytest.approx(stats.norm.cdf(9.5, 10.0, 0.4), abs=1e-4)


def test_an_exact_value_is_below_what_is_above_it_alone():
    found = HbDistribution.normal(7.0, 0.0)
    assert (found.p_below(7.0), found.p_below(7.01), found.p_below(6.9)) == (0.0, 1.0, 0.0)
    assert found.interval(0.9) == (7.0, 7.0)


def test_a_negative_error_is_a_mistake():
    with pytest.raises(ValueError, match="negative"):
        HbDistribution.normal(9.0, -0.1)


def test_stretching_is_about_the_median_and_each_by_its_own():
    one = stats.skewnorm.logpdf(GRID, 3, 9, 0.8)
    both = of(one, one)
    wide = both.stretched([1.0, 1.5])
    assert wide.median == pytest.approx(both.median, abs=0.01)
    assert wide.sd[1] == pytest.approx(1.5 * both.sd[1], rel=0.02)
    assert wide.sd[0] == pytest.approx(both.sd[0], rel=1e-6)


def test_scatter_in_proportion_adds_in_squares():
    spread = of(stats.norm.logpdf(GRID, 10.0, 0.3)).spread_in_proportion(0.05)
    assert spread.sd[0] == pytest.approx(np.hypot(0.3, 0.5), rel=0.02)


def test_probabilities_rise_from_0_to_1():
    found = of(stats.t.logpdf((GRID - 9) / 0.5, 4))[0]
    below = np.array([found.p_below(x) for x in np.linspace(0, 30, 200)])
    assert np.all(np.diff(below) >= -1e-12)
    assert (below[0], below[-1]) == pytest.approx((0, 1), abs=1e-6)


@pytest.mark.parametrize("cv", [0.0, 0.03, 0.2])
def test_what_lies_below_is_told_without_spreading_each(cv):
    """Two ways to one number, also at a point of the grid, in its end cells and beyond them."""
    rng = np.random.default_rng(12)
    grid = np.arange(2.0, 22.0, 0.05)
    values = np.array([-1.0, 2.0, 2.01, 7.05, 9.987, 21.94, 21.96, 40.0])
    many = HbDistribution.of_log_density(grid, rng.normal(0, 2, (len(values), len(grid))))
    spread = many.spread_in_proportion(cv)
    below = [spread[i].p_below(value) for i, value in enumerate(values)]
    counts = mass_below(grid, values, cv)
    np.testing.assert_allclose((many.density * counts).sum(axis=1), below, atol=1e-12)
