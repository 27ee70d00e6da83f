"""Splits that keep women apart, honest choice, and intervals that keep their promise."""

from dataclasses import replace

import numpy as np
import pytest
from blots import measured, pairs, study

from cardreader.calibrate.choosing import Recipe, choose
from cardreader.calibrate.conformal import TooFewPairsError
from cardreader.calibrate.fit import Fit, cross_conformal, fit, measured_volume, reference_rows
from cardreader.calibrate.heldout import hold_out
from cardreader.calibrate.models import MonotoneSpline, candidates
from cardreader.calibrate.pairs import lots_of
from cardreader.calibrate.splits import unseen_splits, women_splits
from cardreader.calibrate.validate import validate, validate_elsewhere
from cardreader.calibrate.verdict import overall
from cardreader.decide.protocolfile import load_protocol
from cardreader.hb.calibration import Calibration
from cardreader.hb.estimate import estimates

PROTOCOL = load_protocol()


@pytest.fixture(scope="module")
def sixty():
    return pairs(np.random.default_rng(1))


def test_no_woman_is_on_both_sides(sixty):
    found, _ = sixty
    seen = np.zeros(len(found), dtype=int)
    for train, test in women_splits(found, 5):
        assert not set(found.subject[train]) & set(found.subject[test])
        seen[test] += 1
    assert (seen == 1).all()


def test_a_phone_left_out_is_left_out_with_its_women(sixty):
    found, _ = sixty
    splits = list(unseen_splits(found, "phone"))
    assert splits
    for train, test in splits:
        assert not set(found.phone[train]) & set(found.phone[test])
        assert not set(found.subject[train]) & set(found.subject[test])
    tested = np.concatenate([test for _, test in splits])
    assert np.array_equal(np.sort(tested), np.arange(len(found)))


def test_one_lot_gives_no_splits_of_lots(sixty):
    assert list(unseen_splits(sixty[0], "lot")) == []


def test_the_choice_avoids_the_wrong_shape_and_never_takes_the_comparator(sixty):
    model, scores = choose(sixty[0], None, 0.04, Recipe())
    names = [score.model for score in scores]
    assert names.index("line on optical density") > names.index("monotone spline")
    assert model.deployable
    assert {"women", "phone"} == set(scores[0].by_grouping)


def test_volume_scatter_comes_from_the_replicates(sixty):
    floor, cv = measured_volume(sixty[0], None, Recipe())
    assert floor.measured
    assert floor.ci[0] < 0.04 < floor.ci[1]
    assert cv == floor.cv


def test_a_fit_ends_in_a_calibration_for_its_lots(sixty):
    made = fit(sixty[0], recipe=Recipe(inner_folds=3))
    assert made.calibration.lots == ("027001",)
    assert Calibration.from_json(made.calibration.to_json()).sha256 == made.calibration.sha256
    assert len(made.conformity_scores) == 60


def test_the_same_recipe_gives_the_same_calibration(sixty):
    first, second = (fit(sixty[0], model="monotone spline") for _ in range(2))
    assert first.calibration.sha256 == second.calibration.sha256


def test_too_few_women_raise():
    few, _ = pairs(np.random.default_rng(2), n_women=8)
    with pytest.raises(TooFewPairsError, match="too few"):
        fit(few)


def test_acid_haematin_sets_the_interval_only_where_there_is_nothing_better(sixty):
    found, _ = sixty
    method = np.where(np.arange(len(found)) < 80, "acid_haematin", "analyser")
    mixed = found.take(np.arange(len(found)))
    object.__setattr__(mixed, "method", method)
    assert reference_rows(mixed, 0.9).sum() == len(found) - 80
    object.__setattr__(mixed, "method", np.full(len(found), "acid_haematin"))
    assert reference_rows(mixed, 0.9).all()


