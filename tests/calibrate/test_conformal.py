"""The exact rank, its two coverage bounds, groups, and a library's second opinion."""

import numpy as np
import pytest
from scipy import special, stats

from cardreader.calibrate.conformal import (
    TooFewPairsError,
    conformal_scale,
    exact_rank,
    group_scale,
    least_groups,
    one_per_group,
)
from cardreader.calibrate.coverage import coverage_by


@pytest.mark.parametrize(
    ("n", "miss", "rank"), [(9, 0.1, 9), (10, 0.1, 10), (19, 0.05, 19), (99, 0.1, 90)]
)
def test_exact_rank(n, miss, rank):
    assert exact_rank(n, miss) == rank


@pytest.mark.parametrize(("n", "miss"), [(8, 0.1), (18, 0.05), (0, 0.5)])
def test_too_few_pairs_raise_and_never_widen_to_infinity(n, miss):
    with pytest.raises(TooFewPairsError, match="at least"):
        conformal_scale(np.ones(n), miss)


def test_pairs_beyond_any_interval_count_and_raise_when_they_are_too_many():
    scores = np.append(np.arange(1.0, 20.0), np.inf)
    assert conformal_scale(scores, 0.1) == 19.0
    with pytest.raises(ValueError, match="no interval"):
        conformal_scale(np.append(scores, [np.inf, np.inf]), 0.1)


def test_least_groups_is_the_first_that_does_not_raise():
    for miss in (0.2, 0.1, 0.05, 0.01):
        least = least_groups(miss)
        assert exact_rank(least, miss) == least
        with pytest.raises(TooFewPairsError):
            exact_rank(least - 1, miss)


@pytest.mark.parametrize("n", [9, 20, 57])
def test_split_coverage_keeps_both_finite_sample_bounds(n):
    # 1 - a <= P(covered) <= 1 - a + 1/(n + 1) for exchangeable scores without ties (Lei et al.,
    # JASA 2018; 113: 1094-1111); the probability given the scores is exact, so that only the
    # spread over repeated splits is simulated.
    rng, runs, miss = np.random.default_rng(13), 4000, 0.1
    covered = []
    for _ in range(runs):
        scale = conformal_scale(np.abs(rng.standard_t(4, n)), miss)
        covered.append(1 - 2 * stats.t.sf(scale, 4))
    mean, error = np.mean(covered), np.std(covered) / np.sqrt(runs)
    assert 1 - miss - 3 * error <= mean <= 1 - miss + 1 / (n + 1) + 3 * error


def test_coverage_over_repeated_splits_follows_the_beta_law():
    # Coverage given the scores is Beta(rank, n + 1 - rank) (Vovk, ACML 2012).
    rng, n = np.random.default_rng(14), 40
    rank = exact_rank(n, 0.1)
    covered = [
        1 - 2 * stats.norm.sf(conformal_scale(np.abs(rng.normal(size=n)))) for _ in range(1500)
    ]
    assert stats.kstest(covered, stats.beta(rank, n + 1 - rank).cdf).pvalue > 0.01


@pytest.mark.parametrize("women", [19, 40])
def test_weighting_women_equally_keeps_both_bounds_where_counting_rows_breaks_them(women):
    # 1 - a <= P(covered) <= 1 - a + 2/(n + 1) for a reading of a new woman (Lee, Barber,
    # Willett 2023), though the readings of one woman hang together. Women who are read often
    # err more here, as when a doubtful reading is repeated; counting rows would learn from them.
    rng, miss, runs = np.random.default_rng(15), 0.1, 1500
    sds = np.hypot([0.5, 1.0], 0.1)
    grouped, rows = [], []

    def covered(scale):
        return np.mean(1 - 2 * special.ndtr(-scale / sds))

    for _ in range(runs):
        often = rng.random(women) < 0.5
        group = np.repeat(np.arange(women), np.where(often, 12, 1))
        spread = np.where(often, 0.5, 1.0)
        own = (spread * rng.normal(0, 1.0, women))[group] + rng.normal(0, 0.1, group.size)

        scores = np.abs(own)
        grouped.append(covered(group_scale(scores, group, miss)))
        rows.append(covered(conformal_scale(scores, miss)))
    error = np.std(grouped) / np.sqrt(runs)
    assert 1 - miss - 3 * error <= np.mean(grouped) <= 1 - miss + 2 / (women + 1) + 3 * error
    assert np.mean(rows) < 0.9 - 3 * error


def test_with_one_reading_a_woman_the_group_scale_is_the_exact_rank():
    scores = np.random.default_rng(3).exponential(size=57)
    for miss in (0.05, 0.1, 0.2):
        assert group_scale(scores, np.arange(57), miss) == conformal_scale(scores, miss)
    with pytest.raises(TooFewPairsError):
        group_scale(np.ones(80), np.arange(80) % 8, 0.1)


def test_group_scale_by_hand():
    # Nine women, one of them read three times: her readings weigh a third each, and the weight
    # of nine that 90 % of ten women ask for is only reached by the largest score.
    group = [*range(1, 9), 0, 0, 0]
    scores = [1, 2, 3, 4, 5, 6, 7, 8, 0.5, 9, 10]
    assert group_scale(scores, group, 0.1) == 10
    # 80 % of ten women weigh 8: eight single readings at most 8 and a third of woman 0.
    assert group_scale(scores, group, 0.2) == 8


def test_one_per_group_takes_each_group_once_and_repeats_with_its_seed():
    group = np.array(["b", "a", "b", "c", "a", "b"])
    chosen = one_per_group(group, 3)
    assert sorted(group[chosen]) == ["a", "b", "c"]
    assert np.array_equal(chosen, one_per_group(group, 3))
    assert any(not np.array_equal(chosen, one_per_group(group, seed)) for seed in range(20))


def test_scale_agrees_with_mapie_on_grouped_folds():
    # Second opinion: MAPIE's cross-conformal regressor, the same folds, absolute scores.
    from mapie.regression import CrossConformalRegressor
    from sklearn.linear_model import LinearRegression
    from sklearn.model_selection import GroupKFold, cross_val_predict

    rng = np.random.default_rng(16)
    x = rng.uniform(0, 1, (60, 1))
    y = 3 * x[:, 0] + rng.normal(0, 0.3, 60)
    group = np.arange(60) // 2
    folds = GroupKFold(5)
    held_out = cross_val_predict(LinearRegression(), x, y, groups=group, cv=folds)
    ours = conformal_scale(np.abs(y - held_out), 0.1)
    library = CrossConformalRegressor(LinearRegression(), 0.9, method="base", cv=folds)
    library.fit_conformalize(x, y, groups=group)
    _, interval = library.predict_interval(x)
    half = (interval[:, 1, 0] - interval[:, 0, 0]) / 2
    assert half == pytest.approx(ours)


def test_coverage_by_part_counts_with_intervals():
    rows = coverage_by(
        [True, True, False, True], [1.0, 1.0, 2.0, 2.0], {"phone": ["a", "a", "b", "b"]}
    )
    found = {(row.part, row.value): row for row in rows}
    assert found["all", "all"].coverage.count == 3
    assert found["phone", "b"].coverage.value == 0.5
    assert found["phone", "b"].mean_width_g_dl == 2.0


def test_negative_or_missing_scores_raise():
    with pytest.raises(ValueError, match="not negative"):
        conformal_scale([1.0, -1.0])
    with pytest.raises(ValueError, match="not negative"):
        conformal_scale([1.0, float("nan")])
