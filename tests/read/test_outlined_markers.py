"""Lines drawn about the markers, dark pictures, and soft pictures without a card.

A pen line, the window of a sleeve or a cutting guide runs around a marker as an
outline of its own; the card must be found as if it weren't there. The corners
are held against the rig's own view and against a second detector,
pupil-apriltags (University of Michigan's detector, by another route than ours).
"""

import importlib.util
import json
import subprocess
import sys
from functools import cache

import cv2
import numpy as np
import pytest
import rig
from skimage import data

from cardreader.card import layout
from cardreader.core.refusal import Reason, Refusal
from cardreader.read.locate import CardPose, locate
from cardreader.read.markers import find_markers, signed_codes
from cardreader.read.photo import Photo

OVER_THE_CARD = np.stack(np.meshgrid(np.linspace(3, 82, 9), np.linspace(3, 51, 7)), axis=-1)
PHOTOGRAPHS = ("astronaut", "brick", "camera", "coffee", "coins", "page", "text")
INK = (0.06, 0.06, 0.08)


def test_codes_are_the_librarys():
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    for k, codes in enumerate(signed_codes()):
        assert len(codes) == 4 * layout.MARKER_BASE
        for identity in (0, 1, 137, len(codes) - 1):
            one = family.bytesList[identity : identity + 1]
            bits = cv2.aruco.Dictionary.getBitsFromByteList(one, 6)
            assert np.array_equal(codes[identity].reshape(6, 6) > 0, np.rot90(bits, k) == 1)


@cache
def card():
    return rig.draw_card()


def outlined(off_mm: float, width_mm: float = 0.4, ink=INK) -> np.ndarray:
    """The card with a square line about each marker, its middle ``off_mm`` from the print."""
    drawn = card().copy()
    for corners in layout.marker_corners_mm():
        x, y = corners[0] - off_mm
        side = layout.MARKER_MM + 2 * off_mm
        for dx, dy, w, h in (
            (0, 0, side, 0),
            (0, side, side, 0),
            (0, 0, 0, side),
            (side, 0, 0, side),
        ):
            at = np.array([(x + dx, y + dy), (x + dx + w, y + dy + h)])
            low = np.round((at[0] - width_mm / 2 + rig.MARGIN_MM) * rig.PX_PER_MM).astype(int)
            high = np.round((at[1] + width_mm / 2 + rig.MARGIN_MM) * rig.PX_PER_MM).astype(int)
            drawn[max(low[1], 0) : high[1], max(low[0], 0) : high[0]] = ink
    return drawn


def seen(rgb) -> Photo:
    return Photo(encoded=rgb, full_size=rgb.shape[1::-1], scale=1.0, sha256="0" * 64)


@pytest.mark.parametrize("off_mm", [0.8, 1.2, 1.6, 2.2])
@pytest.mark.parametrize("shot", [rig.Shot(), rig.Shot(fill=0.5, turn_deg=140, tilt_deg=20)])
def test_a_line_about_the_markers_changes_nothing(off_mm, shot):
    scene = rig.photograph(outlined(off_mm), shot)
    pose = locate(seen(scene.rgb))
    assert isinstance(pose, CardPose), pose
    error = np.linalg.norm(pose.to_px(OVER_THE_CARD) - scene.to_px(OVER_THE_CARD), axis=-1)
    assert error.max() / pose.px_per_mm < 0.06


@pytest.mark.parametrize(("off_mm", "width_mm"), [(0.4, 0.4), (0.8, 1.0)])
@pytest.mark.parametrize("turn_deg", [7, 140])
def test_a_line_too_close_to_a_marker_is_not_told_as_a_bend_or_blur(off_mm, width_mm, turn_deg):
    scene = rig.photograph(outlined(off_mm, width_mm), rig.Shot(turn_deg=turn_deg))
    result = locate(seen(scene.rgb))
    assert isinstance(result, Refusal)
    assert result.reason is Reason.CARD_PART_HIDDEN, result


@pytest.mark.parametrize("rise_mm", [6, 10])
def test_a_bent_card_is_told_as_that_where_no_line_is_drawn(rise_mm):
    result = locate(seen(rig.photograph(rig.bend(card(), rise_mm), rig.Shot()).rgb))
    assert isinstance(result, Refusal)
    assert result.reason is Reason.CARD_BENT, result


def test_the_bright_edge_of_a_sleeve_about_the_markers_changes_nothing():
    scene = rig.photograph(outlined(1.0, 0.5, (2.0, 2.0, 2.0)), rig.Shot())
    pose = locate(seen(scene.rgb))
    assert isinstance(pose, CardPose), pose
    error = np.linalg.norm(pose.to_px(OVER_THE_CARD) - scene.to_px(OVER_THE_CARD), axis=-1)
    assert error.max() / pose.px_per_mm < 0.06


def test_blur_is_not_understated_beside_a_line():
    # Short profiles end before a wide rise does; the limit must hold all the same.
    scene = rig.photograph(outlined(1.0), rig.Shot(blur_mm=0.5))
    pose = locate(seen(scene.rgb))
    assert isinstance(pose, Refusal)


