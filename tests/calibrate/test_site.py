"""A site's calibration from few and many pairs, in worlds apart from the prior's."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
import pytest

from cardreader.calibrate.condition import SitePairs, condition
from cardreader.calibrate.conformal import exact_rank
from cardreader.calibrate.prior import fit_prior
from cardreader.calibrate.site import LEAST_SITE_FACTOR, fit_site
from cardreader.calibrate.volume import PRIOR_CV, volume_scatter
from cardreader.core.shipped import shipped
from cardreader.hb.container import load_calibration
from cardreader.hb.estimate import estimates
from cardreader.hb.measured import Measured
from cardreader.simulate.worlds.draws import draw_worlds

SEED = 60_801
"""Apart from the prior's worlds, those for tuning and those of the benchmark."""
CV = 0.03


@pytest.fixture(scope="module")
def prior():
    return load_calibration(shipped("worlds"))


@pytest.fixture(scope="module")
def worlds():
    return draw_worlds(3, 110, SEED)


def _pairs(worlds, world, rows, lab_cv=0.02, seed=1):
    at = np.flatnonzero(worlds.world == world)[rows]
    rng = np.random.default_rng(seed)
    lab = worlds.hb_g_dl[at] * (1 + lab_cv * rng.normal(size=len(at)))
    each = np.arange(len(at)).astype(str)
    return SitePairs(worlds.measured[at], lab, lab_cv * lab, each, each), worlds.hb_g_dl[at]


def _read(calibration, pairs, truth):
    found = estimates(pairs.measured, replace(calibration, volume_cv=0.0)).final()
    inside = (truth > 3) & (truth < 18)
    low, high = found.interval(0.9)
    error = (found.median - truth)[inside]
    held = ((low <= truth) & (truth <= high))[inside]
    return float(np.sqrt(np.mean(error**2))), held, float(np.mean((high - low)[inside]))


def test_no_pairs_give_back_the_prior(prior, worlds):
    none, _ = _pairs(worlds, 0, slice(0, 0))
    made = condition(prior, none, CV).calibration
    assert made.posterior is prior.posterior
    assert np.array_equal(made.locus, prior.locus)


def test_the_first_round_is_the_joint_gaussian_worked_out_whole(prior, worlds):
    """The equations of docs/method.md 13 without shortcuts: every photo, laboratory error and
    blot in one covariance, and NumPy's solver. Two women of three photos, of two blots each."""
    given, truth = _pairs(worlds, 0, slice(0, 6))
    level, blot = np.array(list("aaabbb")), np.array(["a1", "a1", "a2", "b1", "b1", "b2"])
    lab = np.repeat(truth[[0, 3]], 3)
    pairs = replace(given, lab_g_dl=lab, lab_sd_g_dl=np.full(6, 0.3), level=level, blot=blot)
    seen, mean = pairs.measured, prior.weights()
    z, axis = prior.counted(seen.signature), prior.axis_at(lab)
    up, down = prior.axis_at(lab + 0.05), prior.axis_at(lab - 0.05)
    rise, n = ((up - down) / 0.1)[:, None], np.arange(5)
    phi = np.hstack([axis[:, None] ** n, z, axis[:, None] * z])
    powers = n * axis[:, None] ** np.maximum(n - 1, 0)
    slope = np.hstack([powers * rise, 0 * z, rise * z]) @ mean
    whole = np.kron(phi, np.eye(3))
    shared = 0.3**2 * (level[:, None] == level) + (CV * lab) ** 2 * (blot[:, None] == blot)
    noise = np.einsum("ij,ia,jb->iajb", shared, slope, slope)
    noise[range(6), :, range(6), :] += prior.covariance_at(lab) + seen.covariance
    before = prior.posterior.covariance
    gain = np.linalg.solve(whole @ before @ whole.T + noise.reshape(18, 18), whole @ before).T
    after = mean.ravel() + gain @ (seen.log_ratio.ravel() - whole @ mean.ravel())
    made = condition(prior, pairs, CV, rounds=1).calibration
    assert np.allclose(made.weights().ravel(), after, atol=1e-8)
    assert np.allclose(made.posterior.covariance, before - gain @ whole @ before, atol=1e-8)


