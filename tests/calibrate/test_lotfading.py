"""A site's own lot: directions of bleaching from its measured colours, and what they buy."""

from __future__ import annotations

import json
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from cardreader.calibrate import lotfading
from cardreader.calibrate.condition import SitePairs
from cardreader.calibrate.defaultcli import WORLDS_SEED
from cardreader.calibrate.features import Features
from cardreader.calibrate.lotfading import (
    MAX_FADE,
    bleached,
    scatter_within_sites,
    with_fading,
    within_sites,
    write_scatter,
)
from cardreader.calibrate.site import fit_site
from cardreader.calibrate.workflow import base_for
from cardreader.card import layout
from cardreader.card.layout import Kind
from cardreader.core.shipped import shipped
from cardreader.hb.container import load_calibration
from cardreader.hb.estimate import estimates
from cardreader.hb.measured import N_SIGNATURE, Measured
from cardreader.simulate.lamps import draw_lamp
from cardreader.simulate.patchdraw import patch_draw
from cardreader.simulate.scene import GOOD
from cardreader.simulate.worlds.draws import draw_phone, numbers
from cardreader.simulate.worlds.world import draw_world, draw_world_scene

SEED = 616_001
"""Apart from the worlds that limits were chosen on and from those reported."""
PAIRED, READ = 20, 12


@pytest.fixture(scope="module")
def prior():
    return load_calibration(shipped("worlds"))


@cache
def _site():
    """A lot, and what was measured beside fresh and bleached cards of it."""
    rng = np.random.default_rng([SEED, 0])
    world = draw_world(rng)
    lot = replace(world.lot(5, rng), instrument="an invented instrument")
    phones, lamps = [draw_phone(rng) for _ in range(3)], [draw_lamp(rng) for _ in range(3)]

    def photos(count, share):
        card = replace(world, ink=world.ink * (1 - np.array([share, share, share, 0.0])))
        hb, seen = rng.uniform(4, 15, count), []
        for value in hb:
            phone, lamp = phones[int(rng.integers(3))], lamps[int(rng.integers(3))]
            scene = draw_world_scene(card, rng, value, lot, GOOD, phone, lamp, volume=1.0)
            seen.append(numbers(patch_draw(scene, rng), lot))
        kept = [(h, one) for h, one in zip(hb, seen, strict=True) if one is not None]
        return np.array([h for h, _ in kept]), Measured.stack([one for _, one in kept])

    return lot, photos(PAIRED, 0.0), photos(READ, 0.0), photos(READ, 0.2)


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


def test_each_channel_goes_towards_the_stock_and_greys_keep():
    """Bouguer's law: a share of the depth gone is the same share of the logarithm."""
    lot, *_ = _site()
    kinds = np.array([cell.kind is Kind.NEUTRAL for cell in layout.cells()])
    stock = bleached(lot, [1.0, 1.0, 1.0])[~kinds]
    assert np.allclose(stock, stock[0])
    half = bleached(lot, [0.5, 0.0, 0.0])
    assert np.allclose(half[~kinds, 0] ** 2, lot.xyz[~kinds, 0] * stock[:, 0])
    assert np.allclose(half[:, 1:], lot.xyz[:, 1:])
    assert np.allclose(half[kinds], lot.xyz[kinds])


def test_what_cannot_be_told_is_left_alone(prior):
    lot, (_, seen), _, _ = _site()
    assert with_fading(prior, lot, seen).fading is not None
    for other in (
        with_fading(prior, replace(lot, basis="nominal"), seen),
        with_fading(prior, replace(lot, instrument="simulated"), seen),
        with_fading(prior, lot, seen[:4]),
    ):
        assert other is prior
    default = load_calibration(shipped("default"))
    assert with_fading(default, lot, seen) is default, "it knows the fading of its own inks"


def test_pairs_on_two_lots_tell_no_fresh_card(prior):
    lot, *_ = _site()
    two = Features(None, 0, (), (lot, replace(lot, number=6)))
    assert base_for(two, prior) is prior
    assert base_for(two, None) is None


def test_scatter_within_sites_is_that_about_each_sites_mean(tmp_path):
    """Against a sum written out by hand, and through its file."""
    rng = np.random.default_rng(2)
    site = np.repeat([3, 8, 9], [5, 7, 4])
    values = rng.normal(size=(16, 2)) + 10 * site[:, None]
    by_hand = sum(
        (len(own) - 1) * np.cov(own.T) for own in (values[site == number] for number in (3, 8, 9))
    )
    assert within_sites(values, site) == pytest.approx(by_hand / 13)
    write_scatter(tmp_path / "x.json", by_hand, "by hand")
    assert json.loads((tmp_path / "x.json").read_text())["source"] == "by hand"


def test_the_scatter_that_ships_is_of_this_chain_and_of_the_priors_worlds(monkeypatch):
    assert scatter_within_sites().shape == (N_SIGNATURE, N_SIGNATURE)
    content = json.loads(shipped("worlds", "within.json").read_text())
    assert str(WORLDS_SEED) in content["source"].split()
    monkeypatch.setattr(lotfading, "CHAIN", "of later")
    scatter_within_sites.cache_clear()
    try:
        with pytest.raises(ValueError, match="measuring chain"):
            scatter_within_sites()
    finally:
        monkeypatch.undo()
        scatter_within_sites.cache_clear()
