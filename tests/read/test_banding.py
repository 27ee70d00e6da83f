"""Bands of light: found where they are plain, left alone where they aren't, and taken off."""

from __future__ import annotations

import pickle
from functools import cache

import colour
import numpy as np
import pytest
import rig

from cardreader.card import layout
from cardreader.card.lots import Lots
from cardreader.colour.cielab import XYZ_TO_SRGB
from cardreader.core.refusal import Refusal
from cardreader.core.shipped import shipped
from cardreader.read.banding import EVEN, MAX_AMPLITUDE, Banding, find_banding, fit_banding
from cardreader.read.correct import ColourCorrection, correct
from cardreader.read.lightfit import fit_light
from cardreader.read.locate import CardPose, locate
from cardreader.read.photo import Photo
from cardreader.read.sample import PatchSamples
from cardreader.read.segment import BlotRegion, segment_blot
from cardreader.read.spoiled import suspect_pairs
from cardreader.read.twins import compare_twins
from cardreader.read.whitespots import spots_mm

PX_PER_MM = 11.0
GRAIN = 0.008
PATCHES_MM = np.array([(c.x_mm, c.y_mm) for c in layout.cells()])


def to_px(at_mm):
    """The card a little turned, seen from straight above."""
    c, s = np.cos(0.08), np.sin(0.08)
    return PX_PER_MM * np.asarray(at_mm) @ np.array([[c, s], [-s, c]]) + (80.0, 150.0)


def falling_off(at_mm):
    """Ln light of a lamp to one side, (n, 3)."""
    u, v = ((np.asarray(at_mm) - layout.CENTRE_MM) / (layout.WIDTH_MM / 2)).T
    return np.repeat((-0.5 + 0.15 * u - 0.1 * v - 0.05 * u * u)[:, None], 3, axis=1)


def grain(rng, n):
    return rng.normal(0, GRAIN, (n, 3))


def bands(period_mm, depth, axis=1, harmonic=0.0):
    """Bands of known shape: ``depth`` is the amplitude of the green channel."""
    waves = np.zeros((4, 3))
    waves[0], waves[1] = 0.6 * depth, 0.8 * depth
    waves[2] = harmonic * depth
    return Banding(axis, 1 / (period_mm * PX_PER_MM), waves * (0.9, 1.0, 1.15), to_px)


def lit(banding, seed=1, extra=0.0):
    """Spots and ln light as measured."""
    at = spots_mm()
    light = falling_off(at) + banding.log_light(at) + grain(np.random.default_rng(seed), len(at))
    return at, light + extra


@pytest.mark.parametrize("axis", [0, 1])
@pytest.mark.parametrize("period_mm", [14.0, 27.0, 45.0])
@pytest.mark.parametrize("depth", [0.015, 0.05, 0.1])
def test_bands_are_found_as_they_are(axis, period_mm, depth):
    true = bands(period_mm, depth, axis)
    found = fit_banding(*lit(true), to_px)
    assert found.axis == axis
    # Over the card, a phase off by 0.03 of a cycle at most.
    span = np.ptp(to_px(spots_mm())[:, axis])
    assert abs(found.cycles_per_px - true.cycles_per_px) * span < 0.06
    everywhere = np.random.default_rng(2).uniform(0, 1, (400, 2)) * (
        layout.WIDTH_MM,
        layout.HEIGHT_MM,
    )
    # Six parameters from 120 spots: grain leaves less than half of itself anywhere.
    off = found.log_light(everywhere) - true.log_light(everywhere)
    # A long wave and a quadratic field are told apart badly; their sum is what counts.
    if period_mm < 40:
        assert np.sqrt((off**2).mean()) < 0.4 * GRAIN


def test_a_lamps_second_harmonic_is_found_too():
    true = bands(30.0, 0.05, harmonic=0.2)
    found = fit_banding(*lit(true), to_px)
    assert np.allclose(np.hypot(*found.waves[2:]), np.hypot(*true.waves[2:]), atol=0.003)


def test_even_light_has_no_bands_at_all():
    """Grain alone would have to explain a quarter of itself by a wave; never in 200 cards."""
    found = [fit_banding(*lit(EVEN, seed), to_px).found for seed in range(200)]
    assert sum(found) == 0


