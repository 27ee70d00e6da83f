"""A reflection too faint to refuse for: told by how the blot's colour drifts towards white.

Slopes are held against ordinary and generalised least squares by statsmodels; colours come
from spectra of blood in paper (Kubelka and Munk), to which light is added.
"""

from __future__ import annotations

import numpy as np
import pytest
from statsmodels.regression.linear_model import GLS, OLS
from statsmodels.tools import add_constant

from cardreader.card import layout
from cardreader.read import sheen
from cardreader.read.sheen import (
    MIN_TILES,
    REACH_MM,
    AddedLight,
    Drift,
    added_light,
    drift_of,
    towards_blood,
    towards_white,
)
from cardreader.simulate import demolots
from cardreader.simulate.blood import blot_reflectance, paper_reflectance
from cardreader.simulate.colorimetry import xyz

LOT = demolots.IN_DATE.lot()
PAPER = xyz(paper_reflectance())
SIDE = np.arange(-3.2, 3.3, 0.8)
PLACES_MM = np.stack(np.meshgrid(SIDE, SIDE), axis=-1).reshape(-1, 2)
GRAIN = 0.003
"""Ln light: scatter of a place of 0.8 mm, each channel."""


def places(hb_g_dl: float, blood_per_mm: float = 0.0, light_per_mm: float = 0.0) -> np.ndarray:
    """ln(XYZ / XYZ of paper), (k, 3), of places of a blot that drifts to one side."""
    rng = np.random.default_rng(9101)
    across = PLACES_MM @ [0.8, 0.6]
    uneven = 0.02 * np.cos(PLACES_MM @ [1.9, 0.4]) + 0.02 * np.cos(PLACES_MM @ [-0.3, 2.3])
    volume = 1 + blood_per_mm * across + uneven
    seen = xyz(blot_reflectance(hb_g_dl, volume=volume)) / PAPER
    seen = seen + (light_per_mm * (across + REACH_MM))[:, None]
    return np.asarray(np.log(seen) + GRAIN * rng.standard_normal(seen.shape))


def seen_in(depths: np.ndarray) -> AddedLight:
    drift = drift_of(depths, PLACES_MM)
    assert drift is not None
    return added_light(drift, depths.mean(axis=0), LOT)


# --- against least squares by others -------------------------------------------------------------


def test_a_drift_is_the_plane_of_ordinary_least_squares():
    depths = places(9.0, blood_per_mm=0.01, light_per_mm=0.001)
    drift = drift_of(depths, PLACES_MM)
    assert drift is not None
    x, y = (PLACES_MM - PLACES_MM.mean(axis=0)).T
    plane = add_constant(np.stack([x, y], axis=1))
    bent = add_constant(np.stack([x, y, x * x, x * y, y * y], axis=1))
    for channel in range(3):
        by_others = OLS(depths[:, channel], plane).fit()
        np.testing.assert_allclose(drift.per_mm[:, channel], by_others.params[1:], rtol=1e-9)
        scatter = OLS(depths[:, channel], bent).fit().mse_resid
        assert drift.scatter[channel, channel] == pytest.approx(scatter, rel=1e-9)


@pytest.mark.parametrize("hb_g_dl", [5.0, 9.0, 14.0])
def test_added_light_is_generalised_least_squares(hb_g_dl, monkeypatch):
    monkeypatch.setattr(sheen, "BLOOD_MISTAKEN", 0.0)
    depths = places(hb_g_dl, blood_per_mm=0.01, light_per_mm=0.001)
    middle, drift = depths.mean(axis=0), drift_of(depths, PLACES_MM)
    assert drift is not None
    directions = np.stack([towards_white(middle), towards_blood(middle, LOT)], axis=1)
    noise = drift.scatter + 0.002**2 * np.eye(3) + 0.01**2 * np.ones((3, 3))
    fits = [GLS(along, directions, sigma=noise).fit() for along in drift.per_mm]
    found = added_light(drift, middle, LOT)
    assert found.per_mm == pytest.approx(np.hypot(*(fit.params[0] for fit in fits)), rel=1e-6)
    sd = np.sqrt(fits[0].normalized_cov_params[0, 0] / drift.moment_mm2)
    assert found.sd_per_mm == pytest.approx(sd, rel=1e-6)


def test_the_line_of_blood_is_that_of_the_shades():
    ramp = np.log(LOT.xyz[layout.of_kind(layout.Kind.RAMP)])
    deep = ramp[:, 1]
    for low, high in ((4, 9), (10, 16), (16, 22)):
        secant = (ramp[high] - ramp[low]) / (deep[high] - deep[low])
        at = (ramp[high] + ramp[low]) / 2 - np.log(PAPER)
        np.testing.assert_allclose(towards_blood(at, LOT), secant, atol=0.2)
    deepest, beyond = (
        towards_blood(np.array([0.0, y, 0.0]) + deep.min() - np.log(PAPER[1]), LOT) for y in (0, -1)
    )
    np.testing.assert_allclose(beyond, deepest)


# --- what is seen and what is not ----------------------------------------------------------------


@pytest.mark.parametrize("hb_g_dl", [6.0, 9.0, 12.0, 15.0])
@pytest.mark.parametrize("blood_per_mm", [0.0, 0.005])
def test_added_light_is_found_for_what_it_is(hb_g_dl, blood_per_mm):
    found = seen_in(places(hb_g_dl, blood_per_mm, light_per_mm=0.0015))
    assert found.seen
    assert found.per_mm == pytest.approx(0.0015, rel=0.5)
    there = 0.0015 * REACH_MM
    assert 0.4 * there < found.doubt < 1.5 * there


@pytest.mark.parametrize("hb_g_dl", [4.0, 6.0, 9.0, 12.0, 15.0])
@pytest.mark.parametrize("blood_per_mm", [0.0, 0.01, 0.03, 0.05])
def test_blood_that_pooled_to_one_side_is_no_added_light(hb_g_dl, blood_per_mm):
    found = seen_in(places(hb_g_dl, blood_per_mm))
    assert not found.seen
    assert found.doubt == 0.0


def test_light_of_another_strength_is_no_added_light():
    depths = places(9.0) + 0.003 * (PLACES_MM @ [0.8, 0.6])[:, None]
    assert not seen_in(depths).seen


def test_what_no_faint_reflection_does_is_believed_less():
    sure, unsure = AddedLight(0.01, 0.0002), AddedLight(0.01, 0.003)
    assert sure.doubt == pytest.approx(REACH_MM * 0.01, rel=0.02)
    assert 0 < unsure.doubt < 0.25 * sure.doubt
    assert AddedLight(0.01, 0.005).doubt == 0.0


def test_few_places_say_nothing_and_places_in_a_row_are_no_error():
    depths = places(9.0)
    assert drift_of(depths[: MIN_TILES - 1], PLACES_MM[: MIN_TILES - 1]) is None
    row = np.stack([np.arange(20) * 0.8, np.full(20, 3.0)], axis=1)
    drift = drift_of(depths[:20], row)
    assert isinstance(drift, Drift)
    assert np.isfinite(added_light(drift, depths.mean(axis=0), LOT).sd_per_mm)
