"""The two prints of a shade: alike in even light, unlike where something lies on one of them.

Colours here are invented and plain; none comes from the package's renderer.
"""

import numpy as np
import pytest

from cardreader.card import layout
from cardreader.read.twins import compare_twins

AT_MM = np.array([(c.x_mm, c.y_mm) for c in layout.cells()])


def card(seed: int = 1) -> np.ndarray:
    """Linear RGB (72, 3), the two of a pair alike but for 1 % of print error."""
    rng = np.random.default_rng(seed)
    shades = np.exp(rng.uniform(np.log(0.03), np.log(0.8), (36, 3)))
    return np.repeat(shades, 2, axis=0) * rng.normal(1, 0.01, (72, 3))


def gradient(strength: float) -> np.ndarray:
    return np.exp(strength * (AT_MM[:, 0] - layout.WIDTH_MM / 2) / layout.WIDTH_MM)[:, None]


@pytest.mark.parametrize("strength", [0.0, 0.3, 0.6])
def test_smooth_light_leaves_print_error_alone(strength: float) -> None:
    assert np.abs(compare_twins(card() * gradient(strength)).log_ratio).max() < 0.08


@pytest.mark.parametrize("strength", [-0.4, 0.2, 0.6])
def test_the_gradient_is_found_though_a_third_of_the_prints_are_off(strength: float) -> None:
    linear = card(3) * gradient(strength)
    linear[0:24:2] *= 0.6
    apart = (AT_MM[0::2, 0] - AT_MM[1::2, 0]) / layout.WIDTH_MM
    found = compare_twins(linear).gradient
    assert found == pytest.approx(np.repeat(strength * apart[:, None], 3, axis=1), abs=0.05)


def test_difference_and_gradient_make_up_the_ratio() -> None:
    linear = card(2) * gradient(0.3)
    twins = compare_twins(linear)
    ratio = np.log((linear[0::2] + 0.005) / (linear[1::2] + 0.005))
    assert twins.log_ratio + twins.gradient == pytest.approx(ratio)


@pytest.mark.parametrize("seed", range(5))
def test_one_spoiled_print_stands_out(seed: int) -> None:
    linear = card(seed) * gradient(0.3)
    linear[30] *= 0.5
    size = np.abs(compare_twins(linear).log_ratio).max(axis=1)
    assert int(size.argmax()) == 15
    assert size[15] == pytest.approx(np.log(2), abs=0.12)