def test_more_pairs_make_readings_better_narrower_and_still_honest(prior, worlds):
    held, width, rmse = [], {}, {}
    for world in range(3):
        tests, truth = _pairs(worlds, world, slice(60, None))
        for n in (5, 60):
            pairs, _ = _pairs(worlds, world, slice(0, n))
            made = condition(prior, pairs, CV).calibration
            error, inside, wide = _read(made, tests, truth)
            rmse.setdefault(n, []).append(error)
            width.setdefault(n, []).append(wide)
            held.append(inside)
    assert np.mean(width[60]) < np.mean(width[5])
    assert np.mean(rmse[60]) < np.mean(rmse[5])
    assert np.mean(rmse[60]) < 1.2  # without pairs it is about 2
    # Three worlds of their own: 90 % less three binomial standard deviations and as much again.
    assert np.concatenate(held).mean() > 0.8


def test_beyond_the_pairs_a_sites_readings_are_wider(prior, worlds, monkeypatch):
    """With pairs from 7 to 9 g/dL alone; the same fit without the rule is held beside it."""
    every, truth = _pairs(worlds, 1, slice(None))
    among = (truth > 7) & (truth < 9)
    width = []
    for _ in range(2):
        made = fit_site(prior, every.take(among)).calibration
        low, high = estimates(every.measured, made).final().interval(0.9)
        width.append(high - low)
        monkeypatch.setattr("cardreader.calibrate.site.less_sure_beyond", lambda made, *_: made)
    more = width[0] / width[1]
    assert more[(truth < 5) | (truth > 12)].mean() > 1.1
    assert np.median(more[(truth > 7.5) & (truth < 8.5)]) == pytest.approx(1, abs=0.05)


def test_a_photo_far_off_weighs_little_and_hardly_moves_the_rest(prior, worlds):
    pairs, _ = _pairs(worlds, 0, slice(0, 40))
    spoiled = pairs.measured.log_ratio.copy()
    spoiled[3] += [0.8, -0.6, 0.9]  # red ink, say
    seen = pairs.measured
    wrong = replace(pairs, measured=Measured(spoiled, seen.covariance, seen.signature))
    good, bad = condition(prior, pairs, CV), condition(prior, wrong, CV)
    assert bad.weight[3] < 0.2
    assert np.median(bad.weight) > 0.5
    others = np.arange(40) != 3
    moved = (
        estimates(seen[others], bad.calibration).final().median
        - estimates(seen[others], good.calibration).final().median
    )
    assert np.abs(moved).mean() < 0.3


def test_a_poor_laboratory_teaches_less_than_a_good_one(prior, worlds):
    good, _ = _pairs(worlds, 1, slice(0, 30))
    poor = replace(good, lab_sd_g_dl=5 * good.lab_sd_g_dl)
    sure, doubtful = (
        np.trace(condition(prior, pairs, CV).calibration.posterior.covariance[:15, :15])
        for pairs in (good, poor)
    )
    assert doubtful > sure


def test_one_value_of_a_woman_is_not_taken_for_many(prior, worlds):
    """Ten photos that share one laboratory value say less than ten women's."""
    pairs, _ = _pairs(worlds, 1, slice(0, 10), lab_cv=0.08)
    same = replace(pairs, level=np.full(10, "a"))
    apart, together = (
        condition(prior, each, 0.0).calibration.posterior.covariance[:3, :3]
        for each in (pairs, same)
    )
    assert np.trace(together) > np.trace(apart)


def test_the_fit_measures_volume_and_sets_its_factor_with_women_enough(prior, worlds):
    few, _ = _pairs(worlds, 2, slice(0, 12))
    many, _ = _pairs(worlds, 2, slice(0, 100))
    small, large = fit_site(prior, few), fit_site(prior, many)
    assert small.conformity_scores == ()
    assert len(large.conformity_scores) >= 40
    assert LEAST_SITE_FACTOR <= large.calibration.conformal_scale < 2
    assert large.calibration.n_pairs == 100


def _rough(pairs, seed=3):
    rng = np.random.default_rng(seed)
    return replace(pairs, lab_g_dl=pairs.lab_g_dl * np.exp(rng.normal(0, 0.25, len(pairs))))


