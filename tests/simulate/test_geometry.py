"""The camera over the card against OpenCV's own projection."""

import cv2
import numpy as np
import pytest

from cardreader.card import layout
from cardreader.simulate.geometry import FILM_DIAGONAL_MM, card_corners_mm
from cardreader.simulate.view import View, draw_view, fitted

SIZE = (1600, 1200)


def _area_share(view):
    at = view.projection.to_px(card_corners_mm()).astype(np.float32)
    return cv2.contourArea(at) / (view.size[0] * view.size[1])


@pytest.mark.parametrize("share", [0.08, 0.35, 0.7])
def test_card_covers_the_share_asked_for(share):
    view = View(size=SIZE, card_share=share, tilt_deg=12, tilt_towards_deg=70)
    assert _area_share(view) == pytest.approx(share, rel=1e-3)


def test_there_and_back():
    view = draw_view(np.random.default_rng(2))
    there = view.projection.to_px(card_corners_mm())
    np.testing.assert_allclose(view.projection.to_mm(there), card_corners_mm(), atol=1e-4)


def test_projection_is_that_of_opencv():
    # Recover the pose with cv2.solvePnP from the corners alone, then project other
    # points with cv2.projectPoints, whose lens term is in units of the focal length.
    view = View(
        size=SIZE, rotation_deg=25, tilt_deg=30, tilt_towards_deg=120, offset=(0.05, -0.03),
        lens_k1=-0.04,
    )  # fmt: skip
    radius = np.hypot(*SIZE) / 2
    focal = view.focal_length_mm / FILM_DIAGONAL_MM * 2 * radius
    camera = np.array([[focal, 0, (SIZE[0] - 1) / 2], [0, focal, (SIZE[1] - 1) / 2], [0, 0, 1]])
    lens = np.array([view.lens_k1 * (focal / radius) ** 2, 0, 0, 0])
    known = np.column_stack([card_corners_mm(), np.zeros(4)])
    seen = view.projection.to_px(card_corners_mm())
    _, turn, shift = cv2.solvePnP(known, seen, camera, lens, flags=cv2.SOLVEPNP_ITERATIVE)
    others = np.array([(cell.x_mm, cell.y_mm, 0.0) for cell in layout.cells()])
    expected = cv2.projectPoints(others, turn, shift, camera, lens)[0][:, 0]
    np.testing.assert_allclose(view.projection.to_px(others[:, :2]), expected, atol=0.05)


def test_the_side_tilted_away_is_smaller():
    view = View(size=SIZE, tilt_deg=30, tilt_towards_deg=0)
    y = layout.HEIGHT_MM / 2
    near, far = view.projection.px_per_mm([(2, y), (layout.WIDTH_MM - 2, y)])
    assert far < 0.85 * near


@pytest.mark.parametrize("seed", range(20))
def test_drawn_views_hold_the_whole_card(seed):
    view = draw_view(np.random.default_rng(seed))
    at = view.projection.to_px(card_corners_mm())
    assert (at > 0).all()
    assert (at < np.array(view.size) - 1).all()


def test_view_that_cannot_hold_the_card_is_brought_back():
    view = fitted(View(size=SIZE, card_share=0.9, rotation_deg=45, offset=(0.3, 0)))
    at = view.projection.to_px(card_corners_mm())
    assert (at > 0).all()


def test_impossible_view_is_a_mistake():
    with pytest.raises(ValueError, match="out of reach"):
        _ = View(tilt_deg=90).projection
