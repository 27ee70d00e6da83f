"""A drop on one of the four markers: read all the same, and nothing else is let through."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import cv2
import numpy as np
import pytest
import rig

from cardreader.card import layout
from cardreader.core.refusal import Reason, Refusal
from cardreader.read import hiddenmarker, locate, markers
from cardreader.read.consensusline import agreed_line
from cardreader.read.locate import CardPose
from cardreader.read.photo import Photo

LOT = 12345
BLOOD = (0.20, 0.04, 0.03)
LIGHT_SKIN, DARK_SKIN = (0.45, 0.28, 0.20), (0.07, 0.035, 0.025)
OVER_THE_CARD = np.stack(np.meshgrid(np.linspace(3, 82, 9), np.linspace(3, 51, 7)), axis=-1)
PLACES = {
    "middle": (4.0, 4.6),
    "upper edge": (5.0, 0.2),
    "right edge": (8.6, 3.5),
    "lower edge": (3.4, 8.9),
    "left edge": (0.3, 4.6),
    "corner": (0.3, 0.4),
    "outside": (4.5, -1.0),
}


@cache
def plain_card(lot: int = LOT) -> np.ndarray:
    return rig.draw_card(lot_number=lot)


def at(corner: int, place: tuple[float, float]) -> np.ndarray:
    return layout.marker_corners_mm()[corner][0] + place


def covered(card: np.ndarray, at_mm: np.ndarray, radius_mm: float, colour) -> np.ndarray:
    card = card.copy()
    x, y = np.round(rig.to_px(at_mm)).astype(int)
    cv2.circle(card, (int(x), int(y)), round(radius_mm * rig.PX_PER_MM), colour, -1, cv2.LINE_AA)
    return card


def dropped(corner: int, place: str = "middle", radius_mm: float = 2.0) -> np.ndarray:
    return covered(plain_card(), at(corner, PLACES[place]), radius_mm, BLOOD)


def as_photo(rgb: np.ndarray) -> Photo:
    return Photo(encoded=rgb, full_size=rgb.shape[1::-1], scale=1.0, sha256="0" * 64)


def found(card: np.ndarray, **shot) -> CardPose | Refusal:
    return locate.locate(as_photo(rig.photograph(card, rig.Shot(**shot)).rgb))


def reason(rgb: np.ndarray) -> Reason:
    result = locate.locate(as_photo(rgb))
    assert isinstance(result, Refusal), result
    return result.reason


def assert_read(card: np.ndarray, limit_mm: float = 0.06, **shot) -> None:
    scene = rig.photograph(card, rig.Shot(**shot))
    pose = locate.locate(as_photo(scene.rgb))
    assert isinstance(pose, CardPose), pose
    assert pose.lot_number == LOT
    error = np.linalg.norm(pose.to_px(OVER_THE_CARD) - scene.to_px(OVER_THE_CARD), axis=-1)
    assert error.max() / pose.px_per_mm < limit_mm


@pytest.mark.parametrize(
    ("corner", "place"),
    [
        pytest.param(c, p, marks=() if c == 0 or p == "middle" else pytest.mark.slow)
        for c in range(4)
        for p in PLACES
    ],
)
def test_a_drop_anywhere_on_any_marker(corner, place):
    assert_read(dropped(corner, place))


def test_the_search_alone_does_not_find_it():
    """Else the tests above would say nothing."""
    gray = cv2.extractChannel(rig.photograph(dropped(1), rig.Shot()).rgb, 1)
    assert len(markers.find_markers(gray)) == 3


@pytest.mark.parametrize(
    "shot",
    [
        {"lens": 0.05, "fill": 0.9, "turn_deg": 0, "tilt_deg": 3},
        {"lens": -0.06, "fill": 0.85},
        {"tilt_deg": 50, "fill": 0.6},
        {"fill": 0.3},
        {"turn_deg": 200, "blur_mm": 0.2},
        {"gain": (0.1, 0.1, 0.1), "noise": 0.01},
    ],
)
@pytest.mark.parametrize("place", ["middle", "upper edge"])
def test_a_drop_in_other_views(shot, place):
    assert_read(dropped(2, place, 1.8), 0.08, **shot)


@pytest.mark.slow
def test_small_drops_too():
    for radius_mm in (0.5, 1.0, 1.5):
        for place in PLACES:
            assert_read(dropped(0, place, radius_mm))


def test_an_edge_let_go_keeps_the_pose():
    """A smear along the whole of one edge: it can't be made out, the other corners hold."""
    card = plain_card().copy()
    (x0, y0), (x1, _) = rig.to_px(at(1, (0, 0))).astype(int), rig.to_px(at(1, (8.8, 0)))
    card[y0 - 26 : y0 + 10, x0 - 10 : int(x1) + 10] = BLOOD
    assert_read(card, 0.06)