def test_cross_conformal_coverage_of_new_women_over_repeated_studies():
    # Mean coverage over studies: at least 90 % less a little for cross-validation (models are
    # fitted to 4/5 of the women) and at most 90 % + 1/(n + 1) plus a little for the same reason.
    covered, women = [], 25
    model = candidates(None, 0.04)["line on Kubelka-Munk density"]
    for seed in range(24):
        found, _ = pairs(np.random.default_rng(100 + seed), n_women=women, photos=((1, "A"),))
        scale, _ = cross_conformal(model, found, 0.04, Recipe())
        rng = np.random.default_rng(900 + seed)
        hb = rng.uniform(5.0, 13.5, 400)
        from dataclasses import replace

        fitted = model.fit(found.x, found.lab_g_dl, found.lab_sd_g_dl).calibration_
        found = estimates(measured(hb, rng, 0.04), replace(fitted, conformal_scale=scale))
        low, high = found.final().interval(fitted.coverage)
        lab = hb + rng.normal(0, 0.15, 400)
        covered.append(np.mean(((low <= lab) & (lab <= high))[found.readable]))
    error = np.std(covered) / np.sqrt(len(covered))
    assert 0.9 - 3 * error - 0.01 <= np.mean(covered) <= 0.9 + 1 / (women + 1) + 3 * error + 0.01


def test_held_out_readings_are_by_models_that_never_saw_the_woman(sixty):
    found, _ = sixty
    women_of = []

    def make(part):
        women_of.append(set(part.subject.tolist()))
        model = MonotoneSpline(volume_cv=0.04).fit(part.x, part.lab_g_dl, part.lab_sd_g_dl)
        return Fit(model.calibration_, "spline", (), None, (), Recipe())

    splits = list(women_splits(found, 4))
    held = hold_out(found, splits, make, PROTOCOL)
    for (_, test), known in zip(splits, women_of, strict=True):
        assert not known & set(found.subject[test])
    assert np.array_equal(held.pairs.lab_g_dl, found.lab_g_dl)


def test_overlapping_tests_raise(sixty):
    found, _ = sixty
    split = next(iter(women_splits(found, 4)))
    with pytest.raises(ValueError, match="overlap"):
        hold_out(
            found,
            [split, split],
            lambda part: Fit(
                MonotoneSpline().fit(part.x, part.lab_g_dl).calibration_,
                "spline",
                (),
                None,
                (),
                Recipe(),
            ),
            PROTOCOL,
        )


@pytest.fixture(scope="module")
def validated():
    features, _ = study(np.random.default_rng(3), n_women=50)
    rows = features.rows.copy()
    rows.loc[[5, 9], "refusal"] = ["blurred (x)", "clipped (y)"]
    features = type(features)(rows, len(rows) + 1, ())
    from cardreader.calibrate.pairs import Pairs

    fitted = fit(Pairs.of(features), model="line on Kubelka-Munk density")
    return features, fitted, validate(features, fitted, None, PROTOCOL, synthetic=True)


def test_validation_accounts_for_every_row(validated):
    features, _, found = validated
    assert found.n_table == 201
    assert dict(found.refusals) == {"blurred": 1, "clipped": 1}
    assert len(found.held_out.pairs) == len(features.used) == 198
    assert found.one_each.pairs.subject.size == np.unique(found.one_each.pairs.subject).size


def test_validation_counts_one_reading_a_woman_where_it_must(validated):
    _, _, found = validated
    women = found.one_each.pairs.subject.size
    assert found.coverage[0].coverage.total == women
    by_name = dict(found.cut_offs)
    cut = by_name["value below 7"]
    assert cut.sensitivity.total + cut.specificity.total == women
    assert found.kappa_table.sum() == women
    assert sum(row.count for row in found.consequences) == women


def test_the_limits_of_a_synthetic_study_say_so_first(validated):
    assert validated[2].limits[0].startswith("Everything here is synthetic")


def test_a_calibration_that_is_off_fails_on_new_women(validated):
    _, fitted, _ = validated
    shifted, _ = study(np.random.default_rng(4), n_women=40, shift=-0.12)
    found, given = validate_elsewhere(shifted, fitted.calibration, PROTOCOL)
    assert any(criterion.met is False for criterion in found.criteria)
    assert overall(found.criteria).startswith("Not fit")
    assert given.scores == ()


def test_a_calibration_that_is_right_does_not_fail_on_new_women(validated):
    _, fitted, _ = validated
    fresh, _ = study(np.random.default_rng(5), n_women=60)
    found, _ = validate_elsewhere(fresh, fitted.calibration, PROTOCOL)
    assert not any(criterion.met is False for criterion in found.criteria)


def test_lots_known_by_their_design_are_told_apart():
    found, _ = pairs(np.random.default_rng(2), n_women=3)
    assert lots_of(found) == {"lots": ("027001",), "lots_by_design": ()}
    by_design = replace(found, print_sd=np.full(len(found), 0.1))
    assert lots_of(by_design)["lots_by_design"] == ("027001",)
