"""Why colours, paper or blot failed: told by the white of the card, its greys and the grain."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import pytest
import rig
from lots import made_up_lot
from scipy.stats import median_abs_deviation

from cardreader.card import layout
from cardreader.card.lots import Lots
from cardreader.colour.cielab import lab_to_srgb
from cardreader.core.refusal import Reason, Refusal
from cardreader.core.shipped import shipped
from cardreader.pipeline import measure_photo, measure_together
from cardreader.read.locate import CardPose, locate
from cardreader.read.photo import Photo, open_photo
from cardreader.read.sample import PatchSamples, lightest_prints, linear_pixels, sample
from cardreader.read.whitecard import grain, why_no_colours

SAMPLES = Path(__file__).parents[2] / "sample_images" / "good"
X, Y = layout.CENTRE_MM
LOT = made_up_lot(basis="measured")
SHADOW = np.array([0.5, 0.5, 0.5])
SKY_LIT = np.array([0.42, 0.5, 0.56])
BROWN = np.array([0.65, 0.5, 0.38])
SKIN = np.array([0.45, 0.28, 0.21])
Picture = np.ndarray
Change = Callable[[Picture, np.ndarray], Picture]


@cache
def clean_card() -> Picture:
    """The lot's card with a blot, linear RGB."""
    code = np.clip(lab_to_srgb(LOT.lab), 0, 1)
    colours = np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4)
    return rig.draw_card(LOT.number, colours=colours)


@cache
def at_mm() -> np.ndarray:
    """Card millimetres of the drawn card's pixels, (h, w, 2)."""
    h, w = clean_card().shape[:2]
    x, y = (np.arange(n) / rig.PX_PER_MM - rig.MARGIN_MM for n in (w, h))
    return np.stack(np.meshgrid(x, y), axis=-1)


def photo_of(
    change: Change | None = None,
    noise: float = 0.004,
    gain: tuple[float, float, float] = (0.8, 0.76, 0.72),
) -> bytes:
    card = clean_card().copy()
    if change is not None:
        card = change(card, at_mm()).astype(np.float32)
    shot = rig.Shot(fill=0.8, noise=noise, gain=gain)
    return rig.jpeg(rig.photograph(card, shot).rgb, quality=95)


def refusal_of(change: Change | None, noise: float = 0.004) -> Refusal:
    measured = measure_photo(photo_of(change, noise), Lots([LOT]))
    assert measured.refusal is not None
    return measured.refusal


@cache
def spots(seed: int = 9101, n: int = 26, soft_mm: float = 1.0) -> np.ndarray:
    """Coverage 0..1 by round spots all over the card, (h, w); bay and markers are left out."""
    rng = np.random.default_rng(seed)
    x_mm, y_mm = at_mm()[0, :, 0], at_mm()[:, :1, 1]
    cover = np.zeros(at_mm().shape[:2])
    for _ in range(n):
        x, y, r = rng.uniform(0, layout.WIDTH_MM), rng.uniform(0, layout.HEIGHT_MM), 5.0
        if max(abs(x - X), abs(y - Y)) < layout.BAY_MM / 2 + r:
            continue
        far = np.hypot(x_mm - x, y_mm - y)
        cover = np.maximum(cover, np.clip((r - far) / soft_mm, 0, 1))
    for (x0, y0), _, (x1, y1), _ in layout.marker_corners_mm():
        columns, rows = (x_mm >= x0 - 1) & (x_mm <= x1 + 1), (y_mm >= y0 - 1) & (y_mm <= y1 + 1)
        cover[rows & columns] = 0.0
    return cover


def dimmed(by: np.ndarray) -> Change:
    """What lets a share ``by`` (3,) of the light through, in spots."""
    return lambda card, _at: card * by ** spots()[..., None]


def test_a_clean_photo_is_read() -> None:
    measured = measure_photo(photo_of(), Lots([LOT]))
    assert measured.refusal is None, measured.refusal


@pytest.mark.parametrize("by", [SHADOW, SKY_LIT])
def test_dappled_shadow_is_no_dirt(by: np.ndarray) -> None:
    refusal = refusal_of(dimmed(by))
    assert refusal.reason is Reason.SHADOW_EDGE
    assert refusal.advice.index("shade") < refusal.advice.index("wipe")


def lit_by_another_lamp(loses: tuple[float, float, float], at_mm: float) -> Change:
    """Past an edge, askew over the card, light without a share of each channel."""

    def change(card: Picture, at: np.ndarray) -> Picture:
        past = (at - (X, Y)) @ np.array([np.cos(0.5), np.sin(0.5)]) - at_mm
        share = 1 / (1 + np.exp(-np.clip(2 * past, -30, 30)))
        return card * (1 - share[..., None] * np.array(loses))

    return change


@pytest.mark.parametrize(("loses", "at_mm"), [((0.0, 0.03, 0.4), 8.0), ((0.0, 0.15, 0.55), 12.0)])
def test_another_lamps_light_over_part_of_the_card_is_no_dirt_and_no_glare(
    loses: tuple[float, float, float], at_mm: float
) -> None:
    assert refusal_of(lit_by_another_lamp(loses, at_mm)).reason is Reason.SHADOW_EDGE