def test_few_spots_need_more_evidence():
    """Where half of the card is covered, chance does better; still not well enough."""
    found = []
    for seed in range(200):
        at, light = lit(EVEN, seed)
        some = np.random.default_rng(seed).permutation(len(at))[:40]
        found.append(fit_banding(at[some], light[some], to_px).found)
    assert sum(found) == 0


def _spoilt(kind: str, rng: np.random.Generator) -> np.ndarray:
    at = spots_mm()
    off = at - layout.CENTRE_MM
    if kind == "dirt":
        dirty = rng.random(len(at)) < 0.15
        return -np.where(dirty, rng.uniform(0, 0.4, len(at)), 0)[:, None] * (0.8, 1.0, 1.2)
    turn = rng.uniform(0, 2 * np.pi)
    along = off @ (np.cos(turn), np.sin(turn)) - rng.uniform(-20, 20)
    if kind == "shadow":
        return -0.15 / (1 + np.exp(-along / rng.uniform(0.5, 8)))[:, None] * np.ones(3)
    centre = rng.uniform(-20, 20, 2)
    far2 = ((off - centre) ** 2).sum(axis=1)
    return np.log1p(0.15 * np.exp(-far2 / (2 * rng.uniform(2, 15) ** 2)))[:, None] * np.ones(3)


@pytest.mark.parametrize("kind", ["dirt", "reflection"])
def test_dirt_and_reflections_are_no_bands(kind):
    rng = np.random.default_rng(4)
    found = [fit_banding(*lit(EVEN, s, _spoilt(kind, rng)), to_px).found for s in range(100)]
    assert sum(found) == 0


def test_the_edge_of_a_shadow_is_seldom_taken_for_bands():
    """Where it lies just along the rows it may be: then the gates after it still judge."""
    rng = np.random.default_rng(4)
    found = [fit_banding(*lit(EVEN, s, _spoilt("shadow", rng)), to_px).found for s in range(100)]
    assert sum(found) <= 8


def test_dirt_does_not_hide_bands():
    rng = np.random.default_rng(6)
    true = bands(25.0, 0.05)
    for seed in range(10):
        found = fit_banding(*lit(true, seed, _spoilt("dirt", rng)), to_px)
        off = found.log_light(PATCHES_MM) - true.log_light(PATCHES_MM)
        assert np.sqrt((off**2).mean()) < GRAIN


def test_bands_too_deep_to_take_off_are_left_to_later_gates():
    assert not fit_banding(*lit(bands(25.0, 1.2 * MAX_AMPLITUDE)), to_px).found


def test_the_mean_over_a_patch_is_that_of_the_wave():
    """Along straight rows the mean of a sine over a width w is the sine times sin(x)/x."""
    wave = np.zeros((4, 3))
    wave[0] = 0.05
    true = Banding(1, 1 / 150, wave, lambda mm: 10.0 * np.asarray(mm, float))
    x = np.pi * 10 * 2.76 / 150
    expected = true.log_light(PATCHES_MM) * np.sin(x) / x
    assert np.allclose(true.log_light(PATCHES_MM, 2.76), expected, atol=2e-4)
    assert not EVEN.log_light(PATCHES_MM, 2.76).any()


def test_white_spots_are_clear_of_all_print():
    at = spots_mm()
    assert len(at) == 120
    for squares, side in (
        (PATCHES_MM, layout.PATCH_MM),
        (layout.marker_corners_mm().mean(axis=1), layout.MARKER_MM),
        # Paper may overlap the bay's frame.
        (np.array([layout.CENTRE_MM]), layout.BAY_MM + 2.0),
    ):
        beyond = np.abs(at[:, None] - squares).max(axis=-1) - side / 2
        assert beyond.min() > 0.3


# --- pictures --------------------------------------------------------------------------------


@cache
def _picture(depth: float, turned: bool = False) -> tuple[Photo, CardPose]:
    """The rig's card with bands of a period of 250 pixels over its rows or columns."""
    scene = rig.photograph(rig.draw_card(), rig.Shot(gain=(0.7, 0.66, 0.6)))
    linear = colour.models.eotf_sRGB(np.arange(256) / 255)[scene.rgb]
    n = linear.shape[1 if turned else 0]
    wave = 1 + depth * np.sin(2 * np.pi * np.arange(n) / 250 + 0.7)
    linear = linear * (wave[None, :, None] if turned else wave[:, None, None])
    rgb = rig.encode(linear)
    photo = Photo(encoded=rgb, full_size=rgb.shape[1::-1], scale=1.0, sha256="0" * 64)
    pose = locate(photo)
    assert isinstance(pose, CardPose), pose
    return photo, pose


