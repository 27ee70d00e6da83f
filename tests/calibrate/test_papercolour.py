"""The gate for blotting paper that looks other than the study's."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from cardreader.calibrate import papercolour
from cardreader.calibrate.condition import SitePairs
from cardreader.calibrate.outlook import outlook
from cardreader.calibrate.papercolour import FALSE_ALARMS, LEAST_PHOTOS, papers_seen
from cardreader.calibrate.site import fit_site
from cardreader.core.refusal import Reason, Refusal
from cardreader.core.shipped import shipped
from cardreader.hb.calibration import Calibration
from cardreader.hb.calibrationnumbers import CalibrationError
from cardreader.hb.container import load_calibration
from cardreader.hb.estimate import estimates, read_hb
from cardreader.hb.measured import PAPER_AT, Measured
from cardreader.simulate.lamps import draw_lamp
from cardreader.simulate.patchdraw import patch_draw
from cardreader.simulate.scene import ORDINARY
from cardreader.simulate.worlds.draws import draw_phone, numbers
from cardreader.simulate.worlds.papers import draw_paper
from cardreader.simulate.worlds.world import draw_world, draw_world_scene

SEED = 60_971
"""Apart from the prior's worlds, those for tuning and those of the benchmark."""
WHITE, CREAM = np.array([0.0, -0.15, -0.02]), np.array([0.01, -0.2, -0.2])


@pytest.fixture(scope="module")
def prior():
    return load_calibration(shipped("worlds"))


def _pairs(prior, paper, batch=None):
    """Photos of one colour on papers (n, 3)."""
    n = len(paper)
    signature = np.tile(prior.signature_mean, (n, 1))
    signature[:, PAPER_AT] = paper
    seen = Measured(np.full((n, 3), -0.8), np.tile(1e-4 * np.eye(3), (n, 1, 1)), signature)
    each = np.arange(n).astype(str)
    return SitePairs(
        *(seen, np.full(n, 9.0), np.full(n, 0.2), each, each),
        np.full(n, "") if batch is None else batch,
    )


def _scattered(n, middle, seed, sd=(0.002, 0.01, 0.008)):
    return middle + np.random.default_rng([SEED, seed]).normal(size=(n, 3)) * sd


def test_the_limit_is_hotellings_where_nothing_was_known_before(prior, monkeypatch):
    # T2 (n / (n + 1)) of a next observation goes as 3 (n - 1) / (n - 3) F(3, n - 3) (Hotelling
    # 1931; Johnson and Wichern, Applied Multivariate Statistical Analysis, 5.4; from memory).
    monkeypatch.setattr(papercolour, "USUAL_PHOTOS", 0.0)
    n = 12
    paper = _scattered(n, WHITE, 1)
    known = papers_seen(_pairs(prior, paper), np.ones(n))
    assert known is not None
    most = 3 * (n - 1) / (n - 3) * stats.f.isf(FALSE_ALARMS, 3, n - 3)
    assert known.most == pytest.approx(most)
    new = _scattered(5, WHITE, 2)
    off = new - paper.mean(axis=0)
    t2 = np.einsum("ni,ij,nj->n", off, np.linalg.inv(np.cov(paper.T) * (1 + 1 / n)), off)
    assert known.distance2(_pairs(prior, new).measured.signature) == pytest.approx(t2)


@pytest.mark.parametrize("n", [LEAST_PHOTOS, 80])
def test_its_own_paper_passes_and_another_does_not(prior, n):
    known = papers_seen(_pairs(prior, _scattered(n, WHITE, 3)), np.ones(n))
    assert known is not None
    own, other = (
        known.distance2(_pairs(prior, _scattered(2000, middle, 4)).measured.signature) > known.most
        for middle in (WHITE, CREAM)
    )
    assert own.mean() < 0.01
    assert other.mean() > 0.99


def test_photos_that_did_not_count_do_not_move_it(prior):
    own, foreign = _scattered(30, WHITE, 5), _scattered(10, CREAM, 6)
    weight = np.where(np.arange(40) < 30, 1.0, 0.0)
    alone = papers_seen(_pairs(prior, own), np.ones(30))
    mixed = papers_seen(_pairs(prior, np.vstack([own, foreign])), weight)
    assert alone is not None
    assert mixed is not None
    assert np.allclose(mixed.colours, alone.colours)
    assert np.allclose(mixed.precision, alone.precision)


