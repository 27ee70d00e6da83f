"""Another batch of blotting paper: what pairs taught of the locus is unknown again, and no more."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from cardreader.calibrate import workflow
from cardreader.calibrate.condition import SitePairs, condition
from cardreader.calibrate.features import Features
from cardreader.calibrate.papers import estimates_on, papers_of, readable_on
from cardreader.core.shipped import shipped
from cardreader.hb.calibration import Calibration
from cardreader.hb.calibrationnumbers import CalibrationError
from cardreader.hb.container import load_calibration
from cardreader.hb.estimate import estimates
from cardreader.hb.measured import Measured
from cardreader.hb.paper import UNNAMED, Papers
from cardreader.hb.seenpapers import SeenPapers
from cardreader.simulate.lamps import draw_lamp
from cardreader.simulate.patchdraw import patch_draw
from cardreader.simulate.scene import ORDINARY
from cardreader.simulate.worlds.blots import draw_blot_model
from cardreader.simulate.worlds.draws import draw_phone, numbers
from cardreader.simulate.worlds.papers import draw_paper
from cardreader.simulate.worlds.world import draw_world, draw_world_scene

SEED = 60_951
"""Apart from the prior's worlds, those for tuning and those of the benchmark."""
CV = 0.03


@pytest.fixture(scope="module")
def prior():
    return load_calibration(shipped("worlds"))


def _sittings(world, lot, rng, n):
    hb, found = [], []
    while len(found) < n:
        truth = rng.uniform(5, 14)
        scene = draw_world_scene(
            world, rng, truth, lot, ORDINARY, draw_phone(rng), draw_lamp(rng), volume=1.0
        )
        seen = numbers(patch_draw(scene, rng), lot)
        if seen is not None:
            hb.append(truth)
            found.append(seen)
    return np.array(hb), Measured.stack(found)


@pytest.fixture(scope="module")
def sites(prior):
    """Of three worlds: the calibration of 25 pairs, and new blots on its paper and on another."""
    made = []
    for number in range(3):
        rng = np.random.default_rng([SEED, number])
        world = draw_world(rng)
        lot = world.lot(5, rng)
        hb, seen = _sittings(world, lot, rng, 25)
        each = np.arange(25).astype(str)
        pairs = SitePairs(seen, hb, 0.02 * hb, each, each)
        calibration = condition(prior, pairs, CV).calibration
        known = replace(calibration, papers=papers_of(prior, ("B-1",)))
        other = replace(world, paper=draw_paper(rng), blot=draw_blot_model(rng))
        made.append((known, _sittings(world, lot, rng, 20), _sittings(other, lot, rng, 20)))
    return made


def _held(calibration, blots):
    truth, seen = blots
    low, high = estimates(seen, calibration).final().interval(0.9)
    return (low <= truth) & (truth <= high), high - low


def test_another_paper_is_read_less_surely_and_honestly(sites):
    same, other, blind, narrow, wide = [], [], [], [], []
    for calibration, here, there in sites:
        held, width = _held(calibration.on_paper("B-1"), here)
        same.append(held)
        narrow.append(width)
        held, width = _held(calibration.on_paper("B-2"), there)
        other.append(held)
        wide.append(width)
        blind.append(_held(calibration, there)[0])
    assert np.mean(wide) > 2 * np.mean(narrow)
    # Without saying so, intervals on another paper do not keep their promise.
    assert np.mean(blind) < 0.75
    assert np.mean(other) > 0.85
    assert np.mean(same) > 0.8


@pytest.fixture(scope="module")
def second_batches(prior):
    """Of two worlds: 20 pairs on one paper and five on another, and new blots on the latter."""
    made = []
    for number in range(2):
        rng = np.random.default_rng([SEED, number, 2])
        world = draw_world(rng)
        lot = world.lot(5, rng)
        other = replace(world, paper=draw_paper(rng), blot=draw_blot_model(rng))
        first, later = _sittings(world, lot, rng, 20), _sittings(other, lot, rng, 5)
        hb = np.concatenate([first[0], later[0]])
        seen = Measured.stack([*(first[1][i] for i in range(20)), *(later[1][i] for i in range(5))])
        each = np.arange(25).astype(str)
        paper = np.array(["B-1"] * 20 + ["B-2"] * 5)
        pairs = SitePairs(seen, hb, 0.02 * hb, each, each, paper)
        made.append((pairs, _sittings(other, lot, rng, 25)))
    return made


