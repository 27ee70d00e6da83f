"""Proportions, ROC and kappa against published tables and other libraries."""

import numpy as np
import pytest
from sklearn import metrics

from cardreader.calibrate.diagnostic import (
    ANSWERS,
    MEANING,
    TRUTHS,
    band,
    consequences,
    cut_off,
    roc,
    weighted_kappa,
    within_total_error,
)
from cardreader.calibrate.proportion import proportion


@pytest.mark.parametrize(
    ("count", "total", "low", "high"),
    [
        # Newcombe, Statistics in Medicine 1998; 17: 857-872, table I, method 3.
        (81, 263, 0.2553, 0.3662),
        (15, 148, 0.0624, 0.1605),
        (0, 20, 0.0000, 0.1611),
        (1, 29, 0.0061, 0.1718),
    ],
)
def test_wilson_interval_as_published(count, total, low, high):
    assert proportion(count, total).ci == pytest.approx((low, high), abs=5e-5)


def test_nothing_counted_is_no_share_and_not_nan():
    assert proportion(0, 0).value is None
    assert proportion(0, 0).ci is None


def test_cut_off_counts_by_hand():
    lab = [5.0, 6.0, 6.9, 7.0, 7.2, 9.0, 12.0]
    called = [True, True, False, True, False, False, False]
    result = cut_off(called, lab, 7.0)
    assert (result.sensitivity.count, result.sensitivity.total) == (2, 3)
    assert (result.specificity.count, result.specificity.total) == (3, 4)
    assert (result.positive_value.count, result.positive_value.total) == (2, 3)
    assert (result.negative_value.count, result.negative_value.total) == (3, 4)


def test_grey_zone_leaves_out_pairs_that_the_laboratory_itself_cannot_place():
    lab = [5.0, 6.0, 6.9, 7.0, 7.2, 9.0, 12.0]
    called = [True, True, False, True, False, False, False]
    result = cut_off(called, lab, 7.0, grey_zone_g_dl=0.5)
    assert result.excluded == 3
    assert result.sensitivity.value == 1.0
    assert result.specificity.value == 1.0


def test_roc_area_agrees_with_scikit_learn_and_its_interval_covers():
    rng = np.random.default_rng(5)
    lab = rng.uniform(4, 15, 4000)
    truth = metrics.roc_auc_score(lab < 11, -(lab + rng.normal(0, 2.5, lab.size)))
    hits = 0
    for _ in range(200):
        chosen = rng.integers(0, lab.size, 100)
        reading = lab[chosen] + rng.normal(0, 2.5, 100)
        result = roc(reading, lab[chosen], 11.0)
        assert result.area == pytest.approx(metrics.roc_auc_score(lab[chosen] < 11, -reading))
        hits += result.area_ci[0] <= truth <= result.area_ci[1]
    assert 0.9 <= hits / 200 <= 0.99


def test_roc_without_cases_is_none():
    assert roc([8, 9, 10], [8, 9, 10], 7.0) is None


def test_weighted_kappa_on_a_published_table():
    # Printout of a statistics package for this 3 x 3 table with linear weights, kept in the
    # tests of statsmodels (inter_rater): kappa 0.4701, 95 % limits 0.1845 and 0.7558.
    result = weighted_kappa([[0, 4, 1], [0, 8, 0], [0, 1, 5]], "linear")
    assert result.value == pytest.approx(0.4701, abs=5e-5)
    assert result.ci == pytest.approx((0.1845, 0.7558), abs=5e-5)


def test_weighted_kappa_on_cohens_own_data():
    # Cohen, Psychological Bulletin 1968; 70: 213-220: 200 cases, disagreement weights 1, 3, 6;
    # unweighted 0.492, weighted 0.348 (figures as quoted in R's psych). Our weights are linear or
    # quadratic, so the paper's weights are applied to the definition and ours to scikit-learn.
    share = np.array([[0.44, 0.07, 0.09], [0.05, 0.20, 0.05], [0.01, 0.03, 0.06]])
    cost = np.array([[0, 1, 3], [1, 0, 6], [3, 6, 0]])
    chance = np.outer(share.sum(axis=1), share.sum(axis=0))
    assert 1 - (cost * share).sum() / (cost * chance).sum() == pytest.approx(0.348, abs=5e-4)
    counts = np.round(200 * share).astype(int)
    first, second = (np.repeat(i.ravel(), counts.ravel()) for i in np.indices(counts.shape))
    for weights in ("linear", "quadratic"):
        expected = metrics.cohen_kappa_score(first, second, weights=weights)
        assert weighted_kappa(counts, weights).value == pytest.approx(expected)


def test_kappa_of_a_single_band_is_none():
    assert weighted_kappa([[5, 0], [0, 0]]) is None


def test_a_value_on_the_cut_off_belongs_to_the_band_above():
    assert band([6.99, 7.0, 10.99, 11.0], [7.0, 11.0]).tolist() == [0, 1, 1, 2]


def test_every_truth_and_answer_has_a_meaning():
    assert set(MEANING) == {(truth, answer) for truth in TRUTHS for answer in ANSWERS}
    assert MEANING["severe", "not anaemic"][1]


def test_consequences_are_weighted_to_the_people_to_be_screened():
    lab = [6, 6, 6, 6, 9, 9, 12, 12]
    answers = ["severe"] * 3 + ["not anaemic"] + ["anaemic", "uncertain"] + ["not anaemic"] * 2
    table = {
        (row.truth, row.answer): row
        for row in consequences(
            lab, answers, prevalence={"severe": 0.02, "anaemic": 0.38, "not anaemic": 0.6}
        )
    }
    assert table["severe", "not anaemic"].count == 1
    assert table["severe", "not anaemic"].per_thousand == pytest.approx(5.0)
    assert sum(row.per_thousand for row in table.values()) == pytest.approx(1000)


def test_within_total_error_counts_the_larger_of_both_limits():
    by_name = {
        row.name: row.within
        for row in within_total_error([10.3, 10.6, 9.1, 5.3], [10.0, 10.0, 10.0, 5.0])
    }
    assert by_name["4 % of the laboratory value"].count == 1
    assert by_name["7 % of the laboratory value"].count == 3
    assert by_name["1.0 g/dL"].count == 4