def test_one_spoiled_corner_of_four_markers_read():
    """The drop merges with the border's corner; the four codes are read, one corner is wrong."""
    card = covered(plain_card(), at(3, (0.2, 3.2)), 1.6, BLOOD)
    assert_read(card)


# -- still refused -------------------------------------------------------------------


@pytest.mark.parametrize("skin", [LIGHT_SKIN, DARK_SKIN])
@pytest.mark.parametrize("radius_mm", [5.0, 8.0])
@pytest.mark.parametrize("corner", range(4))
def test_a_finger_over_a_marker(corner, radius_mm, skin):
    scene = rig.photograph(covered(plain_card(), at(corner, (3.4, 4.4)), radius_mm, skin))
    assert reason(scene.rgb) is Reason.CARD_PART_HIDDEN


@pytest.mark.parametrize("skin", [LIGHT_SKIN, DARK_SKIN])
@pytest.mark.parametrize("corner", range(4))
def test_a_fingertip_from_outside(corner, skin):
    """It hides the outer half of the marker and two of its edges."""
    outer = layout.marker_corners_mm()[corner][corner]
    middle = layout.marker_corners_mm()[corner].mean(axis=0)
    scene = rig.photograph(covered(plain_card(), outer + 0.1 * (middle - outer), 6.5, skin))
    assert reason(scene.rgb) is Reason.CARD_PART_HIDDEN


@pytest.mark.parametrize("corner", range(4))
@pytest.mark.parametrize("stock", [0.86, 0.25, 0.02])
def test_a_missing_corner(corner, stock):
    """Blank card, table or nothing at all where the marker should be."""
    card = plain_card().copy()
    (x0, y0), _, (x1, y1), _ = rig.to_px(layout.marker_corners_mm()[corner]).astype(int)
    card[y0 - 10 : y1 + 10, x0 - 10 : x1 + 10] = stock
    assert reason(rig.photograph(card).rgb) is Reason.CARD_PART_HIDDEN


@pytest.mark.parametrize("turn_deg", [25, -25, 155, 205])
def test_a_marker_cut_off_by_the_frame(turn_deg):
    scene = rig.photograph(plain_card(), rig.Shot(turn_deg=turn_deg, fill=0.6))
    left = scene.to_px(layout.marker_corners_mm())[..., 0].min()
    cut = as_photo(np.ascontiguousarray(scene.rgb[:, round(left + 8) :]))
    result = locate.locate(cut)
    assert isinstance(result, Refusal)
    assert result.reason is Reason.CARD_PART_HIDDEN
    whole = as_photo(np.ascontiguousarray(scene.rgb[:, round(left - 15) :]))
    assert isinstance(locate.locate(whole), CardPose)


def test_a_marker_that_would_lie_outside_is_not_looked_for():
    quad = np.array([(0.0, 40.0), (80.0, 40.0), (80.0, 120.0), (0.0, 120.0)])
    assert hiddenmarker.lies_within(quad + np.array([10, 0]), (200, 200))
    assert not hiddenmarker.lies_within(quad, (200, 200))
    assert not hiddenmarker.lies_within(quad + np.array([116, 0]), (200, 200))
    assert not hiddenmarker.lies_within(quad, (122, 200))


@pytest.mark.parametrize("corner", range(4))
def test_a_marker_of_another_lot_pasted_in(corner):
    """Read clean the check digit tells; under a drop the modules do. The right one is read."""
    (x0, y0), _, (x1, y1), _ = rig.to_px(layout.marker_corners_mm()[corner]).astype(int)
    for other in (54321, LOT + 1 + 146 + 146**2, 999_999):
        card = plain_card().copy()
        part = np.s_[y0 - 12 : y1 + 12, x0 - 12 : x1 + 12]
        card[part] = plain_card(other)[part]
        drop = covered(card, at(corner, PLACES["middle"]), 2.0, BLOOD)
        assert reason(rig.photograph(card).rgb) is Reason.CARD_PART_HIDDEN
        assert reason(rig.photograph(drop).rgb) is Reason.CARD_PART_HIDDEN