def test_few_photos_say_nothing(prior):
    few = _scattered(LEAST_PHOTOS - 1, WHITE, 7)
    assert papers_seen(_pairs(prior, few), np.ones(len(few))) is None


@pytest.mark.parametrize("counted", [1.0, 0.0])
def test_a_batch_of_one_photo_does_not_blur_the_others(prior, counted):
    paper = np.vstack([_scattered(30, WHITE, 12), CREAM])
    batch = np.array(["P1"] * 30 + ["P2"])
    weight = np.append(np.ones(30), counted)
    alone = papers_seen(_pairs(prior, paper[:30]), weight[:30])
    both = papers_seen(_pairs(prior, paper, batch), weight)
    assert alone is not None
    assert both is not None
    new = _pairs(prior, _scattered(5, WHITE, 13)).measured.signature
    assert both.distance2(new) == pytest.approx(alone.distance2(new), rel=0.05)
    assert both.on(1).colours[0] == pytest.approx(CREAM)
    # One photo says less of where its paper lies than thirty do.
    off = CREAM - WHITE
    there, here = (
        _pairs(prior, one[None]).measured.signature for one in (CREAM + off, WHITE + off)
    )
    assert both.on(1).distance2(there)[0] < 0.6 * both.distance2(here)[0]


def test_every_batch_has_its_own_colour(prior):
    paper = np.vstack([_scattered(20, WHITE, 9), _scattered(15, CREAM, 10)])
    batch = np.array(["P1"] * 20 + ["P2"] * 15)
    model = fit_site(prior, _pairs(prior, paper, batch)).calibration
    white, cream = _pairs(prior, np.stack([WHITE, CREAM])).measured.signature
    for read, own, other in (("P1", white, cream), ("P2", cream, white), ("", white, cream)):
        known = model.on_paper(read)
        assert known.paper_distance2(own) < 1 < known.paper_distance2(other)
    again = Calibration.from_json(model.to_json())
    assert again.sha256 == model.sha256
    assert again.on_paper("P2").paper_distance2(white) > 1
    assert outlook(model, _pairs(prior, paper, batch)).width_g_dl[0] > 0
    # A batch that no pair was on gives no value whatever it looks like.
    assert model.on_paper("P9").seen_papers is None


def test_a_file_whose_colours_are_not_of_its_papers_is_refused(prior):
    model = fit_site(prior, _pairs(prior, _scattered(20, WHITE, 11))).calibration
    content = model.as_json()
    content["seen_papers"]["colours"] *= 2
    with pytest.raises(CalibrationError, match="seen_papers"):
        Calibration.of_json(content)
    content["seen_papers"] = {**content["seen_papers"], "colours": [], "most": -1}
    with pytest.raises(CalibrationError, match="seen_papers"):
        Calibration.of_json(content)


def test_a_change_of_paper_that_nobody_tells_is_refused_with_advice(prior):
    rng = np.random.default_rng([SEED, 99])
    world = replace(draw_world(rng), paper=draw_paper(rng, "cream"))
    lot = world.lot(5, rng)

    def photos(on, n):
        found = []
        while len(found) < n:
            scene = draw_world_scene(
                on, rng, 9.0, lot, ORDINARY, draw_phone(rng), draw_lamp(rng), volume=1.0
            )
            seen = numbers(patch_draw(scene, rng), lot)
            if seen is not None:
                found.append(seen)
        return Measured.stack(found)

    pairs = _pairs(prior, np.zeros((25, 3)))
    model = fit_site(prior, replace(pairs, measured=photos(world, 25))).calibration
    own = estimates(photos(world, 30), model)
    assert own.good_papers.mean() > 0.9
    other = photos(replace(world, paper=draw_paper(rng, "brightened")), 10)
    assert not estimates(other, model).readable.any()
    refusals = [read_hb(other[i], model) for i in range(len(other))]
    assert all(isinstance(one, Refusal) for one in refusals)
    reasons = [one.reason for one in refusals if isinstance(one, Refusal)]
    assert Reason.PAPER_UNLIKE in reasons
    assert "blood test" in next(
        one.advice
        for one in refusals
        if isinstance(one, Refusal) and one.reason is Reason.PAPER_UNLIKE
    )
