"""The two prints of a shade: alike in even light, unlike under a reflection or a shadow's edge.

Colours here are invented and plain; none comes from the package's renderer.
"""

import numpy as np
import pytest

from cardreader import layout
from cardreader.twins import compare_twins

AT_MM = np.array([(c.x_mm, c.y_mm) for c in layout.cells()])


def _card(seed: int = 1) -> np.ndarray:
    """Linear RGB (72, 3), the two of a pair alike but for 1 % of print error."""
    rng = np.random.default_rng(seed)
    shades = np.exp(rng.uniform(np.log(0.03), np.log(0.8), (36, 3)))
    return np.repeat(shades, 2, axis=0) * rng.normal(1, 0.01, (72, 3))


def _gradient(strength: float) -> np.ndarray:
    return np.exp(strength * (AT_MM[:, 0] - layout.WIDTH_MM / 2) / layout.WIDTH_MM)[:, None]


@pytest.mark.parametrize("strength", [0.0, 0.3, 0.6])
def test_smooth_light_is_neither_glare_nor_shadow(strength: float) -> None:
    twins = compare_twins(_card() * _gradient(strength))
    assert (twins.glare_pairs, twins.shadow_pairs) == (0, 0)
    assert np.abs(twins.log_ratio).max() < 0.08


@pytest.mark.parametrize("seed", range(5))
def test_reflection_on_one_side_is_glare(seed: int) -> None:
    far2 = ((AT_MM - (20.0, 27.0)) ** 2).sum(axis=1)
    twins = compare_twins(_card(seed) * _gradient(0.2) + 0.1 * np.exp(-far2 / 50)[:, None])
    assert twins.glare_pairs >= 2
    assert twins.shadow_pairs == 0


@pytest.mark.parametrize("seed", range(5))
def test_shadow_on_one_side_is_a_shadow_edge(seed: int) -> None:
    light = np.where(AT_MM[:, :1] > 58.0, 0.55, 1.0)
    assert compare_twins(_card(seed) * light).shadow_pairs >= 3


def test_one_spoilt_patch_is_found_when_the_light_is_strong() -> None:
    linear = _card()
    linear[30] = linear[31] + 0.2
    assert compare_twins(linear).glare_pairs == 1


def test_added_light_is_measured() -> None:
    linear = np.full((72, 3), 0.2)
    linear[10] += 0.05
    assert compare_twins(linear).added[5] == pytest.approx(0.05, abs=0.002)
