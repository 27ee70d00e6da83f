"""Robust statistics against scipy and plain simulation; sources beside each check."""

import numpy as np
import pytest
from scipy import stats

from cardreader.core.robust import (
    EACH,
    LARGEST,
    NORM,
    birge_ratio2,
    cauchy,
    huber,
    parameters_spent,
    pseudo_huber,
    reweighted_fit,
    t_log_density,
    t_weight,
    truncated_square,
)


@pytest.mark.parametrize("m", [1, 2, 3])
def test_scales_are_right_for_normal_residuals_of_any_dimension(m):
    """Medians by scipy and by simulation: the factor 1.4826 is for m = 1 only."""
    assert NORM.median(m) == pytest.approx(stats.chi.ppf(0.5, m), rel=1e-14)
    all_below = (1 + 0.5 ** (1 / m)) / 2
    assert LARGEST.median(m) == pytest.approx(stats.norm.ppf(all_below), rel=1e-14)
    assert EACH.median(m) == pytest.approx(stats.norm.ppf(0.75), rel=1e-14)
    rng = np.random.default_rng(1)
    residual = rng.normal(0, 0.7, (200_000, m))
    for size in (NORM, LARGEST, EACH):
        assert size.sd(size.of(residual), m) == pytest.approx(0.7, rel=0.01)


@pytest.mark.parametrize("make", [huber, pseudo_huber, cauchy, truncated_square])
def test_the_weight_is_the_slope_of_the_cost(make):
    """Reweighting minimises the cost when weight = cost'(z) / (2 z)."""
    loss = make(2.5)
    z = np.array([0.3, 1.0, 2.0, 3.1, 6.0, 20.0])
    slope = (loss.cost(z + 1e-5) - loss.cost(z - 1e-5)) / 2e-5
    assert loss.weight(z) == pytest.approx(slope / (2 * z), rel=1e-4)


def test_a_robust_fit_agrees_with_statsmodels():
    """Huber's regression with the scale held: statsmodels.RLM, same knee."""
    robust = pytest.importorskip("statsmodels.robust")
    from statsmodels.robust.robust_linear_model import RLM

    rng = np.random.default_rng(2)
    design = np.column_stack([np.ones(80), rng.normal(size=(80, 2))])
    target = design @ [1.0, 2.0, -1.0] + rng.normal(0, 0.2, 80)
    target[:8] += 4.0
    ours = reweighted_fit(
        design, target[:, None], huber(1.345), NORM, known_sd=0.2, rounds=100
    ).coefficients[:, 0]

    class _Known(robust.scale.HuberScale):
        def __call__(self, *_):
            return 0.2

    theirs = RLM(target, design, M=robust.norms.HuberT(1.345)).fit(
        scale_est=_Known(), maxiter=200, tol=1e-12
    )
    assert ours == pytest.approx(theirs.params, abs=1e-6)


def test_residuals_beyond_the_knee_are_rare_when_nothing_is_amiss():
    rng = np.random.default_rng(3)
    design = np.ones((5000, 1))
    fit = reweighted_fit(design, rng.normal(0, 0.01, (5000, 3)), huber(3.0), NORM)
    assert (fit.weight < 1).mean() == pytest.approx(stats.chi.sf(3.0, 3), abs=0.01)


def test_numbers_for_themselves_leave_each_column_its_own_weight():
    target = np.zeros((20, 2))
    target[3, 1] = 9.0
    fit = reweighted_fit(np.ones((20, 1)), target, huber(1.0), EACH, known_sd=0.1, rounds=30)
    assert fit.weight[3, 0] == 1.0
    assert fit.weight[3, 1] < 0.05
    assert fit.coefficients[0, 1] == pytest.approx(0.0, abs=0.01)


def test_priors_spend_what_the_trace_says():
    """Ridge regression: the trace of its hat matrix, by definition."""
    rng = np.random.default_rng(4)
    design, ridge = rng.normal(size=(30, 5)), 7.0 * np.eye(5)
    gram = design.T @ design
    hat = design @ np.linalg.inv(gram + ridge) @ design.T
    assert parameters_spent(gram + ridge, gram) == pytest.approx(np.trace(hat))
    assert parameters_spent(gram, gram) == pytest.approx(5)


def test_birge_ratio_is_one_for_residuals_as_they_should_be():
    """Expected chi-squared per degree of freedom is 1; it never narrows."""
    rng = np.random.default_rng(5)
    residual = rng.normal(size=100_000)
    assert birge_ratio2(np.ones_like(residual), 2 * residual, 0) == pytest.approx(4, rel=0.02)
    assert birge_ratio2(np.ones_like(residual), 0.5 * residual, 0) == 1.0


def test_t_density_is_scipys():
    rng = np.random.default_rng(6)
    scale = np.array([[2.0, 0.3, 0.0], [0.3, 1.0, 0.2], [0.0, 0.2, 0.5]])
    x = rng.normal(size=(50, 3))
    distance2 = np.einsum("ni,ij,nj->n", x, np.linalg.inv(scale), x)
    ours = t_log_density(distance2, np.linalg.slogdet(scale)[1], 5.0)
    theirs = stats.multivariate_t(np.zeros(3), scale, df=5).logpdf(x)
    assert np.ptp(ours - theirs) < 1e-9


@pytest.mark.parametrize("m", [3, 48])
def test_the_weight_of_a_t_is_the_slope_of_its_density(m):
    distance2, step = np.linspace(0.5, 60, 40), 1e-4
    rise = t_log_density(distance2 + step, 0.0, 5.0, m) - t_log_density(
        distance2 - step, 0.0, 5.0, m
    )
    assert np.allclose(t_weight(distance2, 5.0, m), -2 * rise / (2 * step), rtol=1e-6)
