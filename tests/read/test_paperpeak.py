"""Light that peaks on the paper: a reflection, unless the card's own light does the same."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from cardreader.core.refusal import Reason, Refusal
from cardreader.core.robust import RobustFit
from cardreader.read.cardlight import MAX_FALL_OFF_UNEVEN, CardLight, peak_of
from cardreader.read.paperpeak import MAX_OWN_BUMP, MAX_PAPER_BUMP, peak

EVEN = np.zeros(5)
ROUND = np.array([0.0, 0.0, -1.0, 0.0, -1.0])
"""Peaks by 1 in the middle of the bay."""
RIDGE = np.array([0.0, 0.0, -2.0, 0.0, 0.0])
TURNED = np.array([0.03, 0.02, -1.0, 0.3, -1.0])
GRAIN = np.random.default_rng(3).normal(0, 0.002, (200, 3))


def fit_of(light: np.ndarray) -> RobustFit:
    """A fit of paper lit by ``light`` (5,), alike in three channels."""
    level_and_light = np.concatenate([[-0.3], light])
    return RobustFit(np.repeat(level_and_light[:, None], 3, axis=1), GRAIN, np.ones(len(GRAIN)))


def card_of(
    light: np.ndarray, uneven: float = 0.01, at_most: float | None = None
) -> Callable[[], CardLight]:
    rest = np.linspace(-0.625, 0.625, 101) * uneven
    found = CardLight(light, peak_of(light) if at_most is None else at_most, rest)
    assert found.unevenness == pytest.approx(uneven)
    return lambda: found


def reason_of(paper: np.ndarray, card: Callable[[], CardLight]) -> Reason | None:
    refusal = peak(fit_of(paper), card)
    return None if refusal is None else refusal.reason


def test_the_card_is_not_asked_where_the_paper_is_lit_evenly() -> None:
    def asked() -> CardLight:
        raise AssertionError("asked")

    assert peak(fit_of(0.99 * MAX_PAPER_BUMP * ROUND), asked) is None


@pytest.mark.parametrize("falls", [ROUND, RIDGE, TURNED])
def test_paper_that_bends_as_the_card_does_is_in_light_that_falls_off(falls: np.ndarray) -> None:
    light = 0.02 * falls
    assert reason_of(light, card_of(light)) is None
    assert reason_of(light, card_of(EVEN)) is not None


def test_a_reflection_is_one_however_the_light_falls_off() -> None:
    falls, reflection = 0.015 * ROUND, 1.2 * MAX_OWN_BUMP * ROUND
    assert reason_of(falls + reflection, card_of(falls)) is Reason.GLARE_ON_BLOT
    assert reason_of(falls + reflection / 2, card_of(falls)) is None


def test_a_reflection_in_light_from_one_side_peaks_where_it_lies() -> None:
    """The lamp's own light is brightest far outside the bay, and so is the sum of the two."""
    side, reflection = np.array([0.2, 0.0, -0.008, 0.0, -0.008]), 0.01 * ROUND
    assert reason_of(side + reflection, card_of(side)) is Reason.GLARE_ON_BLOT
    assert reason_of(side + reflection, card_of(side, uneven=0.05)) is Reason.SHADOW_EDGE


def test_a_shadow_across_the_paper_is_one_however_the_light_falls_off() -> None:
    falls = 0.012 * ROUND
    assert reason_of(falls + 0.006 * RIDGE, card_of(falls)) is Reason.SHADOW_EDGE


def test_on_a_card_with_an_edge_in_its_light_nothing_is_taken_off() -> None:
    light = 0.02 * ROUND
    told = peak(fit_of(light), card_of(light, uneven=1.1 * MAX_FALL_OFF_UNEVEN))
    assert isinstance(told, Refusal)
    assert told.detail.endswith("0.020 > 0.012")


def test_what_one_shape_of_fall_off_explains_is_no_reflection_and_not_read() -> None:
    light, falls = 0.02 * ROUND, 0.016 * ROUND
    assert reason_of(light, card_of(falls)) is Reason.GLARE_ON_BLOT
    assert reason_of(light, card_of(falls, at_most=0.019)) is Reason.SHADOW_EDGE