def test_five_pairs_on_another_batch_bring_most_of_it_back(prior, second_batches):
    widths, held, errors = {}, [], []
    for pairs, blots in second_batches:
        five = condition(prior, pairs, CV).calibration
        none = condition(prior, pairs.take(pairs.paper == "B-1"), CV).calibration
        assert not five.is_another_paper("B-2")
        for name, calibration in (
            ("none", none.on_paper("B-2")),
            ("five", five.on_paper("B-2")),
        ):
            inside, width = _held(calibration, blots)
            widths.setdefault(name, []).append(width)
            if name == "five":
                held.append(inside)
        found = estimates(blots[1], five.on_paper("B-2")).final().median
        errors.append(found - blots[0])
    wide, narrow = np.mean(widths["none"]), np.mean(widths["five"])
    assert narrow < 0.5 * wide
    assert np.mean(held) > 0.85
    assert np.sqrt(np.mean(np.square(errors))) < 1.5


def test_a_second_batch_hardly_moves_the_first_and_travels_in_the_file(prior, second_batches):
    pairs, blots = second_batches[0]
    alone = condition(prior, pairs.take(pairs.paper == "B-1"), CV).calibration
    both = condition(prior, pairs, CV).calibration
    assert both.papers.batches == ("B-1", "B-2")
    assert both.on_paper("B-1") is both
    assert both.on_paper("") is both
    moved = _held(both, blots)[1].mean() / _held(alone, blots)[1].mean()
    assert 0.7 < moved < 1.3
    again = Calibration.from_json(both.to_json())
    assert again.sha256 == both.sha256
    there, here = again.on_paper("B-2"), both.on_paper("B-2")
    assert np.allclose(there.locus, here.locus, atol=1e-6)
    assert np.allclose(there.posterior.covariance, here.posterior.covariance, atol=1e-7)
    for wrong in ({"batch": "B-9"}, {"covariance": [9.0] * 15}, {"mean": [[float("nan")] * 3] * 5}):
        content = both.as_json()
        content["papers"]["known"] = [{**content["papers"]["known"][0], **wrong}]
        with pytest.raises(CalibrationError):
            Calibration.of_json(content)


def test_photos_of_a_study_are_each_read_on_their_own_batch(prior, second_batches):
    pairs, _ = second_batches[1]
    both = condition(prior, pairs, CV).calibration
    found = estimates_on(pairs.measured, both, pairs.paper)
    for batch in ("B-1", "B-2"):
        rows = pairs.paper == batch
        alone = estimates(pairs.measured[rows], both.on_paper(batch))
        assert np.allclose(found.final().median[rows], alone.final().median)
        assert np.allclose(found.distance2[rows], alone.distance2)


def test_a_batch_that_a_fold_never_saw_sets_no_interval(prior, second_batches):
    """The reader gives no value there, so that its wide intervals must not count as kept."""
    pairs, _ = second_batches[0]
    first = condition(prior, pairs.take(pairs.paper == "B-1"), CV).calibration
    found = estimates_on(pairs.measured, first, pairs.paper)
    given = readable_on(found, pairs.paper)
    assert given[pairs.paper == "B-1"].mean() > 0.8
    assert not given[pairs.paper == "B-2"].any()


def test_only_a_named_other_batch_makes_a_difference(sites):
    calibration = sites[0][0]
    assert calibration.on_paper("") is calibration
    assert calibration.on_paper("B-1") is calibration
    assert not calibration.is_another_paper("")
    assert calibration.is_another_paper("B-2")
    unnamed = replace(calibration, papers=None)
    assert unnamed.on_paper("B-2") is unnamed


def test_with_nothing_kept_the_locus_is_the_priors_again(prior, sites):
    other = sites[0][0].on_paper("B-2")
    assert np.allclose(other.locus, prior.locus, atol=1e-6)
    k = 3 * (prior.posterior.degree + 1)
    both = (other.posterior.covariance[:k, :k], prior.posterior.covariance[:k, :k])
    assert np.allclose(*both, atol=1e-9)
    # How the signature moves it was taught, and stays.
    assert np.array_equal(other.signature_shift, sites[0][0].signature_shift)