@pytest.mark.parametrize("depth", [0.0, 0.05])
def test_bands_go_from_process_to_process(depth):
    found = find_banding(*_picture(depth))
    back = pickle.loads(pickle.dumps(found))
    assert np.array_equal(back.log_light(PATCHES_MM), found.log_light(PATCHES_MM))


@pytest.mark.parametrize("turned", [False, True])
def test_bands_are_found_in_a_picture(turned):
    found = find_banding(*_picture(0.05, turned))
    assert found.axis == (0 if turned else 1)
    assert 1 / found.cycles_per_px == pytest.approx(250, rel=0.02)
    assert np.allclose(np.hypot(*found.waves[:2]), 0.05, atol=0.003)


def test_a_picture_in_even_light_has_none():
    assert find_banding(*_picture(0.0)) is EVEN


def test_depth_in_light_comes_from_the_neutrals():
    """Through a phone's flat shoulder white card shows less of the bands than there is."""
    lot = Lots.load(shipped("lots"))[27001]
    true = bands(25.0, 0.05)
    ideal = np.maximum(lot.xyz @ XYZ_TO_SRGB.T, 1e-3)

    def phone(light):
        return light * 2.2 / (1 + 1.2 * light)

    light = 0.7 * ideal * np.exp(true.log_light(PATCHES_MM, 2.76))
    white = 0.7 * 0.85
    slope = 1 / (1 + 1.2 * white)
    seen = Banding(true.axis, true.cycles_per_px, true.waves * slope, to_px)
    model = fit_light(phone(light), lot, banding=seen)
    assert np.allclose(model.bands, 1 / slope, rtol=0.1)

    def scatter(model):
        """Of what neutrals of one shade come out at, at different places."""
        neutral = [i for i, c in enumerate(layout.cells()) if c.kind is layout.Kind.NEUTRAL]
        made = np.log(model.reflectance(phone(light), PATCHES_MM) / ideal)[neutral]
        return float(np.std(made.reshape(2, 5, 2, 3), axis=(0, 2)).mean())

    assert scatter(model) < 0.25 * scatter(fit_light(phone(light), lot))


def test_a_blot_under_bands_comes_out_as_without():
    def ratio(depth):
        photo, pose = _picture(depth)
        region = segment_blot(photo, pose, find_banding(photo, pose))
        assert isinstance(region, BlotRegion), region
        return region.linear / region.paper_linear, region.paper_residual

    even, _ = ratio(0.0)
    banded, residual = ratio(0.08)
    assert np.allclose(banded, even, rtol=0.01)
    assert residual < 0.006


def test_prints_in_bright_and_dark_bands_are_not_spoiled():
    """Bands of 6 % put pairs as far apart as dirt does."""
    lot = Lots.load(shipped("lots"))[27001]
    true = bands(25.0, 0.06)
    light = 0.7 * np.maximum(lot.xyz @ XYZ_TO_SRGB.T, 5e-3)
    lit_up = light * np.exp(true.log_light(PATCHES_MM, 2.76))
    samples = PatchSamples(lit_up, np.zeros(72))
    assert suspect_pairs(compare_twins(lit_up), lot).any()
    banded = correct(samples, lot, true)
    assert isinstance(banded, ColourCorrection), banded
    assert banded.samples.spoiled.sum() == 0
    blind = correct(samples, lot)
    assert isinstance(blind, Refusal) or (
        banded.residual_de00.mean() < 0.3 * blind.residual_de00.mean()
    )


def test_bands_too_faint_to_matter_are_left():
    """However plain: a still picture's whole codes may make such waves of their own."""
    at = spots_mm()
    for depth, plain in ((0.003, False), (0.012, True)):
        light = falling_off(at) + bands(25.0, depth).log_light(at)
        light += np.random.default_rng(1).normal(0, 3e-4, light.shape)
        assert fit_banding(at, light, to_px).found is plain
