"""Blots of which a lively phone left nothing of green or blue, read by what it kept."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import date
from functools import cache

import colour
import numpy as np
import pytest

from cardreader.card import layout
from cardreader.core.refusal import Reason, Refusal
from cardreader.hb.estimate import HbEstimate, read_hb
from cardreader.hb.measured import measured
from cardreader.pipeline import read_photo
from cardreader.read.blot import BlotColour, blot_colour, region_colour, too_deep
from cardreader.read.correct import ColourCorrection, correct
from cardreader.read.lostchannel import DOUBT_SD, MAX_ABOVE, N_VALUES, filled_shades
from cardreader.read.sample import CRUSHED_LINEAR, PatchSamples
from cardreader.read.segment import BlotRegion
from cardreader.read.vividness import Vividness
from cardreader.reader import load_reader
from cardreader.simulate import demolots
from cardreader.simulate.notblood import dried_brown, with_spot_of
from cardreader.simulate.patchdraw import PatchDraw, patch_draw
from cardreader.simulate.photograph import photograph
from cardreader.simulate.rendering import Rendering, saturate_in_hsv, saturate_in_oklab
from cardreader.simulate.scene import GOOD, Scene, draw_scene, simulated_lot
from cardreader.simulate.view import View

Rendered = Callable[[np.ndarray], np.ndarray]

LOT = simulated_lot(7, date.max, 7, noise_lab=0.0)
D50 = colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D50"]
IDEAL = 0.6 * np.asarray(colour.XYZ_to_RGB(LOT.xyz, "sRGB", D50, "Bradford"))
RAMP = np.flatnonzero(layout.of_kind(layout.Kind.RAMP))
PAPER = np.array([0.5, 0.5, 0.48])
BLUE = 2


def linear_of(encoded: np.ndarray) -> np.ndarray:
    return np.asarray(colour.models.eotf_sRGB(encoded))


def encoded_of(linear: np.ndarray) -> np.ndarray:
    return np.asarray(colour.models.eotf_inverse_sRGB(np.clip(linear, 0, 1)))


def corrected(linear: np.ndarray) -> ColourCorrection:
    out = correct(PatchSamples(linear, np.zeros(layout.N_PATCHES)), LOT)
    assert isinstance(out, ColourCorrection), out
    return out


def region(blot: np.ndarray, paper: np.ndarray = PAPER) -> BlotRegion:
    """A core of one colour."""
    return BlotRegion(
        outline_mm=np.zeros((0, 2)),
        area_mm2=80.0,
        core_area_mm2=40.0,
        centre_mm=np.array(layout.CENTRE_MM),
        linear=np.asarray(blot, float),
        covariance=1e-10 * np.eye(3),
        paper_linear=paper,
        paper_covariance=1e-10 * np.eye(3),
        unevenness=0.0,
        texture=np.zeros((3, 3)),
        paper_residual=0.0,
        n_pixels=5000,
    )


def coloured(blot: np.ndarray, correction: ColourCorrection) -> BlotColour | Refusal:
    lot = replace(LOT, paper_lab=blot_colour(blot, PAPER, np.zeros((3, 3)), layout.CENTRE_MM,
                                             correction).paper_lab)  # fmt: skip
    return region_colour(region(blot), correction, lot)


@pytest.mark.parametrize("share", [0.1, 0.35])
def test_a_code_below_nothing_is_undone_by_the_same_formula(share: float) -> None:
    """Away from luma, and from the brightest channel, as if codes went on below 0."""
    plain = np.array([[0.6, 0.15, 0.05], [0.5, 0.04, 0.12], [0.7, 0.3, 0.1]])
    luma = (plain @ [0.2126, 0.7152, 0.0722])[:, None]
    by_luma = (plain - share * luma) / (1 - share)
    by_brightest = (plain - share * plain.max(axis=1, keepdims=True)) / (1 - share)
    assert by_brightest.min() < 0
    for vivid, encoded in (
        (Vividness(towards_luma=share), by_luma),
        (Vividness(towards_brightest=share), by_brightest),
    ):
        assert np.allclose(vivid.undone_past_nothing(encoded), linear_of(plain), rtol=2e-3)
        inside = (encoded > 0.02).all(axis=1)
        at_once = vivid.undone(linear_of(np.clip(encoded, 0, 1)))
        assert np.allclose(at_once[inside], linear_of(plain)[inside], rtol=2e-3)


@cache
def lively(gain: float) -> tuple[ColourCorrection, ColourCorrection]:
    """A card by a plain phone, and by one whose deep shades lost a channel."""
    seen = linear_of(saturate_in_hsv(encoded_of(IDEAL), gain))
    return corrected(IDEAL), corrected(seen)


@pytest.mark.parametrize("gain", [1.45, 1.5])
def test_a_blot_comes_out_near_its_colour_and_its_doubt_covers_the_rest(gain: float) -> None:
    plain, vivid = lively(gain)
    lost = vivid.samples.linear[RAMP] < CRUSHED_LINEAR
    assert lost.any()
    deep = IDEAL[RAMP[[22, 24]]].mean(axis=0) * [1.0, 0.95, 1.06]
    blot = linear_of(saturate_in_hsv(encoded_of(deep), gain))
    assert (blot < CRUSHED_LINEAR).sum() == 1
    assert too_deep(blot, layout.CENTRE_MM, vivid) is not None
    found, truth = coloured(blot, vivid), coloured(deep, plain)
    assert isinstance(found, BlotColour)
    assert isinstance(truth, BlotColour)
    miss = found.log_ratio - truth.log_ratio
    # Chi-squared with three degrees of freedom: 99 in 100 below 11.3.
    assert miss @ np.linalg.solve(found.covariance, miss) < 11.3
    assert np.abs(miss[:2]).max() < 0.05
    # Wide along what the lost channel moves, and there alone.
    spread = np.sqrt(np.linalg.eigvalsh(found.covariance))
    assert spread[-1] > 3 * DOUBT_SD
    assert spread[1] < 2 * DOUBT_SD


def test_shades_filled_in_say_how_far_the_correction_is_off_at_their_depth() -> None:
    """Their kept channels do: without them the trend stays as it is at the last whole shade."""
    plain, vivid = lively(1.5)
    filled, leftover = filled_shades(vivid)
    lost = (vivid.samples.linear[RAMP] < CRUSHED_LINEAR).sum(axis=1)
    filled_in, as_seen = (
        np.abs(np.log(trend.seen / LOT.xyz[RAMP])) for trend in (filled, vivid.ramp_trend)
    )
    assert filled_in[lost == 1].max() < 0.04
    assert as_seen[lost == 1].max() > 0.2
    assert np.array_equal(filled_in[lost != 1], as_seen[lost != 1])
    assert (filled.sound[lost == 1] == 1).all()
    assert np.array_equal(leftover.seen[RAMP], filled.seen)
    assert filled_shades(plain) == (plain.ramp_trend, plain.leftover)


def test_nothing_moves_where_nothing_was_lost() -> None:
    plain, vivid = lively(1.5)
    for correction, blot in ((plain, IDEAL[RAMP[20]]), (vivid, vivid.samples.linear[RAMP[4]])):
        assert too_deep(blot, layout.CENTRE_MM, correction) is None
        found, alone = coloured(blot, correction), region(blot)
        direct = blot_colour(alone.linear, alone.paper_linear, alone.covariance, alone.centre_mm,
                             correction, paper_covariance=alone.paper_covariance)  # fmt: skip
        assert isinstance(found, BlotColour)
        assert np.array_equal(found.log_ratio, direct.log_ratio)
        assert np.array_equal(found.covariance, direct.covariance)


@pytest.mark.parametrize(
    "blot",
    [
        (0.002, 0.3, 0.2),  # red lost
        (0.35, 0.001, 0.001),  # both others
        (0.2, 0.12, 0.0),  # brown: far darker in red than any shade with this green
    ],
)
def test_what_cannot_be_blood_with_one_channel_lost_is_refused(
    blot: tuple[float, float, float],
) -> None:
    plain, _ = lively(1.5)
    refusal = coloured(np.array(blot), plain)
    assert isinstance(refusal, Refusal)
    assert refusal.reason is Reason.COLOUR_NOT_CORRECTABLE


def test_a_blot_with_less_left_than_blood_has_is_refused() -> None:
    """A plain phone keeps blue: where there's none, no rendering took it away."""
    plain, vivid = lively(1.5)
    shade = IDEAL[RAMP[12]].copy()
    assert np.log(shade[BLUE] / CRUSHED_LINEAR) > MAX_ABOVE
    shade[BLUE] = 0.0
    assert not plain.filled(shade, np.array(layout.CENTRE_MM))
    deep = vivid.samples.linear[RAMP[24]]
    assert len(vivid.filled(deep, np.array(layout.CENTRE_MM))) == N_VALUES


