"""A print's colours from photos of its cards: what they are worth is how alike photos then read."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from cardreader.core.robust import median_sd
from cardreader.read import printcolours
from cardreader.read.printcolours import (
    LEAST_PHOTOS,
    CardPhoto,
    TooFewPhotosError,
    print_colours,
    print_misses,
)
from cardreader.simulate.demolots import IN_DATE, design_lot
from cardreader.simulate.lamps import draw_lamp
from cardreader.simulate.patchdraw import PatchDraw, patch_draw
from cardreader.simulate.scene import GOOD
from cardreader.simulate.worlds.draws import draw_phone, numbers, photographed_lot
from cardreader.simulate.worlds.world import draw_world, draw_world_scene

SEED, WORLDS, PHOTOS = 606, 3, 14
"""Of nothing that is reported or tuned."""


def _photos(world, lot, rng: np.random.Generator) -> list[PatchDraw]:
    out = []
    for _ in range(PHOTOS):
        hb = float(rng.uniform(5, 15))
        phone, lamp = draw_phone(rng), draw_lamp(rng)
        out.append(
            patch_draw(draw_world_scene(world, rng, hb, lot, GOOD, phone, lamp, volume=1.0), rng)
        )
    return out


def _apart(world: int) -> tuple[float, float]:
    """By how much log ratios beside the design, and beside the colours found, scatter about
    those beside the measured print; what they are all off by is nothing to a calibration."""
    rng = np.random.default_rng([SEED, world])
    drawn = draw_world(rng)
    lot = drawn.lot(5, rng)
    found = photographed_lot(drawn, lot, rng)
    assert found is not None
    assert found.basis == "photographed"
    rows = [
        [numbers(photo, known) for known in (lot, design_lot(), found)]
        for photo in _photos(drawn, lot, rng)
    ]
    read = np.array([[m.log_ratio for m in row] for row in rows if None not in row])
    off = read[:, 1:] - read[:, :1]
    spread = median_sd(off - np.median(off, axis=0), axis=0)
    by_design, by_photos = np.sqrt((spread**2).mean(axis=(0, 2)))
    return float(by_design), float(by_photos)


def test_photos_read_more_alike_beside_the_colours_found_than_beside_the_design():
    by_design, by_photos = np.mean([_apart(world) for world in range(WORLDS)], axis=0)
    assert by_photos < 0.6 * by_design


def _cards(n: int) -> list[CardPhoto]:
    rng = np.random.default_rng(SEED)
    world = draw_world(rng)
    lot = world.lot(5, rng)
    return [CardPhoto(photo.samples) for photo in _photos(world, lot, rng)[:n]]


def test_two_halves_of_the_photos_agree_and_all_of_them_count():
    found = print_colours(_cards(PHOTOS), design_lot())
    assert LEAST_PHOTOS <= found.n_photos <= PHOTOS
    assert 0 < found.halves_de00 < 2
    assert found.lot.number == design_lot().number
    assert not found.lot.is_demonstration


def test_colours_found_are_nearer_to_the_print_than_its_design():
    rng = np.random.default_rng(SEED)
    own = draw_world(rng).lot(5, rng)
    found = print_colours(_cards(PHOTOS), design_lot()).lot
    off, by_design = (np.abs(known.lab - own.lab).mean() for known in (found, design_lot()))
    assert off < 0.7 * by_design


def test_where_the_likely_print_explains_too_few_photos_what_they_left_over_is_believed(
    monkeypatch,
):
    cards, design = _cards(PHOTOS), design_lot()
    absurd = np.full((36, 3), 0.4) * np.linspace(-1, 1, 36)[:, None]
    monkeypatch.setattr(printcolours, "likely_print", lambda: lambda left: absurd)
    left = print_misses(cards, design).median
    found = print_colours(cards, design).lot
    moved = np.log(found.xyz / design.xyz)[::2]
    assert np.abs(moved - left).mean() < 0.25 * np.abs(left).mean()


def test_a_shade_that_a_phone_lost_says_nothing_of_the_print():
    cards, design = _cards(PHOTOS), design_lot()
    at = 11
    samples = cards[0].samples
    dark = samples.linear.copy()
    dark[2 * at : 2 * at + 2, 2] = 1e-4
    spoilt = CardPhoto(replace(samples, linear=dark))
    of_photos = print_misses([spoilt, *cards[1:]], design).of_photos
    assert np.isnan(of_photos[0, at]).all()
    assert np.isfinite(np.delete(of_photos[0], at, axis=0)).all()
    assert np.isfinite(print_misses([spoilt, *cards[1:]], design).median).all()


def test_too_few_photos_and_measured_lots_are_named():
    with pytest.raises(TooFewPhotosError, match="at least 10"):
        print_colours(_cards(3), design_lot())
    with pytest.raises(ValueError, match="is measured"):
        print_colours([], IN_DATE.lot())
    with pytest.raises(ValueError, match="is photographed"):
        print_colours([], replace(design_lot(), basis="photographed"))
