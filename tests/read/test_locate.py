"""Finding the card: exact against a known view, and refused for the right reason."""

from functools import cache

import cv2
import numpy as np
import pytest
import rig

from cardreader.card import layout
from cardreader.core.refusal import Reason, Refusal
from cardreader.read.locate import CardPose, locate
from cardreader.read.markers import find_markers
from cardreader.read.photo import Photo

OVER_THE_CARD = np.stack(np.meshgrid(np.linspace(3, 82, 9), np.linspace(3, 51, 7)), axis=-1)


def as_photo(rgb) -> Photo:
    return Photo(encoded=rgb, full_size=rgb.shape[1::-1], scale=1.0, sha256="0" * 64)


@cache
def card():
    return rig.draw_card()


def pose_of(**shot):
    scene = rig.photograph(card(), rig.Shot(**shot))
    return locate(as_photo(scene.rgb)), scene


def refused(rgb):
    result = locate(as_photo(rgb))
    assert isinstance(result, Refusal), result
    assert result.stage == "locate"
    return result.reason


@pytest.mark.parametrize(
    ("shot", "limit_mm"),
    [
        ({}, 0.03),
        ({"fill": 0.95, "turn_deg": 0, "tilt_deg": 3}, 0.03),
        ({"fill": 0.27}, 0.08),
        ({"tilt_deg": 35, "tilt_axis_deg": 80}, 0.05),
        ({"tilt_deg": 55, "fill": 0.6}, 0.08),
        ({"lens": 0.04}, 0.04),
        ({"lens": -0.06, "shift": (0.1, 0.08)}, 0.04),
        ({"blur_mm": 0.2}, 0.05),
        ({"motion_mm": 0.7}, 0.05),
        ({"gain": (0.08, 0.08, 0.08), "noise": 0.01}, 0.05),
        ({"slope": (0.5, 0.3), "gain": (0.5, 0.5, 0.5)}, 0.04),
    ],
)
def test_pose_agrees_with_the_view(shot, limit_mm):
    pose, scene = pose_of(**shot)
    assert isinstance(pose, CardPose), pose
    assert pose.lot_number == 12345
    error = np.linalg.norm(pose.to_px(OVER_THE_CARD) - scene.to_px(OVER_THE_CARD), axis=-1)
    assert error.max() / pose.px_per_mm < limit_mm


@pytest.mark.parametrize("turn_deg", range(0, 360, 45))
def test_any_rotation(turn_deg):
    pose, scene = pose_of(turn_deg=turn_deg, fill=0.5)
    assert isinstance(pose, CardPose), pose
    error = np.linalg.norm(pose.to_px(OVER_THE_CARD) - scene.to_px(OVER_THE_CARD), axis=-1)
    assert error.max() / pose.px_per_mm < 0.04


def test_to_mm_undoes_to_px():
    pose, _ = pose_of(lens=-0.05, tilt_deg=30, fill=0.6)
    np.testing.assert_allclose(pose.to_mm(pose.to_px(OVER_THE_CARD)), OVER_THE_CARD, atol=1e-3)


def test_to_px_rejects_other_shapes():
    pose, _ = pose_of()
    with pytest.raises(ValueError, match="not"):
        pose.to_px(np.zeros((4, 3)))


@pytest.mark.parametrize("tilt_deg", [0, 20, 45])
def test_tilt_and_scale(tilt_deg):
    pose, scene = pose_of(tilt_deg=tilt_deg, fill=0.5)
    assert pose.tilt_deg == pytest.approx(tilt_deg, abs=2.5)
    x, y = layout.CENTRE_MM
    around = [(x + np.cos(a), y + np.sin(a)) for a in np.linspace(0, np.pi, 90)]
    steps = np.linalg.norm(scene.to_px(np.array(around)) - scene.to_px(np.array([(x, y)])), axis=1)
    assert pose.px_per_mm == pytest.approx(steps.min(), rel=0.02)


def test_lens_term_is_found():
    assert pose_of(lens=0.04)[0].lens == pytest.approx(0.04, abs=0.01)
    assert pose_of(lens=0.0)[0].lens == pytest.approx(0.0, abs=0.005)


@pytest.mark.parametrize("blur_mm", [0.1, 0.2, 0.3])
def test_sharpness_measures_the_blur(blur_mm):
    pose, _ = pose_of(blur_mm=blur_mm)
    # The picture's own pixels blur a little more than was asked for.
    assert blur_mm - 0.05 < pose.sharpness < blur_mm + 0.04


