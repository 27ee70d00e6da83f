"""Colour that a phone changed after its tone curve, taken back, on patches of known truth."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date

import colour
import numpy as np
import pytest

from cardreader.card import layout
from cardreader.card.layout import Kind
from cardreader.colour.icc import SRGB_CURVE
from cardreader.core.refusal import Refusal
from cardreader.read.correct import ColourCorrection, correct
from cardreader.read.sample import PatchSamples
from cardreader.read.vividness import (
    PLAIN,
    Vividness,
    encoded_srgb,
    undone_and_slopes,
)
from cardreader.simulate.rendering import (
    BT601_LUMA,
    saturate_about_luma,
    saturate_in_hsv,
    saturate_in_oklab,
)
from cardreader.simulate.scene import simulated_lot

LOT = simulated_lot(7, date.max, 7, noise_lab=0.0)
D50 = colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D50"]
IDEAL = np.asarray(colour.XYZ_to_RGB(LOT.xyz, "sRGB", D50, "Bradford"))
RENDERINGS = {
    "BT.709 luma": saturate_about_luma,
    "BT.601 luma": lambda e, gain: saturate_about_luma(e, gain, BT601_LUMA),
    "HSV": saturate_in_hsv,
    "Oklab": saturate_in_oklab,
}


def seen_by_phone(how: str, gain: float) -> np.ndarray:
    """Nominal linear RGB of the patches in a file from a colorimetric phone of some vividness."""
    encoded = colour.models.eotf_inverse_sRGB(np.clip(0.6 * IDEAL, 0, 1))
    return np.asarray(colour.models.eotf_sRGB(RENDERINGS[how](encoded, gain)))


def corrected(linear: np.ndarray) -> ColourCorrection:
    out = correct(PatchSamples(linear, np.zeros(layout.N_PATCHES)), LOT)
    assert not isinstance(out, Refusal), out
    return out


def test_a_plain_phone_is_left_as_it_is() -> None:
    linear = np.random.default_rng(0).uniform(0.003, 1.2, (50, 3))
    assert np.allclose(PLAIN.undone(linear), linear, rtol=2e-3)
    assert abs(corrected(0.6 * IDEAL).vividness.saturation) < 0.02


def test_greys_stay_grey() -> None:
    grey = np.repeat(np.linspace(0.02, 1.0, 9)[:, None], 3, axis=1)
    for share in (-0.3, 0.2, 0.4):
        for shares in ((share, 0, 0), (0, share, 0), (0, 0, share)):
            assert np.allclose(Vividness(*shares).undone(grey), grey, rtol=2e-3)


@pytest.mark.parametrize("shares", [(-0.2, 0.0, 0.1), (0.0, 0.0, 0.0), (0.1, 0.3, -0.1)])
@pytest.mark.parametrize("low", [0.01, 0.3])
def test_the_derivatives_are_those_of_the_function(shares: tuple[float, ...], low: float) -> None:
    encoded, step = np.random.default_rng(2).uniform(low, 0.7, (40, 3)), 1e-6
    value, found = undone_and_slopes(encoded, Vividness(*shares))
    assert np.allclose(value, Vividness(*shares).undone(SRGB_CURVE(encoded)), rtol=1e-6)
    for k, derivative in enumerate(found):
        up, down = (
            np.log(undone_and_slopes(encoded, Vividness(*(shares + d * np.eye(3)[k])))[0])
            for d in (step, -step)
        )
        assert np.quantile(np.abs(derivative - (up - down) / (2 * step)), 0.97) < 1e-3


@pytest.mark.parametrize("gain", [0.85, 1.15, 1.3, 1.45])
def test_saturation_about_its_own_luma_is_undone_exactly(gain: float) -> None:
    seen = seen_by_phone("BT.709 luma", gain)
    inside = (encoded_srgb(seen) > 0.01).all(axis=1)
    assert inside.sum() > 60
    plain = Vividness(1 - 1 / gain).undone(seen)
    assert np.allclose(plain[inside], 0.6 * IDEAL[inside], rtol=5e-3, atol=1e-4)


@pytest.mark.parametrize("gain", [0.85, 1.15, 1.3, 1.45])
@pytest.mark.parametrize(
    ("how", "shares"),
    [
        ("HSV", lambda g: {"towards_brightest": 1 - 1 / g}),
        ("Oklab", lambda g: {"paler": np.log(g)}),
    ],
)
def test_each_formula_is_undone_by_its_own_share(
    how: str, shares: Callable[[float], dict[str, float]], gain: float
) -> None:
    seen = seen_by_phone(how, gain)
    inside = (encoded_srgb(seen) > 0.03).all(axis=1) & (encoded_srgb(0.6 * IDEAL) > 0.03).all(
        axis=1
    )
    assert inside.sum() > 50
    plain = Vividness(**shares(gain)).undone(seen)
    assert np.allclose(plain[inside], 0.6 * IDEAL[inside], rtol=5e-3, atol=2e-4)


@pytest.mark.parametrize("how", sorted(RENDERINGS))
@pytest.mark.parametrize("gain", [0.85, 1.15, 1.3])
def test_the_card_comes_out_whatever_the_formula(how: str, gain: float) -> None:
    out = corrected(seen_by_phone(how, gain))
    # HSV turns at the hues where another channel becomes the brightest.
    assert out.residual_de00[~out.samples.crushed].mean() < (1.6 if how == "HSV" else 0.75)
    assert out.residual_de00[layout.of_kind(Kind.RAMP)].mean() < 0.6


@pytest.mark.parametrize("gain", [0.85, 1.15, 1.3, 1.45])
def test_says_how_vivid_the_phone_is(gain: float) -> None:
    found = corrected(seen_by_phone("BT.709 luma", gain)).vividness.saturation
    # How much is told more surely than by which of the three ways.
    assert found == pytest.approx(gain - 1, abs=0.1)


@pytest.mark.parametrize("how", ["BT.601 luma", "BT.709 luma"])
def test_without_it_the_card_does_not_come_out(how: str) -> None:
    out = corrected(seen_by_phone(how, 1.3))
    undone = ColourCorrection(out.light, out.matrix, out.samples, out.lot)
    assert undone.residual_de00.mean() > 3 * out.residual_de00.mean()


@pytest.mark.parametrize("how", sorted(RENDERINGS))
@pytest.mark.parametrize("gain", [0.85, 1.3])
def test_blood_keeps_its_colour(how: str, gain: float) -> None:
    """A colour between two shades of the ramp, which no print has."""
    ramp = np.flatnonzero(layout.of_kind(Kind.RAMP))
    between = 0.6 * (IDEAL[ramp[10]] + IDEAL[ramp[12]]) / 2 * [1.0, 0.97, 1.03]
    seen = RENDERINGS[how](colour.models.eotf_inverse_sRGB(between[None]), gain)
    at = np.array([layout.CENTRE_MM])
    plain = corrected(0.6 * IDEAL).best_xyz(between[None], at)
    vivid = corrected(seen_by_phone(how, gain)).best_xyz(colour.models.eotf_sRGB(seen), at)
    # One g/dL moves ln Y by about 0.04 here.
    assert np.abs(np.log(vivid / plain)).max() < 0.02
