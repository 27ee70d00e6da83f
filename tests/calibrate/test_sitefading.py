"""What bleaching does at a site: learnt in other worlds, held against its pairs' cards."""

from __future__ import annotations

import json
from copy import deepcopy
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from cardreader.calibrate import sitefading
from cardreader.calibrate.condition import SitePairs
from cardreader.calibrate.defaultcli import WORLDS_SEED
from cardreader.calibrate.features import Features
from cardreader.calibrate.site import fit_site
from cardreader.calibrate.sitefading import (
    INKS,
    MAX_FADE,
    PRIOR_OF,
    TAKEN_OFF_UNMEASURED,
    WorldBleaching,
    draw_bleaching,
    with_fading,
    within_sites,
    world_bleaching,
    write_bleaching,
)
from cardreader.calibrate.workflow import base_for
from cardreader.core.shipped import shipped
from cardreader.hb.calibration import Calibration
from cardreader.hb.container import load_calibration
from cardreader.hb.estimate import estimates
from cardreader.hb.measured import N_SIGNATURE, Measured
from cardreader.hb.plausible import must_be_plausible
from cardreader.simulate.lamps import draw_lamp
from cardreader.simulate.patchdraw import patch_draw
from cardreader.simulate.scene import GOOD
from cardreader.simulate.worlds.draws import draw_phone, draw_twins, numbers
from cardreader.simulate.worlds.world import draw_world, draw_world_scene

SEED = 616_001
"""Apart from the worlds that limits were chosen on and from those reported."""
PAIRED, READ = 20, 12


@pytest.fixture(scope="module")
def prior():
    return load_calibration(shipped("worlds"))


@cache
def _fresh():
    """A lot, what was measured beside fresh cards, and what measures beside others after it."""
    rng = np.random.default_rng([SEED, 0])
    world = draw_world(rng)
    lot = replace(world.lot(5, rng), instrument="an invented instrument")
    phones, lamps = [draw_phone(rng) for _ in range(3)], [draw_lamp(rng) for _ in range(3)]

    def photos(count, share, rng=rng):
        card = replace(world, ink=world.ink * (1 - np.array(share)))
        hb, seen = rng.uniform(4, 15, count), []
        for value in hb:
            phone, lamp = phones[int(rng.integers(3))], lamps[int(rng.integers(3))]
            scene = draw_world_scene(card, rng, value, lot, GOOD, phone, lamp, volume=1.0)
            seen.append(numbers(patch_draw(scene, rng), lot))
        kept = [(h, one) for h, one in zip(hb, seen, strict=True) if one is not None]
        return np.array([h for h, _ in kept]), Measured.stack([one for _, one in kept])

    keep = (0.0, 0.0, 0.0, 0.0)
    paired, read = photos(PAIRED, keep), photos(READ, keep)
    return lot, paired, read, lambda gone: photos(READ, gone, deepcopy(rng))


@cache
def _site(gone=(0.2, 0.2, 0.2, 0.0)):
    """A lot, and what was measured beside fresh cards and those that lost shares of their inks."""
    lot, paired, read, beside_lost = _fresh()
    return lot, paired, read, beside_lost(gone)


def _made(base):
    _, (hb, seen), _, _ = _site()
    women = np.arange(len(hb)).astype(str)
    return fit_site(base, SitePairs(seen, hb, 0.02 * hb, women, women)).calibration


def test_cards_bleached_by_a_fifth_are_seen_and_do_not_read_high(prior):
    """The same study with and without: the pairs' cards were fresh in both."""
    lot, (_, seen), (fresh_hb, fresh), (old_hb, old) = _site()
    told = with_fading(prior, lot, seen)
    blind, seeing = _made(prior), _made(told)
    assert estimates(fresh, seeing).bleached.max() < MAX_FADE
    assert estimates(old, seeing).bleached.min() > estimates(fresh, seeing).bleached.max()
    high = estimates(old, blind)
    assert (high.final().median - old_hb)[high.readable].mean() > 0.7
    kept = estimates(old, seeing)
    assert (kept.final().median - old_hb)[kept.readable].sum() < 0.5 * READ
    assert kept.readable.sum() < 0.7 * high.readable.sum()
    for calibration in (blind, seeing):
        error = estimates(fresh, calibration).final().median - fresh_hb
        assert np.sqrt((error**2).mean()) < 1.2