def test_brown_spots_in_the_same_places_are_dirt() -> None:
    assert refusal_of(dimmed(BROWN)).reason is Reason.CARD_SOILED


def test_deep_bands_of_a_pulsing_lamp_are_no_dirt() -> None:
    """Blue light pulses deeper than red: its phosphor glows on more briefly."""

    def bands(card: Picture, at: np.ndarray) -> Picture:
        turn = np.radians(rig.Shot().turn_deg)
        row = at[..., :1] * np.sin(turn) + at[..., 1:] * np.cos(turn)
        wave = np.sin(2 * np.pi * row / 22.0)
        return card * (1 + 0.25 * wave * np.array([0.8, 1.0, 1.25]))

    refusal = refusal_of(bands)
    assert refusal.reason is Reason.SHADOW_EDGE
    assert "daylight" in refusal.advice


def test_fingers_on_the_greys_are_no_reflection() -> None:
    def fingers(card: Picture, at: np.ndarray) -> Picture:
        for side in (-1, 1):
            off = at - (X + 4 * side, Y + side * (layout.HEIGHT_MM / 2 + 1))
            on = (np.abs(off[..., 0]) < 7.5) & (np.abs(off[..., 1]) < 14.5)
            card = np.where(on[..., None], SKIN, card)
        return card

    refusal = refusal_of(fingers)
    assert refusal.reason is Reason.CARD_SOILED
    assert "fingers" in refusal.advice


def laid(shift_mm: tuple[float, float], turn_deg: float, side_mm: float = 25.6) -> Change:
    """Blotting paper, its blot with it, moved and turned; where it was the card is bare."""

    def change(card: Picture, at: np.ndarray) -> Picture:
        a = np.radians(turn_deg)
        turn = np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]])
        on_paper = (at - (X, Y) - shift_mm) @ turn
        half = layout.BAY_MM / 2
        bare = np.where((np.abs(at - (X, Y)).max(axis=-1) < half)[..., None], 0.86, card)
        where = ((on_paper + np.array([X, Y]) + rig.MARGIN_MM) * rig.PX_PER_MM - 0.5).astype(
            np.float32
        )
        moved = cv2.remap(card, where[..., 0], where[..., 1], cv2.INTER_LINEAR)
        off = np.abs(on_paper).max(axis=-1)[..., None]
        moved = np.where(off < half - 0.1, moved, rig.PAPER)
        return np.where(off < side_mm / 2, moved, bare)

    return change


@pytest.mark.parametrize(("shift_mm", "turn_deg"), [((5.0, 4.5), 1.0), ((0.3, 0.0), 22.0)])
def test_paper_that_slid_or_lies_askew_is_no_dirt_and_no_glare(
    shift_mm: tuple[float, float], turn_deg: float
) -> None:
    refusal = refusal_of(laid(shift_mm, turn_deg))
    assert refusal.reason is Reason.PAPER_OUT_OF_PLACE
    assert "none of the colours" in refusal.advice


def test_the_light_greys_of_a_hard_photocopy_lie_under_no_paper() -> None:
    """Greys of L* 62 come out nearly white, in one place a little more than in another."""

    def copied(card: Picture, at: np.ndarray) -> Picture:
        luma = (card @ np.array([0.3, 0.6, 0.1]))[..., None] * (1 + 0.02 * np.sin(at[..., :1] / 9))
        code = np.clip(luma / 0.8, 0, 1) ** (1 / 2.4)
        return 0.75 / (1 + np.exp(-10.5 * (code - 0.5))) * np.ones(3)

    refusal = refusal_of(copied)
    assert refusal.reason is Reason.COLOUR_NOT_CORRECTABLE
    assert "no copy" in refusal.advice


def test_whoever_photographs_a_screen_is_told_to_photograph_the_card() -> None:
    """Its pixels pass for grain, and no brighter light takes them away."""

    def on_a_screen(card: Picture, at: np.ndarray) -> Picture:
        column = (at[..., :1] / 0.22 + np.arange(3) / 3) % 1
        return card * (0.3 + 2.1 * (column < 1 / 3)) * np.array([0.9, 0.95, 1.0])

    assert "screen" in refusal_of(on_a_screen).advice


def on_bay(factor: Callable[[np.ndarray], np.ndarray]) -> Change:
    """Light on the bay alone, by a factor of the place (.., 2) from its middle."""

    def change(card: Picture, at: np.ndarray) -> Picture:
        off = at - (X, Y)
        inside = np.abs(off).max(axis=-1) < layout.BAY_MM / 2
        return card * np.where(inside, factor(off), 1.0)[..., None]

    return change


def test_a_crease_is_no_shadow() -> None:
    crease = refusal_of(on_bay(lambda off: 1 + 0.13 * np.tanh((off[..., 0] - 7) / 0.5)))
    assert crease.reason is Reason.PAPER_OUT_OF_PLACE
    assert "creases" in crease.advice