@pytest.mark.parametrize("corner", range(4))
def test_a_mirrored_card_with_a_drop(corner):
    rgb = rig.photograph(dropped(corner)).rgb
    assert reason(np.ascontiguousarray(rgb[:, ::-1])) is Reason.CARD_MIRRORED


def test_two_cards_one_with_a_drop():
    shot = rig.Shot(size=(1000, 1500), fill=0.8)
    both = [rig.photograph(card, shot).rgb for card in (dropped(0), plain_card(9))]
    assert reason(np.hstack(both)) is Reason.TWO_CARDS
    assert reason(np.hstack(both[::-1])) is Reason.TWO_CARDS


@pytest.mark.parametrize("place", ["middle", "upper edge"])
@pytest.mark.parametrize("corner", range(4))
def test_a_bent_card_with_a_drop(corner, place):
    """The covered marker's own corners are evidence of the bend."""
    scene = rig.photograph(rig.bend(dropped(corner, place), 14.0), rig.Shot(tilt_deg=0))
    assert reason(scene.rgb) in (Reason.CARD_BENT, Reason.CARD_PART_HIDDEN)


def test_a_bend_shows_as_much_with_a_drop():
    cards = (plain_card(), dropped(0), dropped(1, "upper edge"), dropped(2, "left edge"))
    poses = [found(rig.bend(card, 4.0), tilt_deg=0) for card in cards]
    bends = [pose.residual_px / pose.px_per_mm for pose in poses]
    assert bends[0] > locate.MAX_RESIDUAL_MM / 2
    np.testing.assert_allclose(bends, bends[0], rtol=0.05)


def test_two_drops_on_two_markers():
    card = covered(dropped(0), at(2, PLACES["middle"]), 2.0, BLOOD)
    assert reason(rig.photograph(card).rgb) is Reason.CARD_PART_HIDDEN


# -- what it costs, and what it is worth ---------------------------------------------


def test_nothing_extra_is_run_for_a_good_photo(monkeypatch):
    measured = []

    def measure(photo, rough, spoiled=False):
        measured.append(spoiled)
        return original(photo, rough, spoiled)

    original = locate.measure_edges
    monkeypatch.setattr(locate, "measure_edges", measure)
    monkeypatch.setattr(locate, "find_fourth", lambda *_: pytest.fail("looked for a fourth"))
    assert isinstance(found(plain_card()), CardPose)
    assert measured == [False]


@pytest.mark.parametrize("place", ["middle", "upper edge", "corner"])
def test_a_shaken_photo_stays_blurred(place):
    for radius_mm in (1.0, 2.0):
        result = found(dropped(0, place, radius_mm), motion_mm=1.4)
        assert isinstance(result, Refusal)
        assert result.reason is Reason.BLURRED


@pytest.mark.parametrize(("left", "better"), [(0.4, True), (0.6, False)])
def test_a_mended_pose_must_be_clearly_better(left, better):
    """Of a photo that is read either way, and of one that is otherwise refused as bent."""
    pose = found(plain_card())
    mended = replace(pose, residual_px=left * pose.residual_px)
    assert locate.clearly_better(mended, pose) is better
    mended = replace(pose, residual_px=left * locate.MAX_RESIDUAL_MM * pose.px_per_mm)
    assert locate.clearly_better(mended, Refusal(Reason.CARD_BENT, "locate", "")) is better


def test_another_digit_under_a_drop_hardly_ever_passes():
    """The figure of the docstring: all pairs of codes of a corner, a drop of 5 mm anywhere."""
    radius = 2.5 / (layout.MARKER_MM / markers.MODULES)
    y, x = np.mgrid[1:7, 1:7] + 0.5
    spots = np.arange(-1.0, 9.01, 0.25)
    under = np.array(
        [((x - a) ** 2 + (y - b) ** 2 <= radius**2).ravel() for a in spots for b in spots]
    )
    codes = (markers.signed_codes()[0, : layout.MARKER_BASE] > 0).astype(np.float32)
    passed = tried = kept = 0
    for digit, code in enumerate(codes):
        seen = np.where(under, 0, code)
        wrong = seen @ (1 - codes).T + (1 - seen) @ codes.T
        best, second = np.partition(wrong, 1, axis=1)[:, :2].T[..., None]
        rival = np.where(wrong == best, second, best)
        passes = (wrong <= hiddenmarker.MAX_WRONG_MODULES) & (
            rival - wrong >= hiddenmarker.MIN_LEAD
        )
        kept += int(passes[:, digit].sum())
        passes[:, digit] = False
        passed += int(passes.sum())
        tried += passes.size
    assert kept / (len(codes) * len(under)) > 0.8
    assert passed / tried < 1e-6