def test_few_women_move_the_factor_a_little(prior, worlds):
    pairs, _ = _pairs(worlds, 2, slice(0, 12))
    calm = fit_site(prior, pairs).calibration.conformal_scale
    rough = fit_site(prior, _rough(pairs)).calibration.conformal_scale
    assert 0.6 * prior.conformal_scale < calm < rough < 2 * prior.conformal_scale
    four, _ = _pairs(worlds, 2, slice(0, 4))
    assert fit_site(prior, four).calibration.conformal_scale == prior.conformal_scale


def test_more_women_move_it_further(prior, worlds):
    """What ten are not believed, a hundred are."""
    few, many = (_pairs(worlds, 2, slice(0, n))[0] for n in (10, 100))
    moved = [
        np.log(fit_site(prior, _rough(pairs)).calibration.conformal_scale / prior.conformal_scale)
        for pairs in (few, many)
    ]
    assert moved[1] > moved[0] > 0


def test_a_few_women_far_off_dont_set_every_interval(prior, worlds):
    """One in ten of another woman's value: by the exact rank alone they would."""
    pairs, _ = _pairs(worlds, 2, slice(0, 60))
    wrong = pairs.lab_g_dl.copy()
    wrong[::9] *= 1.6
    before = fit_site(prior, pairs).calibration.conformal_scale
    after = fit_site(prior, replace(pairs, lab_g_dl=wrong))
    scores = after.conformity_scores
    rank = scores[exact_rank(len(scores), 0.1) - 1]
    assert before < after.calibration.conformal_scale < rank


def test_only_a_calibration_with_a_posterior_can_be_conditioned(prior, worlds):
    pairs, _ = _pairs(worlds, 0, slice(0, 5))
    with pytest.raises(ValueError, match="posterior"):
        condition(replace(prior, posterior=None), pairs, CV)


# --- volume ---------------------------------------------------------------------------


def _readings(cv, photo_sd, women, again, seed):
    """Readings of two photos a woman; a share ``again`` of one blot photographed twice."""
    rng = np.random.default_rng(seed)
    hb, sd, level, blot = [], [], [], []
    for woman in range(women):
        truth = rng.uniform(5, 15)
        first, second = truth * (1 + cv * rng.normal(size=2))
        twice = rng.random() < again
        for k, value in enumerate((first, first if twice else second)):
            hb.append(value + photo_sd * rng.normal())
            sd.append(photo_sd)
            level.append(f"w{woman}")
            blot.append(f"w{woman}b{0 if twice else k}")
    return np.array(hb), np.array(sd), np.array(level), np.array(blot)


@pytest.mark.parametrize("cv", [0.02, 0.03, 0.06])
def test_volume_scatter_is_found_within_its_own_interval(cv):
    inside = []
    for seed in range(12):
        found = volume_scatter(*_readings(cv, 0.25, 120, 0.25, seed))
        inside.append(found.ci[0] <= cv <= found.ci[1])
    assert np.mean(inside) >= 0.75


def test_blots_that_scatter_more_than_anyone_believed_are_believed():
    assert volume_scatter(*_readings(0.10, 0.25, 120, 0.25, 1)).cv > 0.07


def test_few_women_leave_volume_scatter_near_what_was_believed():
    found = volume_scatter(*_readings(0.10, 0.4, 3, 0.0, 1))
    assert found.ci[0] < PRIOR_CV < found.ci[1]
    assert not found.measured
    assert volume_scatter([], [], [], []).n_women == 0


def test_two_photos_of_one_blot_alone_say_nothing_of_volume():
    none = volume_scatter([], [], [], [])
    found = volume_scatter(*_readings(0.03, 0.3, 40, 1.0, 2))
    assert found.cv == pytest.approx(none.cv, rel=0.05)
    assert found.n_two_blots == 0


# --- prior ----------------------------------------------------------------------------


def test_a_prior_from_next_to_nothing_is_an_error(worlds):
    few = replace(
        worlds,
        hb_g_dl=worlds.hb_g_dl[:20],
        measured=worlds.measured[:20],
        world=worlds.world[:20],
    )
    with pytest.raises(ValueError, match="draw more"):
        fit_prior(few, date(2026, 1, 1), "few")


def test_a_small_prior_is_repeatable_and_usable(worlds):
    first, second = (
        fit_prior(worlds, date(2026, 1, 1), "small", rounds=3, workers=workers).to_json()
        for workers in (1, 3)
    )
    assert first == second