def test_magenta_alone_is_seen_in_a_world_that_taught_nothing(prior):
    """Read one in three at most of what is read without, and less high."""
    lot, (_, seen), _, old = _site((0.0, 0.2, 0.0, 0.0))
    blind, seeing = _made(prior), _made(with_fading(prior, lot, seen))
    hb, photos = old
    without, told = estimates(photos, blind), estimates(photos, seeing)
    assert without.readable.sum() > 0.6 * len(hb)
    assert told.readable.sum() <= without.readable.sum() / 3


@pytest.mark.slow
def test_bleaching_is_learnt_from_the_same_sittings_beside_either_card():
    """An ink that keeps does nothing; a bleached one makes blood beside it look richer."""
    for same, twin in draw_twins(2, 4, 616_003, np.zeros((2, 4))):
        assert len(same) > 2
        assert np.array_equal(same.rows(), twin.rows())
    learnt = draw_bleaching([np.eye(N_SIGNATURE)] * 3, 3, 616_003)
    for found, prior in zip(learnt, PRIOR_OF.values(), strict=True):
        for one, other in zip(found.signature, world_bleaching(prior).signature, strict=True):
            assert one @ other > 0.5 * np.linalg.norm(one) * np.linalg.norm(other)
    deep = np.array([1.0, -1.0, -1.6, -1.6])  # a blot's log ratio, behind a constant
    magenta = (deep @ world_bleaching().colour)[INKS.index("magenta")]
    assert (magenta < 0).all()


def test_beside_a_lot_that_nobody_measured_half_is_taken_off(prior):
    """The same measurements, told as read with the design."""
    lot, (_, seen), _, (_, old) = _site()
    told = with_fading(prior, replace(lot, basis="nominal"), seen)
    assert told.max_fade == MAX_FADE
    assert told.fading.seen(old.signature).largest > MAX_FADE
    assert told.fading.taken_off == TAKEN_OFF_UNMEASURED
    assert with_fading(prior, lot, seen).fading.taken_off == 1


@pytest.mark.parametrize("basis", PRIOR_OF)
def test_what_was_fitted_comes_back_from_its_file(basis):
    lot, (_, seen), _, _ = _site()
    prior = load_calibration(shipped(PRIOR_OF[basis]))
    told = with_fading(prior, replace(lot, basis=basis), seen)
    must_be_plausible(told)
    again = Calibration.from_json(told.to_json())
    assert again.fading.taken_off == told.fading.taken_off
    assert again.fading.as_json() == told.fading.as_json()


def test_what_cannot_be_told_is_left_alone(prior):
    lot, (_, seen), _, _ = _site()
    assert with_fading(prior, lot, seen).fading is not None
    for other in (
        with_fading(prior, replace(lot, instrument="simulated"), seen),
        with_fading(prior, lot, seen[:4]),
    ):
        assert other is prior
    default = load_calibration(shipped("default"))
    assert with_fading(default, lot, seen) is default, "it knows the fading of its own inks"


def test_pairs_on_two_lots_tell_no_fresh_card(prior):
    lot, *_ = _site()
    two = Features(None, 0, (), (lot, replace(lot, number=6)))
    told = base_for(two, prior)
    assert told.fading is None
    assert told.sittings is not None, "how photos of one sitting differ hangs on no lot"
    assert base_for(two, None) is None


def test_scatter_within_sites_is_that_about_each_sites_mean():
    """Against a sum written out by hand."""
    rng = np.random.default_rng(2)
    site = np.repeat([3, 8, 9], [5, 7, 4])
    values = rng.normal(size=(16, 2)) + 10 * site[:, None]
    by_hand = sum(
        (len(own) - 1) * np.cov(own.T) for own in (values[site == number] for number in (3, 8, 9))
    )
    assert within_sites(values, site) == pytest.approx(by_hand / 13)


def test_what_ships_is_of_this_chain_and_of_the_priors_worlds(tmp_path, monkeypatch):
    known = world_bleaching()
    assert known.within.shape == (N_SIGNATURE, N_SIGNATURE)
    content = json.loads(shipped("worlds", "bleaching.json").read_text())
    assert str(WORLDS_SEED) in content["source"].split()
    write_bleaching(tmp_path / "again.json", known, content["source"])
    assert json.loads((tmp_path / "again.json").read_text()) == content
    monkeypatch.setattr(sitefading, "CHAIN", "of later")
    world_bleaching.cache_clear()
    try:
        with pytest.raises(ValueError, match="measuring chain"):
            world_bleaching()
    finally:
        monkeypatch.undo()
        world_bleaching.cache_clear()


def test_effects_of_another_shape_are_a_programmers_mistake():
    known = world_bleaching()
    with pytest.raises(ValueError, match="no effects of bleaching"):
        WorldBleaching(known.within, known.signature[:1], known.colour)
