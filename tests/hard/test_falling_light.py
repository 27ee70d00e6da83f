"""Light that falls off smoothly over the card is read; a reflection or a shadow in it is not.

Synthetic photos. The sittings are those by which the limits were tuned.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from falling import Fall, in_falling_light, lamp, vignette
from sitting import Sitting, draw_sitting, stored, take

from cardreader.card import layout
from cardreader.core.refusal import Reason
from cardreader.core.shipped import shipped
from cardreader.hb.calibration import Calibration
from cardreader.hb.estimate import HbEstimate, read_hb
from cardreader.pipeline import measure_photo, measure_together
from cardreader.reader import load_lots
from cardreader.result.reading import Measurement
from cardreader.simulate.view import ShadowEdge, Spot, View

SEED = 662060
FALLS = {"corners": vignette(0.30), "lamp": lamp(125.0)}


def photo(fall: Fall | None, index: int, view: View | None = None) -> tuple[bytes, Sitting]:
    sitting = draw_sitting(SEED + index, 0, index)
    scene = in_falling_light(sitting.scene, fall)
    view = view or sitting.view
    return stored(sitting, take(sitting, scene=scene, view=view), view), sitting


def measured(fall: Fall | None, index: int, **seen: object) -> Measurement:
    view = replace(draw_sitting(SEED + index, 0, index).view, **seen) if seen else None
    return measure_photo(photo(fall, index, view)[0], load_lots())


def hb_of(found: Measurement) -> HbEstimate:
    assert found.refusal is None, found.refusal
    assert found.findings.measured is not None
    estimate = read_hb(found.findings.measured, calibration())
    assert isinstance(estimate, HbEstimate)
    return estimate


def reason_of(found: Measurement) -> Reason | None:
    return None if found.refusal is None else found.refusal.reason


@cache
def calibration() -> Calibration:
    return Calibration.load(shipped("default"))


@pytest.mark.parametrize("fall", FALLS)
@pytest.mark.parametrize("index", [1, 2])
def test_light_that_falls_off_is_read_as_even_light_is(fall: str, index: int) -> None:
    even, falling = (hb_of(measured(f, index)) for f in (None, FALLS[fall]))
    assert falling.hb_g_dl == pytest.approx(even.hb_g_dl, abs=0.4)
    low, high = falling.interval_g_dl
    assert low < draw_sitting(SEED + index, 0, index).scene.hb_g_dl < high


@pytest.mark.parametrize("fall", FALLS)
@pytest.mark.parametrize(("strength", "size_mm"), [(0.04, 6.0), (0.06, 12.0), (0.15, 4.0)])
def test_a_reflection_on_the_blot_is_told_in_light_that_falls_off(
    fall: str, strength: float, size_mm: float
) -> None:
    x, y = np.add(layout.CENTRE_MM, (1.5, -1.0)).tolist()
    spots = (Spot(x, y, size_mm, strength),)
    assert reason_of(measured(FALLS[fall], 1, spots=spots)) is Reason.GLARE_ON_BLOT


@pytest.mark.parametrize("fall", FALLS)
@pytest.mark.parametrize(("depth", "softness_mm"), [(0.25, 10.0), (0.3, 25.0), (0.3, 2.0)])
def test_a_shadow_over_the_bay_is_told_in_light_that_falls_off(
    fall: str, depth: float, softness_mm: float
) -> None:
    x, y = np.add(layout.CENTRE_MM, (6.0, 0.0)).tolist()
    edge = ShadowEdge(x, y, 20.0, softness_mm, depth)
    assert reason_of(measured(FALLS[fall], 1, shadows=(edge,))) is Reason.SHADOW_EDGE


def test_light_that_falls_off_further_is_refused_as_uneven() -> None:
    assert reason_of(measured(vignette(0.6), 1)) is Reason.SHADOW_EDGE


def test_two_photos_of_one_blot_are_read_in_light_that_falls_off() -> None:
    data = [photo(FALLS["lamp"], 1)[0], photo(FALLS["corners"], 1)[0]]
    each, together = measure_together(data, load_lots())
    assert all(m.refusal is None for m in each)
    assert together.refusal is None