@pytest.mark.parametrize("gain", [0.5, 0.25, 0.15])
def test_a_darkened_picture_is_searched_like_any_other(gain):
    scene = rig.photograph(card(), rig.Shot(turn_deg=20))
    dark = np.round(scene.rgb * gain).astype(np.uint8)
    pose = locate(seen(dark))
    assert isinstance(pose, CardPose), pose
    error = np.linalg.norm(pose.to_px(OVER_THE_CARD) - scene.to_px(OVER_THE_CARD), axis=-1)
    assert error.max() / pose.px_per_mm < 0.06


@pytest.mark.parametrize("gain", [0.03, 0.02, 0.01])
@pytest.mark.parametrize("turn_deg", [20, 200])
def test_a_card_lost_in_the_dark_is_told_as_that(gain, turn_deg):
    scene = rig.photograph(card(), rig.Shot(turn_deg=turn_deg))
    result = locate(seen(np.round(scene.rgb * gain).astype(np.uint8)))
    assert isinstance(result, Refusal)
    assert result.reason is Reason.TOO_DARK, result


@pytest.mark.parametrize("sd", [3, 6, 12])
@pytest.mark.parametrize(
    "name", ["astronaut", "brick", "camera", "coffee", "coins", "page", "text"]
)
def test_a_soft_picture_without_a_card_is_not_called_blurred(name, sd):
    # Photographs that come with scikit-image (public domain; see its data/README.txt).
    picture = getattr(data, name)()
    picture = picture if picture.ndim == 2 else picture[..., 1]
    scale = 1000 / max(picture.shape)
    gray = cv2.GaussianBlur(cv2.resize(picture, None, fx=scale, fy=scale), (0, 0), sd)
    result = locate(seen(np.repeat(gray[..., None], 3, axis=2)))
    assert isinstance(result, Refusal)
    assert result.reason is Reason.NO_CARD, result


@pytest.mark.parametrize(
    ("name", "shaken_px"),
    [("immunohistochemistry", 51), ("grass", 31), ("gravel", 51), ("page", 21)],
)
def test_two_patches_of_a_texture_are_not_the_markers_of_a_card(name, shaken_px):
    # Each is much like a soft marker, but they don't lie as on one card.
    picture = getattr(data, name)()
    picture = picture if picture.ndim == 2 else picture[..., 1]
    scale = 1600 / max(picture.shape)
    large = cv2.resize(picture, None, fx=scale, fy=scale, interpolation=cv2.INTER_CUBIC)
    gray = cv2.blur(large, (shaken_px, 1))
    result = locate(seen(np.repeat(gray[..., None], 3, axis=2)))
    assert isinstance(result, Refusal)
    assert result.reason is Reason.NO_CARD, result


@pytest.mark.parametrize("shot", [{"blur_mm": 0.9}, {"motion_mm": 1.8}])
def test_a_soft_picture_of_a_card_is_called_blurred(shot):
    scene = rig.photograph(card(), rig.Shot(**shot))
    assert not find_markers(cv2.extractChannel(scene.rgb, 1))  # none can be read
    result = locate(seen(scene.rgb))
    assert isinstance(result, Refusal)
    assert result.reason is Reason.BLURRED


SECOND = """
import json, os, sys, cv2
from pupil_apriltags import Detector
detector = Detector(families="tag36h11", quad_decimate=1.0)
found = detector.detect(cv2.imread(sys.argv[1], cv2.IMREAD_GRAYSCALE))
print(json.dumps({d.tag_id: d.corners.tolist() for d in found if d.decision_margin > 20}))
sys.stdout.flush()
os._exit(0)  # its own clearing up may crash
"""


@pytest.mark.skipif(
    importlib.util.find_spec("pupil_apriltags") is None, reason="needs pupil-apriltags"
)
@pytest.mark.parametrize(
    "shot", [rig.Shot(), rig.Shot(turn_deg=200, fill=0.5), rig.Shot(tilt_deg=40, tilt_axis_deg=80)]
)
def test_corners_agree_with_a_second_detector(shot, tmp_path):
    scene = rig.photograph(card(), shot)
    pose = locate(seen(scene.rgb))
    assert isinstance(pose, CardPose), pose
    cv2.imwrite(str(tmp_path / "green.png"), scene.rgb[..., 1])
    said = subprocess.run(
        [sys.executable, "-c", SECOND, str(tmp_path / "green.png")],
        capture_output=True, text=True, check=True,
    ).stdout  # fmt: skip
    others = {int(i): np.array(corners) for i, corners in json.loads(said).items()}
    ids = layout.marker_ids(pose.lot_number)
    assert set(others) == set(ids)
    truth = scene.to_px(layout.marker_corners_mm())
    # Theirs begin elsewhere, run the other way round, and count from the pixel's edge.
    theirs = np.stack([others[i][::-1] for i in ids]) - 0.5
    start = int(np.argmin([np.abs(np.roll(theirs, k, 1) - truth).sum() for k in range(4)]))
    theirs = np.roll(theirs, start, axis=1)
    between = np.linalg.norm(pose.marker_corners_px - theirs, axis=-1)
    ours_off = np.linalg.norm(pose.marker_corners_px - truth, axis=-1)
    theirs_off = np.linalg.norm(theirs - truth, axis=-1)
    assert between.max() < 1.0
    assert np.sqrt((ours_off**2).mean()) <= np.sqrt((theirs_off**2).mean())