# -- on simulated sittings ---------------------------------------------------

HOW: dict[str, Rendered] = {
    "HSV": lambda encoded: saturate_in_hsv(encoded, 1.45),
    "Oklab": lambda encoded: saturate_in_oklab(encoded, 1.45),
}
DEMO = demolots.IN_DATE
shipped_reader = cache(load_reader)
demo_lot = cache(DEMO.lot)


def scene(seed: int, hb_g_dl: float, light: str, how: str) -> Scene:
    rng = np.random.default_rng([seed, 5])
    made = draw_scene(rng, hb_g_dl, demo_lot(), DEMO.print_seed, GOOD, light_name=light)
    return replace(made, camera=replace(made.camera, rendering=Rendering(how, HOW[how])))


def judged(draw: PatchDraw) -> tuple[bool, HbEstimate | Refusal]:
    """Whether it lost a channel or shades as deep did, and what is read."""
    reader = shipped_reader()
    lot = reader.lots[DEMO.number]
    correction = correct(draw.samples, lot)
    if isinstance(correction, Refusal):
        return False, correction
    deep = too_deep(draw.blot_rgb, layout.CENTRE_MM, correction)
    alone = replace(region(draw.blot_rgb, draw.paper_rgb), covariance=draw.covariance)
    blot = region_colour(alone, correction, lot)
    if isinstance(blot, Refusal):
        return deep is not None, blot
    return deep is not None, read_hb(measured(blot, correction), reader.calibration)