@pytest.mark.parametrize(("flipped", "read"), [(4, True), (6, True), (7, False), (9, False)])
def test_so_many_modules_may_be_wrong(flipped, read):
    """Single modules of the border turned white: they leave the digit as clear as it was."""
    card = plain_card().copy()
    side = layout.MARKER_MM / markers.MODULES
    for k in range(flipped):
        row, column = (0, 1 + k) if k < 6 else (7, k - 5)
        corner = at(2, (column * side, row * side))
        (x0, y0), (x1, y1) = np.round(rig.to_px(np.array([corner, corner + side]))).astype(int)
        card[y0 + 1 : y1, x0 + 1 : x1] = 0.86
    assert (fourth_of(card) is not None) is read


def fourth_of(card: np.ndarray) -> markers.Marker | None:
    photo = as_photo(rig.photograph(card).rgb)
    clean = rig.photograph(plain_card()).rgb
    known = markers.find_markers(cv2.extractChannel(clean, 1))
    three = [m for m in known if m.identity // layout.MARKER_BASE != 2]
    return hiddenmarker.find_fourth(photo, cv2.extractChannel(photo.encoded, 1), three)


def test_random_modules_never_pass():
    """Grey noise and random modules, as many as a fast test can try; none comes near."""
    rng = np.random.default_rng(4)
    quad = np.array([(10.0, 10.0), (90.0, 10.0), (90.0, 90.0), (10.0, 90.0)]) - 0.5
    least = 64
    for _ in range(300):
        modules = rng.integers(0, 2, (8, 8)).astype(np.uint8) * 200 + 20
        gray = np.full((100, 100), 230, np.uint8)
        gray[10:90, 10:90] = np.kron(modules, np.ones((10, 10), np.uint8))
        seen = markers.count_wrong(gray, quad)
        if seen is not None:
            least = min(least, seen[0] + int(seen[1].min()))
    assert hiddenmarker.MAX_WRONG_MODULES < least < 64


def test_wrong_modules_are_counted():
    rgb = rig.photograph(plain_card(), rig.Shot(tilt_deg=0, turn_deg=0)).rgb
    gray = cv2.extractChannel(rgb, 1)
    for marker in markers.find_markers(gray):
        seen = markers.count_wrong(gray, marker.corners_px)
        assert seen is not None
        assert seen[0] == 0
        assert seen[1][marker.identity] == 0
        assert np.delete(seen[1], marker.identity).min() >= 8
    assert markers.count_wrong(np.full_like(gray, 90), marker.corners_px) is None


# -- parts ---------------------------------------------------------------------------


def test_the_fourth_digit_follows_from_three():
    rng = np.random.default_rng(0)
    for number in [0, 1, 145, 146, layout.MARKER_BASE**3 - 1, *rng.integers(0, 146**3, 200)]:
        ids = layout.marker_ids(int(number))
        for missing in range(4):
            assert layout.fourth_id([i for i in ids if i != ids[missing]]) == ids[missing]


@pytest.mark.parametrize("three", [(0, 146), (0, 1, 146), (0, 146, 292, 438), (-1, 146, 292)])
def test_the_fourth_digit_of_what_are_not_three_corners(three):
    with pytest.raises(ValueError, match="three corners"):
        layout.fourth_id(three)


def test_the_line_that_most_points_agree_on():
    x = np.linspace(0, 1, 24)
    y = 0.3 - 0.2 * x
    y[:11] += 0.5 * np.sqrt(np.maximum(0, 1 - ((x[:11] - 0.2) / 0.3) ** 2)) + 0.1
    a, b, share = agreed_line(x, y, np.ones(24, bool), 0.02)
    assert (a, b) == pytest.approx((0.3, -0.2), abs=1e-6)
    assert share == pytest.approx(13 / 24)


def test_unusable_points_do_not_count():
    x, usable = np.linspace(0, 1, 20), np.arange(20) < 8
    a, b, share = agreed_line(x, np.where(usable, 1.0, 0.0), usable, 0.02)
    assert (a, b, share) == pytest.approx((1.0, 0.0, 0.4))
    assert agreed_line(x, x, np.arange(20) < 2, 0.02) == (0.0, 0.0, 0.0)


def test_the_line_wants_one_shape():
    with pytest.raises(ValueError, match="shapes"):
        agreed_line(np.zeros(3), np.zeros(4), np.ones(3, bool), 0.1)