def test_with_all_kept_another_paper_is_the_same(sites):
    calibration = sites[0][0]
    kept = replace(calibration, papers=replace(calibration.papers, kept=1.0)).on_paper("B-2")
    assert np.allclose(kept.locus, calibration.locus, atol=1e-6)
    assert np.allclose(kept.posterior.covariance, calibration.posterior.covariance)


def test_paper_of_before_one_was_named_is_not_the_batch_named_later(prior, sites, second_batches):
    """A register calls it so: a photo without a batch is on that paper, whichever came after."""
    calibration, two = sites[0][0], condition(prior, second_batches[0][0], CV).calibration
    batches = ("B-1", UNNAMED)
    known = (replace(two.papers.known[0], batch=UNNAMED),)
    named_later = replace(two, papers=replace(two.papers, batches=batches, known=known))
    assert not named_later.is_another_paper("")
    assert np.array_equal(named_later.on_paper("").locus, two.on_paper("B-2").locus)
    alone = replace(calibration, papers=papers_of(prior, (UNNAMED,)))
    assert alone.on_paper("") is alone
    assert alone.is_another_paper("B-1")


def test_papers_travel_in_the_file_and_those_without_keep_their_hash(prior, sites):
    calibration = sites[0][0]
    again = Calibration.from_json(calibration.to_json())
    assert again.papers.batches == ("B-1",)
    assert again.sha256 == calibration.sha256
    assert "papers" not in prior.to_json()


@pytest.mark.parametrize(
    "wrong",
    [
        {"batches": []},
        {"batches": [7]},
        {"kept": 1.5},
        {"mean": [[0, 0, 0]]},
        {"covariance": [1.0, 2.0]},
        {"covariance": [float("inf")] * 6},
        {"more": 1},
    ],
)
def test_papers_that_are_none_are_one_line(sites, wrong):
    content = sites[0][0].as_json()
    content["papers"] = {**content["papers"], **wrong}
    with pytest.raises(CalibrationError):
        Calibration.of_json(content)


def test_no_batch_named_says_nothing(prior):
    assert papers_of(prior, ()) is None
    assert papers_of(replace(prior, posterior=None), ("B-1",)) is None
    assert isinstance(papers_of(prior, ("B-2", "B-1")), Papers)


def test_a_batch_of_few_women_gets_no_value(prior):
    """One wrong laboratory value is all that its photos would be read by."""
    women = ["a"] * 3 + list("bcdef") + list("uvwxyz") + ["q"]
    paper = ["B-2"] * 8 + ["B-1"] * 6 + [""]
    rows = pd.DataFrame({"subject": women, "paper": paper, "refusal": ""})
    features = Features(rows, len(rows))
    assert workflow.papers_of_few(features) == {}
    fewer = Features(rows[rows["subject"] != "b"].reset_index(drop=True), 14)
    assert workflow.papers_of_few(fewer) == {}
    few = Features(rows[~rows["subject"].isin(["b", "c"])].reset_index(drop=True), 13)
    assert workflow.papers_of_few(few) == {"B-2": 4}


def test_a_calibration_forgets_papers_of_few_women_with_their_colours(prior):
    women = list("abcdefgh") + list("uvwxyz")
    rows = pd.DataFrame({"subject": women, "paper": ["B-1"] * 8 + ["B-2"] * 6, "refusal": ""})
    enough = Features(rows, len(rows))
    few = Features(rows[~rows["subject"].isin(["u", "v"])].reset_index(drop=True), 12)
    colours = np.array([[0.0, -0.15, -0.02], [0.01, -0.2, -0.2]])
    seen = SeenPapers(colours, np.array([8.0, 6.0]), 1e4 * np.eye(3), 20.0)
    both = replace(prior, papers=papers_of(prior, ("B-1", "B-2")), seen_papers=seen)
    assert workflow.on_papers_of_enough(both, enough).papers.batches == ("B-1", "B-2")
    left = workflow.on_papers_of_enough(both, few)
    assert left.papers.batches == ("B-1",)
    np.testing.assert_array_equal(left.seen_papers.colours, colours[:1])
    # That with most pairs stays, however few.
    own = replace(prior, papers=papers_of(prior, ("B-2",)), seen_papers=seen.of([1]))
    assert workflow.on_papers_of_enough(own, few).papers.batches == ("B-2",)
    assert workflow.on_papers_of_enough(prior, few) is prior