def test_intervals_cover_and_no_low_value_is_called_normal() -> None:
    """Seeds from 90001, on which nothing was chosen."""
    read, covered, lost = 0, 0, 0
    for i in range(48):
        hb = 5.5 + 11 * ((i * 0.618) % 1)
        light, how = ("A", "LED-B1", "FL11", "LED-V1")[i % 4], ("HSV", "Oklab")[i // 4 % 2]
        made = patch_draw(scene(90001 + i, hb, light, how), np.random.default_rng(i))
        was_lost, found = judged(made)
        lost += was_lost
        if not was_lost or isinstance(found, Refusal):
            continue
        low, high = found.interval_g_dl
        read += 1
        covered += low <= hb <= high
        assert not (hb <= 9 and found.p_below(11) <= 0.05)
    assert lost >= 10
    assert read >= 0.5 * lost
    assert covered >= 0.8 * read


def test_old_blood_is_not_read_by_two_channels() -> None:
    lost = 0
    for i in range(24):
        made = with_spot_of(scene(90101 + i, 9.0, ("D65", "FL11", "D50")[i % 3], "Oklab"),
                            dried_brown)  # fmt: skip
        was_lost, found = judged(patch_draw(made, np.random.default_rng(i)))
        lost += was_lost
        assert isinstance(found, Refusal)
    assert lost


def test_a_photo_that_lost_green_at_the_blot_is_read() -> None:
    """It was refused: the phone left nothing of a channel."""
    lively_scene = scene(90002, 14.0, "LED-B1", "Oklab")
    photo = photograph(lively_scene, View(size=(1600, 1200), card_share=0.5), 90002)
    reading = read_photo(photo, shipped_reader())
    assert reading.samples is not None
    assert reading.samples.crushed[layout.of_kind(layout.Kind.RAMP)].any()
    assert isinstance(reading.estimate, HbEstimate), reading.refusal
    low, high = reading.estimate.interval_g_dl
    assert low <= 14.0 <= high
