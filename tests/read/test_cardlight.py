"""The card's own light, by white spots alone: what falls off, and what doesn't."""

from __future__ import annotations

import numpy as np
import pytest

from cardreader.card import layout
from cardreader.read.bay import SIDE_MM
from cardreader.read.cardlight import MAX_FALL_OFF_PEAK, CardLight, peak_of, smooth_light
from cardreader.read.paperpeak import MAX_OWN_BUMP
from cardreader.read.whitespots import spots_mm

MIDDLE = np.array(layout.CENTRE_MM)
CORNER_MM = float(np.hypot(*MIDDLE))


def vignette(at: np.ndarray, lost: float) -> np.ndarray:
    """Light that loses ``lost`` at the corners, with the square of the distance."""
    return 1 - lost * ((at - MIDDLE) ** 2).sum(axis=-1) / CORNER_MM**2


def lamp(at: np.ndarray, height_mm: float) -> np.ndarray:
    """Light of a small lamp above a place beside the middle."""
    off = at - MIDDLE - (12.0, -6.0)
    return (1 + (off**2).sum(axis=-1) / height_mm**2) ** -1.5


def reflection(at: np.ndarray, share: float, size_mm: float) -> np.ndarray:
    return 1 + share * np.exp(-0.5 * ((at - MIDDLE) ** 2).sum(axis=-1) / size_mm**2)


def seen(light: np.ndarray) -> CardLight:
    """Of light (n,) on the spots, much the same in all channels."""
    tint = np.array([0.02, 0.0, -0.03])
    return smooth_light(np.log(light)[:, None] + tint)


def on_paper(light_at) -> float:
    """How light peaks over the blank paper: what a fit to it comes to."""
    t = np.linspace(-1, 1, 29)
    x, y = (grid.ravel() for grid in np.meshgrid(t, t))
    rim = np.hypot(x, y) > 0.4
    terms = np.column_stack([x, y, x * x, x * y, y * y, np.ones_like(x)])[rim]
    at = MIDDLE + np.column_stack([x, y])[rim] * SIDE_MM / 2
    return peak_of(np.linalg.lstsq(terms, np.log(light_at(at)), rcond=None)[0][:5])


@pytest.mark.parametrize(
    "falls",
    [
        lambda at: vignette(at, 0.15),
        lambda at: vignette(at, 0.30),
        lambda at: lamp(at, 120.0),
        lambda at: lamp(at, 150.0),
    ],
)
def test_light_that_falls_off_peaks_on_the_paper_as_the_white_says(falls) -> None:
    found = seen(falls(spots_mm()))
    assert found.is_fall_off
    beyond = on_paper(falls) - peak_of(found.over_bay)
    assert 0 <= beyond < MAX_OWN_BUMP


def test_even_light_does_not_bend() -> None:
    found = seen(np.ones(len(spots_mm())))
    assert found.is_fall_off
    assert found.peak == pytest.approx(0, abs=1e-9)
    assert found.unevenness == pytest.approx(0, abs=1e-9)


@pytest.mark.parametrize("lost", [0.0, 0.15, 0.30])
def test_a_reflection_wider_than_the_bay_is_not_taken_for_fall_off(lost: float) -> None:
    """It reaches the white, too, and by one shape alone would pass for it."""

    def light(at: np.ndarray) -> np.ndarray:
        return vignette(at, lost) * reflection(at, 0.015, 14.0)

    assert on_paper(light) - peak_of(seen(light(spots_mm())).over_bay) > MAX_OWN_BUMP


def test_the_edge_of_a_shadow_is_no_fall_off() -> None:
    at = spots_mm()
    shadow = 1 - 0.2 / (1 + np.exp(-(at[:, 0] - MIDDLE[0] - 10) / 0.5))
    assert not seen(shadow * vignette(at, 0.2)).is_fall_off


def test_light_that_falls_off_further_than_was_tried_is_none_either() -> None:
    found = seen(lamp(spots_mm(), 45.0))
    assert found.peak > MAX_FALL_OFF_PEAK
    assert not found.is_fall_off


def test_a_few_spots_that_something_lies_on_do_not_bend_it() -> None:
    light = vignette(spots_mm(), 0.2)
    clean = seen(light)
    light[::17] *= 0.5
    assert seen(light).over_bay == pytest.approx(clean.over_bay, abs=MAX_OWN_BUMP)