def test_a_shadow_over_bay_and_card_is_no_crease() -> None:
    def edge(card: Picture, at: np.ndarray) -> Picture:
        return card * (1 - 0.06 * (1 + np.tanh((at[..., :1] - X - 7) / 1.0)))

    assert refusal_of(edge).reason is Reason.SHADOW_EDGE


def streaks(off: np.ndarray) -> np.ndarray:
    lines = [np.abs(off[..., 0] * 0.9 + off[..., 1] * 0.4 - at) for at in (-9.0, 9.5)]
    return np.min(lines, axis=0) < 0.7


def test_bright_streaks_on_the_paper_are_a_reflection() -> None:
    refusal = refusal_of(on_bay(lambda off: 1 + 0.16 * streaks(off)))
    assert refusal.reason is Reason.GLARE_ON_PATCHES
    assert "sleeve" in refusal.advice


def test_much_black_ink_on_the_paper_is_no_shadow() -> None:
    def strokes(off: np.ndarray) -> np.ndarray:
        ink = [np.abs(off[..., 1] - at) < 0.35 for at in (-10.5, -9.0, -7.5, 8.0, 9.5, 11.0)]
        return 1 - 0.9 * np.any(ink, axis=0)

    assert refusal_of(on_bay(strokes)).reason is Reason.PAPER_NOT_BLANK


def test_grain_is_neither_dirt_nor_a_stain() -> None:
    assert refusal_of(None, noise=0.3).reason is Reason.TOO_DARK


@pytest.mark.parametrize("name", ["severe-3.5-daylight", "moderate-8.3-tube", "mild-10.4-lamp"])
def test_grain_is_no_shadow_either(name: str) -> None:
    picture = cv2.imread(str(SAMPLES / f"{name}.jpg"), cv2.IMREAD_IGNORE_ORIENTATION + 1)
    scale = 1600 / max(picture.shape)
    small = cv2.resize(picture, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    grainy = np.clip(small + np.random.default_rng(3).normal(0, 32, small.shape), 0, 255)
    data = rig.jpeg(grainy[..., ::-1].astype(np.uint8), quality=95)
    refusal = measure_photo(data, Lots.load(shipped("lots"))).refusal
    assert refusal is not None
    assert refusal.reason is Reason.TOO_DARK, refusal


def test_grain_is_the_scatter_that_a_library_gives() -> None:
    photo = open_photo(photo_of(noise=0.03), "0" * 64)
    assert isinstance(photo, Photo)
    pose = locate(photo)
    assert isinstance(pose, CardPose)
    pixels = linear_pixels(photo, pose)
    ratio = np.log(pixels[0] / pixels[1])[lightest_prints()]
    expected = np.median(median_abs_deviation(ratio, axis=1, scale="normal"))
    assert grain(pixels) == pytest.approx(expected, rel=1e-3)


def test_other_ink_is_no_reflection_where_the_white_has_no_more_light() -> None:
    """Half of the prints mixed otherwise, their dark channels most; the white is as it was."""

    def reprinted(card: Picture, at: np.ndarray) -> Picture:
        half = layout.PATCH_MM / 2 + 0.1
        for cell in layout.cells()[::4]:
            columns = np.abs(at[0, :, 0] - cell.x_mm) < half
            rows = np.abs(at[:, :1, 1] - cell.y_mm) < half
            card[rows & columns] += 0.12
        return card

    assert refusal_of(reprinted).reason is Reason.COLOUR_NOT_CORRECTABLE


def test_photos_of_one_blot_are_told_as_each_alone() -> None:
    crease = photo_of(on_bay(lambda off: 1 + 0.13 * np.tanh((off[..., 0] - 7) / 0.5)))
    _, together = measure_together([crease, photo_of()], Lots([LOT]))
    assert together.refusal is not None
    assert together.refusal.reason is Reason.PAPER_OUT_OF_PLACE


def test_thin_shade_is_told_where_the_colours_do_not_come_out() -> None:
    def told(change: Change | None) -> Reason:
        photo = open_photo(photo_of(change), "0" * 64)
        assert isinstance(photo, Photo)
        pose = locate(photo)
        assert isinstance(pose, CardPose)
        samples = sample(photo, pose)
        assert isinstance(samples, PatchSamples)
        unfit = Refusal(Reason.COLOUR_NOT_CORRECTABLE, "correct")
        return why_no_colours(unfit, photo, pose, samples, LOT).reason

    assert told(None) is Reason.COLOUR_NOT_CORRECTABLE
    assert told(dimmed(np.full(3, 0.93))) is Reason.SHADOW_EDGE


def test_one_channel_clipped_by_a_filter_is_told_to_switch_it_off() -> None:
    measured = measure_photo(photo_of(gain=(1.4, 0.8, 0.5)), Lots([LOT]))
    assert measured.refusal is not None
    assert measured.refusal.reason is Reason.CLIPPED
    assert "filters" in measured.refusal.advice