def test_markers_agree_with_the_library():
    """OpenCV's own detector with the whole dictionary finds the same corners."""
    gray = cv2.cvtColor(pose_of(turn_deg=140, fill=0.5)[1].rgb, cv2.COLOR_RGB2GRAY)
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    corners, ids, _ = cv2.aruco.ArucoDetector(dictionary).detectMarkers(gray)
    reference = {int(i): c.reshape(4, 2) for i, c in zip(ids.ravel(), corners, strict=True)}
    ours = {m.identity: m.corners_px for m in find_markers(gray)}
    assert ours.keys() == reference.keys()
    assert len(ours) == 4
    for identity, quad in ours.items():
        assert np.abs(quad - reference[identity]).max() < 1.5


def test_refined_corners_beat_the_library():
    """Against its sub-pixel corners, on a blurred view."""
    pose, scene = pose_of(blur_mm=0.2, fill=0.5, turn_deg=20)
    truth = scene.to_px(layout.marker_corners_mm())
    gray = cv2.cvtColor(scene.rgb, cv2.COLOR_RGB2GRAY)
    start = truth.reshape(-1, 1, 2).astype(np.float32)
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_COUNT, 50, 0.01)
    library = cv2.cornerSubPix(gray, start, (7, 7), (-1, -1), stop).reshape(4, 4, 2)
    assert rms(pose.marker_corners_px - truth) < rms(library - truth)


def rms(v):
    return float(np.sqrt((v**2).sum(-1).mean()))


def test_sixteen_bit_photo():
    scene = rig.photograph(card(), rig.Shot(fill=0.5))
    pose = locate(as_photo(scene.rgb.astype(np.uint16) * 257))
    assert isinstance(pose, CardPose)


# -- refusals ----------------------------------------------------------------


def test_no_card():
    rng = np.random.default_rng(0)
    assert refused(np.full((1500, 2000, 3), 128, np.uint8)) is Reason.NO_CARD
    assert refused(rng.integers(0, 256, (1500, 2000, 3), dtype=np.uint8)) is Reason.NO_CARD


@pytest.mark.parametrize("corner", range(4))
def test_hidden_marker(corner):
    scene = rig.photograph(card(), rig.Shot(fill=0.5))
    x, y = scene.to_px(layout.marker_corners_mm()[corner].mean(axis=0)).astype(int)
    cv2.circle(scene.rgb, (int(x), int(y)), 45, (180, 140, 120), -1)
    assert refused(scene.rgb) is Reason.CARD_PART_HIDDEN


def test_card_cut_off_by_the_frame():
    assert refused(rig.photograph(card(), rig.Shot(shift=(0.3, 0))).rgb) is Reason.CARD_PART_HIDDEN


def test_corner_of_another_lot():
    """A marker of a second card patched over: its digits don't belong together."""
    mixed = card().copy()
    other = rig.draw_card(lot_number=54321)
    half = mixed.shape[1] // 2
    mixed[:, half:] = other[:, half:]
    assert refused(rig.photograph(mixed).rgb) is Reason.CARD_PART_HIDDEN


def test_two_cards():
    one = rig.photograph(card(), rig.Shot(size=(1000, 1500), fill=0.8)).rgb
    other = rig.photograph(rig.draw_card(lot_number=9), rig.Shot(size=(1000, 1500), fill=0.8)).rgb
    assert refused(np.hstack([one, other])) is Reason.TWO_CARDS


def test_mirrored():
    scene = rig.photograph(card())
    assert refused(np.ascontiguousarray(scene.rgb[:, ::-1])) is Reason.CARD_MIRRORED
    assert refused(np.ascontiguousarray(scene.rgb[::-1])) is Reason.CARD_MIRRORED


def test_too_small():
    assert pose_of(fill=0.15)[0].reason is Reason.CARD_TOO_SMALL


def test_too_tilted():
    assert pose_of(tilt_deg=66, fill=0.6)[0].reason is Reason.CARD_TOO_TILTED


@pytest.mark.parametrize("shot", [{"blur_mm": 0.6}, {"motion_mm": 1.8}])
def test_blurred(shot):
    assert pose_of(**shot)[0].reason is Reason.BLURRED


def test_bent():
    scene = rig.photograph(rig.bend(card(), 14.0), rig.Shot(tilt_deg=0))
    assert refused(scene.rgb) is Reason.CARD_BENT


@pytest.mark.parametrize(
    ("shot", "reason"),
    [({"blur_mm": 0.34}, Reason.BLURRED), ({"gain": (1.6, 1.5, 1.4)}, Reason.CLIPPED)],
)
def test_corners_that_are_off_are_not_blamed_on_the_card_alone(shot, reason):
    """Soft or clipped edges put a flat card's corners as far off as a bend does."""
    scene = rig.photograph(rig.bend(card(), 14.0), rig.Shot(tilt_deg=0, **shot))
    assert refused(scene.rgb) is reason


def test_slightly_bent_is_read():
    scene = rig.photograph(rig.bend(card(), 2.0), rig.Shot(tilt_deg=0))
    assert isinstance(locate(as_photo(scene.rgb)), CardPose)
