"""A drop of blood or a spot of dirt on one corner marker: read all the same, or refused."""

from __future__ import annotations

from functools import cache

import cv2
import numpy as np
import pytest
import rig

from cardreader import layout
from cardreader.agreedline import agreed_line
from cardreader.locate import CardPose, locate
from cardreader.photo import Photo
from cardreader.refusal import Reason, Refusal

BLOOD = (0.30, 0.05, 0.04)
OVER_THE_CARD = np.stack(np.meshgrid(np.linspace(3, 82, 9), np.linspace(3, 51, 7)), axis=-1)
MIDDLES = layout.marker_corners_mm().mean(axis=1)


@cache
def card(lot_number: int = 12345) -> np.ndarray:
    return rig.draw_card(lot_number)


def covered(*drops: tuple[float, float, float], colour=BLOOD) -> np.ndarray:
    """The card with round drops (x mm, y mm, diameter mm) on it."""
    out = card().copy()
    for x, y, across in drops:
        centre = np.round((np.array([x, y]) + rig.MARGIN_MM) * rig.PX_PER_MM).astype(int)
        radius = round(across / 2 * rig.PX_PER_MM)
        cv2.circle(out, tuple(int(v) for v in centre), radius, colour, -1, cv2.LINE_AA)
    return out


def located(drawn: np.ndarray, **shot) -> tuple[CardPose | Refusal, rig.Scene]:
    scene = rig.photograph(drawn, rig.Shot(**shot))
    rgb = scene.rgb
    return locate(Photo(encoded=rgb, full_size=rgb.shape[1::-1], scale=1.0, sha256="0" * 64)), scene


def error_mm(pose: CardPose, scene: rig.Scene) -> float:
    off = np.linalg.norm(pose.to_px(OVER_THE_CARD) - scene.to_px(OVER_THE_CARD), axis=-1)
    return float(off.max() / pose.px_per_mm)


PLACES = {"middle": (0.0, 0.0), "edge": (4.4, 0.6), "corner": (-4.2, -4.2), "border": (0.5, 3.6)}


@pytest.mark.parametrize("corner", range(4))
@pytest.mark.parametrize("place", PLACES)
@pytest.mark.parametrize("across_mm", [1.5, 3.0])
def test_a_drop_on_any_marker_does_no_harm(corner: int, place: str, across_mm: float) -> None:
    x, y = MIDDLES[corner] + PLACES[place]
    pose, scene = located(covered((x, y, across_mm)))
    assert isinstance(pose, CardPose), pose
    assert pose.lot_number == 12345
    # Samples keep 0.92 mm from the edge of a patch.
    assert error_mm(pose, scene) < 0.15


def test_drops_on_two_markers_are_too_many_to_vouch_for() -> None:
    first, second = MIDDLES[0], MIDDLES[2]
    pose, _ = located(covered((*first, 4.5), (*second, 4.5)))
    assert isinstance(pose, Refusal)
    assert pose.reason is Reason.CARD_PART_HIDDEN


@pytest.mark.parametrize("corner", range(4))
@pytest.mark.parametrize("colour", [BLOOD, (0.5, 0.36, 0.28), (0.9, 0.9, 0.9)])
def test_a_finger_or_a_slip_over_a_marker_still_hides_it(corner: int, colour) -> None:
    pose, _ = located(covered((*MIDDLES[corner], 12.0), colour=colour))
    assert isinstance(pose, Refusal)
    assert pose.reason is Reason.CARD_PART_HIDDEN


@pytest.mark.parametrize("corner", range(4))
def test_a_soiled_marker_of_another_lot_is_not_taken_for_the_missing_one(corner: int) -> None:
    """Cut from a card of another lot and put over this one's, a drop on top."""
    mixed, other = covered((*MIDDLES[corner], 3.0)), card(54321)
    low = np.round((MIDDLES[corner] - 5 + rig.MARGIN_MM) * rig.PX_PER_MM).astype(int)
    high = low + round(10 * rig.PX_PER_MM)
    low = np.maximum(low, 0)
    patch = (slice(low[1], high[1]), slice(low[0], high[0]))
    drop = np.abs(mixed[patch] - np.array(BLOOD, np.float32)).max(axis=-1, keepdims=True) < 0.05
    mixed[patch] = np.where(drop, mixed[patch], other[patch])
    pose, _ = located(mixed)
    assert isinstance(pose, Refusal)
    assert pose.reason is Reason.CARD_PART_HIDDEN


def test_a_card_cut_off_by_the_frame_is_still_refused() -> None:
    pose, _ = located(card(), shift=(0.25, 0.12))
    assert isinstance(pose, Refusal)
    assert pose.reason is Reason.CARD_PART_HIDDEN


@pytest.mark.parametrize("corner", range(4))
def test_the_fourth_identity_is_the_one_of_the_lot(corner: int) -> None:
    for number in (0, 12345, 261101, 146**3 - 1):
        ids = layout.marker_ids(number)
        three = [identity for k, identity in enumerate(ids) if k != corner]
        assert layout.fourth_id(three) == ids[corner]


def test_most_points_are_believed() -> None:
    rng = np.random.default_rng(1)
    x = np.linspace(0, 1, 24)
    y = 0.3 - 0.2 * x + rng.normal(0, 0.005, 24)
    y[12:22] += np.linspace(0.1, 0.4, 10)
    a, b, share = agreed_line(x, y, np.ones(24, bool), 0.03)
    assert (a, b) == pytest.approx((0.3, -0.2), abs=0.02)
    assert 0.5 < share < 0.7
    with pytest.raises(ValueError, match="shapes"):
        agreed_line(x, y[:3], np.ones(24, bool), 0.03)
