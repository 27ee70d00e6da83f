"""Dirt, drops, reflections and shadows on a card whose every colour is known."""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest

from cardreader.card import layout
from cardreader.colour.cielab import XYZ_TO_SRGB
from cardreader.core.refusal import Reason, Refusal
from cardreader.read.correct import ColourCorrection, correct
from cardreader.read.sample import PatchSamples
from cardreader.simulate.scene import simulated_lot

LOT = simulated_lot(7, date.max, 7, noise_lab=0.0)
AT = np.array([(c.x_mm, c.y_mm) for c in layout.cells()])
NAMES = [c.name for c in layout.cells()]
DIRT = np.array([0.62, 0.55, 0.48])


def card(seed: int = 0, ink_error: float = 0.01) -> np.ndarray:
    """Linear RGB (72, 3) of a fresh card seen by a colorimetric camera, lit from one side."""
    rng = np.random.default_rng(seed)
    light = 0.6 * np.exp(0.15 * (AT[:, :1] - layout.WIDTH_MM / 2) / layout.WIDTH_MM)
    rgb = np.maximum(LOT.xyz @ XYZ_TO_SRGB.T, 0.01)
    return rgb ** (1 + ink_error * rng.normal(0, 1, (72, 1))) * light


def outcome(linear: np.ndarray) -> ColourCorrection | Refusal:
    return correct(PatchSamples(linear, np.zeros(72)), LOT)


def corrected(linear: np.ndarray) -> ColourCorrection:
    out = outcome(linear)
    assert isinstance(out, ColourCorrection), out
    return out


def spoiled(linear: np.ndarray) -> set[str]:
    return {NAMES[i] for i in np.flatnonzero(corrected(linear).samples.spoiled)}


def spot(at_mm: tuple[float, float], size_mm: float) -> np.ndarray:
    far2 = ((AT - at_mm) ** 2).sum(axis=1, keepdims=True)
    return np.exp(-far2 / (2 * size_mm**2))


@pytest.mark.parametrize("seed", range(4))
def test_a_clean_card_has_no_spoiled_prints(seed: int) -> None:
    assert spoiled(card(seed)) == set()


@pytest.mark.parametrize("seed", range(4))
def test_dirty_prints_are_named_and_their_twins_stand_in(seed: int) -> None:
    clean, names = card(seed), ["N21a", "R05b", "R11a", "C02a", "C09b"]
    dirty = clean.copy()
    dirty[[NAMES.index(n) for n in names]] *= DIRT
    assert spoiled(dirty) == set(names)
    blood, middle = np.array([[0.35, 0.09, 0.06]]), np.array([layout.CENTRE_MM])
    assert corrected(dirty).best_xyz(blood, middle) == pytest.approx(
        corrected(clean).best_xyz(blood, middle), rel=0.02
    )


def test_what_stands_in_is_seen_in_the_light_of_its_own_place() -> None:
    clean = card(ink_error=0.0)
    dirty = clean.copy()
    dirty[NAMES.index("R05b")] *= DIRT
    stood_in = corrected(dirty).samples.linear
    assert stood_in == pytest.approx(clean, rel=0.01)


@pytest.mark.parametrize("name", ["N31b", "R03a", "C04b"])
def test_a_reflection_on_one_print_is_found(name: str) -> None:
    index = NAMES.index(name)
    linear = card()
    linear[index] += 0.15
    assert spoiled(linear) == {name}


def test_blood_on_a_print_is_found() -> None:
    linear = card()
    linear[NAMES.index("N12a")] = [0.35, 0.09, 0.06]
    assert spoiled(linear) == {"N12a"}


def test_a_slightly_uneven_veil_spoils_nothing() -> None:
    assert spoiled(card() + 0.006 * spot((0.0, 27.0), 45.0)) == set()


def test_a_wide_reflection_is_glare() -> None:
    out = outcome(card() + 0.2 * spot((15.0, 27.0), 12.0))
    assert isinstance(out, Refusal)
    assert out.reason is Reason.GLARE_ON_PATCHES


@pytest.mark.parametrize("angle_deg", [0, 70, 160])
@pytest.mark.parametrize("depth", [0.3, 0.6])
def test_a_shadow_over_one_side_is_a_shadow_edge(depth: float, angle_deg: float) -> None:
    way = np.array([np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))])
    inside = ((AT - layout.CENTRE_MM) @ way > 3.0)[:, None]
    out = outcome(card() * np.where(inside, 1 - depth, 1.0))
    assert isinstance(out, Refusal)
    assert out.reason is Reason.SHADOW_EDGE


@pytest.mark.parametrize("from_centre_mm", [3.0, 8.0])
def test_light_of_another_colour_over_one_side_is_no_dirt(from_centre_mm: float) -> None:
    """As bright on the whole: some channels have more there, others less."""
    inside = AT[:, :1] - layout.CENTRE_MM[0] > from_centre_mm
    out = outcome(card() * np.where(inside, [1.25, 1.0, 0.62], 1.0))
    assert isinstance(out, Refusal)
    assert out.reason is Reason.SHADOW_EDGE


@pytest.mark.parametrize("seed", range(3))
def test_dirt_all_over_is_told_so_with_what_to_do(seed: int) -> None:
    linear = card(seed)
    linear[np.random.default_rng(seed).permutation(72)[:30]] *= DIRT
    out = outcome(linear)
    assert isinstance(out, Refusal)
    assert out.reason is Reason.CARD_SOILED
    assert "wipe" in out.advice


@pytest.mark.parametrize("share", [0.5, 1.6])
@pytest.mark.parametrize("n", [5, 8, 10])
def test_too_few_clean_greys_refuse(n: int, share: float) -> None:
    linear = card(ink_error=0.0)
    linear[: 2 * n : 2] *= share
    out = outcome(linear)
    assert isinstance(out, Refusal)
    assert "grey" in out.detail


@pytest.mark.parametrize("name", ["R05", "R12", "N31"])
def test_nothing_stands_in_where_both_prints_of_a_shade_are_dirty(name: str) -> None:
    linear = card()
    linear[NAMES.index(f"{name}a")] *= DIRT
    linear[NAMES.index(f"{name}b")] *= DIRT**0.6
    out = outcome(linear)
    assert isinstance(out, Refusal)
    assert (out.reason, out.detail) == (Reason.CARD_SOILED, f"both prints of {name} are spoiled")
