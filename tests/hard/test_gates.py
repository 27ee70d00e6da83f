"""What makes the reader less sure of itself, or stop: tried on simulated colours alone."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from sitting import Sitting, draw_sitting
from verdict import stated_interval

from cardreader.card import layout
from cardreader.core.refusal import Reason, Refusal
from cardreader.core.shipped import shipped
from cardreader.hb.calibration import Calibration
from cardreader.hb.estimate import HbEstimate, read_hb
from cardreader.hb.measured import measured
from cardreader.read.blot import blot_colour
from cardreader.read.correct import ColourCorrection, correct
from cardreader.simulate import wornprint
from cardreader.simulate.notblood import red_ink
from cardreader.simulate.otherlight import raw_of
from cardreader.simulate.patchdraw import patch_draw
from cardreader.simulate.scene import BLOT_VOLUMES, Scene

SEED = 31


@cache
def calibration() -> Calibration:
    return Calibration.load(shipped("default"))


def corrected(scene: Scene, rng: np.random.Generator) -> ColourCorrection | Refusal:
    return correct(patch_draw(scene, rng).samples, scene.lot)


def read(scene: Scene, rng: np.random.Generator) -> HbEstimate | Refusal:
    draw = patch_draw(scene, rng)
    correction = correct(draw.samples, scene.lot)
    if isinstance(correction, Refusal):
        return correction
    blot = blot_colour(draw.blot_rgb, draw.paper_rgb, draw.covariance, layout.CENTRE_MM, correction)
    return read_hb(measured(blot, correction), calibration())


def outcomes(change: Callable[[Sitting], Scene], n: int) -> list[HbEstimate | Refusal]:
    sittings = [draw_sitting(SEED, 0, i) for i in range(n)]
    return [read(change(s), s.rng) for s in sittings]


def test_an_ordinary_card_passes_its_self_check() -> None:
    misses = []
    for i in range(25):
        sitting = draw_sitting(SEED, 0, i)
        correction = corrected(sitting.scene, sitting.rng)
        if isinstance(correction, ColourCorrection):
            misses.append(correction.ramp_trend.left_out_rms)
    assert len(misses) >= 22
    assert np.median(misses) < 0.03


def test_the_interval_grows_with_what_the_self_check_shows() -> None:
    grew = 0
    for i in range(12):
        sitting = draw_sitting(SEED, 1, i)
        state = sitting.rng.bit_generator.state
        plain = read(sitting.scene, sitting.rng)
        worn = wornprint.reprinted(sitting.scene, np.random.default_rng(i), 0.05)
        sitting.rng.bit_generator.state = state
        after = read(worn, sitting.rng)
        if isinstance(plain, HbEstimate) and isinstance(after, HbEstimate):
            width = [np.ptp(e.interval_g_dl) / e.hb_g_dl for e in (plain, after)]
            grew += width[1] > width[0]
        else:
            grew += isinstance(after, Refusal)
    assert grew >= 10


def test_left_out_shades_agree_with_leaving_them_out() -> None:
    sitting = draw_sitting(SEED, 2, 0)
    correction = corrected(sitting.scene, sitting.rng)
    assert isinstance(correction, ColourCorrection)
    assert correction.ramp_trend.left_out.shape == (14, 3)
    # Spoil one shade: it is told apart, and the others' forecasts hardly move.
    spoiled = correction.samples.linear.copy()
    spoiled[30:32] *= 1.2
    samples = type(correction.samples)(**{**vars(correction.samples), "linear": spoiled})
    changed = ColourCorrection(correction.light, correction.matrix, samples, correction.lot)
    size = np.linalg.norm(changed.ramp_trend.left_out, axis=1)
    assert int(size.argmax()) == 5
    others = np.delete(changed.ramp_trend.left_out - correction.ramp_trend.left_out, 5, axis=0)
    assert np.abs(others).max() < 0.03


@pytest.mark.parametrize("scatter", [0.3])
def test_a_card_reprinted_on_another_machine_is_not_read(scatter: float) -> None:
    results = outcomes(lambda s: wornprint.reprinted(s.scene, s.rng, scatter), 15)
    assert all(isinstance(r, Refusal) for r in results)


def test_a_little_fading_is_taken_off() -> None:
    errors, blind, outside = [], [], 0
    for i in range(30):
        sitting = draw_sitting(SEED, 4, i)
        draw = patch_draw(wornprint.faded(sitting.scene, 0.08), sitting.rng)
        colours = draw.colours(sitting.scene.lot)
        assert not isinstance(colours, Refusal)
        for model, found in (
            (calibration(), errors),
            (replace(calibration(), fading=None), blind),
        ):
            result = read_hb(measured(*colours), model)
            if isinstance(result, HbEstimate):
                found.append(result.hb_g_dl - sitting.scene.hb_g_dl)
                low, high = stated_interval(result)
                if model.fading is not None:
                    outside += not low <= sitting.scene.hb_g_dl <= high
    assert len(errors) > 25  # beyond a mild fading a refusal is as good an answer
    assert outside <= 1
    assert np.median(blind) > 1.5
    assert np.median(errors) < 0.65 * np.median(blind)


def test_faded_cards_are_told_so() -> None:
    results = outcomes(lambda s: wornprint.faded(s.scene, 0.2), 15)
    reasons = [r.reason for r in results if isinstance(r, Refusal)]
    assert len(reasons) == 15
    assert reasons.count(Reason.CARD_FADED) >= 12


def test_strongly_faded_colour_inks_are_not_read() -> None:
    results = outcomes(lambda s: wornprint.faded(s.scene, 0.4), 15)
    assert all(isinstance(r, Refusal) for r in results)


def test_a_printed_copy_is_not_read() -> None:
    results = outcomes(lambda s: wornprint.printed_copy(s.scene), 15)
    assert all(isinstance(r, Refusal) for r in results)


def test_red_ink_is_not_blood() -> None:
    def inked(sitting: Sitting) -> Scene:
        spots = raw_of(sitting.scene, red_ink(BLOT_VOLUMES))
        return Scene(**{**vars(sitting.scene), "raw_blot": spots})

    results = outcomes(inked, 15)
    assert all(isinstance(r, Refusal) for r in results)
    reasons = [r.reason for r in results if isinstance(r, Refusal)]
    assert reasons.count(Reason.NOT_BLOOD_COLOUR) >= 12


def test_tails_are_heavier_than_a_normal_distributions() -> None:
    # Of a normal distribution the 99 % interval is 1.57 times the 90 % interval.
    for result in outcomes(lambda s: s.scene, 6):
        if isinstance(result, HbEstimate):
            low, high = stated_interval(result)
            assert high - low > 1.8 * np.ptp(result.interval_g_dl)
