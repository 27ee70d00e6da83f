"""One blot from two sides: registered by the card, free of a reflection that moved.

Checked on the rig of flat colours, whose card knows nothing of the package's renderer; the
correction is a plain one so that only registration and choice are at work.
"""

from functools import cache

import numpy as np
import pytest
import rig
from lots import made_up_lot

from cardreader.card import layout
from cardreader.core.refusal import Reason, Refusal
from cardreader.read.banding import EVEN
from cardreader.read.locate import CardPose, locate
from cardreader.read.photo import Photo
from cardreader.read.sameblot import MAX_APART, View, measure_same_blot

FROM_ABOVE = rig.Shot(tilt_deg=4, slope=(0, 0))
FROM_THE_SIDE = rig.Shot(
    tilt_deg=28, tilt_axis_deg=75, turn_deg=-25, fill=0.6, slope=(0, 0), seed=8
)


class Plain:
    """A correction that takes linear sRGB for XYZ; no tone, no light, no doubt."""

    def xyz(self, linear, at_mm):
        return np.asarray(linear, float)

    best_xyz = xyz

    def reaches(self, linear, at_mm):
        return True

    def log_ratio_covariance(self, linear, reference):
        return np.zeros((3, 3))


class Lot:
    paper_lab = np.zeros(3)
    xyz = made_up_lot().xyz


@cache
def card():
    return rig.draw_card()


def view(shot, reflection=None):
    """A photo; ``reflection`` is (x, y in mm from the bay's middle, width, linear light)."""
    scene = rig.photograph(card(), shot)
    rgb = scene.rgb
    if reflection is not None:
        x, y, width, light = reflection
        middle = scene.to_px(np.add(layout.CENTRE_MM, (x, y)))
        px = width * shot.fill * shot.size[0] / layout.WIDTH_MM
        rows, columns = np.indices(rgb.shape[:2])
        r2 = ((columns - middle[0]) ** 2 + (rows - middle[1]) ** 2) / px**2
        linear = _linear(rgb) + light * np.exp(-r2 / 2)[..., None]
        rgb = rig.encode(linear.astype(np.float32))
    photo = Photo(encoded=rgb, full_size=rgb.shape[1::-1], scale=1.0, sha256="0" * 64)
    pose = locate(photo)
    assert isinstance(pose, CardPose), pose
    return View(photo, pose, EVEN, Plain())


def _linear(rgb):
    v = rgb / 255
    return np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4)


@pytest.fixture(autouse=True)
def _paper_of_any_tint(monkeypatch):
    monkeypatch.setattr("cardreader.read.blot.MAX_PAPER_TINT", np.inf)


def log_ratio(*views):
    blot = measure_same_blot(views, Lot())
    assert not isinstance(blot, Refusal), blot
    return blot


TRUTH = np.log(np.array(rig.BLOOD) / np.array(rig.PAPER))


def test_two_clean_photos_agree_with_the_card_drawn():
    blot = log_ratio(view(FROM_ABOVE), view(FROM_THE_SIDE))
    np.testing.assert_allclose(blot.log_ratio, TRUTH, atol=0.03)


def test_a_reflection_that_moved_is_gone():
    clean = log_ratio(view(FROM_ABOVE), view(FROM_THE_SIDE))
    one = view(FROM_ABOVE, (-1.6, 0.5, 0.9, 0.05))
    other = view(FROM_THE_SIDE, (1.8, -0.7, 0.9, 0.05))
    blot = log_ratio(one, other)
    np.testing.assert_allclose(blot.log_ratio, clean.log_ratio, atol=0.015)


def test_a_veil_on_the_blot_in_one_photo_is_seen():
    # Broad enough to lift the whole blot evenly; one photo alone can't tell it from a pale one.
    veiled = view(FROM_ABOVE, (0.0, 0.0, 5.0, 0.012))
    result = measure_same_blot((veiled, view(FROM_THE_SIDE)), Lot())
    assert isinstance(result, Refusal)
    assert result.reason is Reason.GLARE_ON_BLOT


def test_a_blot_that_lost_a_channel_is_refused():
    # A lost channel is told from the others in one photo, not laid over that of another.
    photos = [view(shot) for shot in (FROM_ABOVE, FROM_THE_SIDE)]
    for photo in photos:
        red = photo.photo.encoded[..., 0].astype(int) - photo.photo.encoded[..., 2] > 60
        photo.photo.encoded[..., 2][red] = 0
    result = measure_same_blot(photos, Lot())
    assert isinstance(result, Refusal)
    assert result.reason is Reason.COLOUR_NOT_CORRECTABLE


def test_the_doubt_grows_with_the_difference():
    clean = log_ratio(view(FROM_ABOVE), view(FROM_THE_SIDE))
    slight = log_ratio(view(FROM_ABOVE, (0.0, 0.0, 5.0, 0.002)), view(FROM_THE_SIDE))
    apart = np.sqrt(slight.covariance[1, 1] - clean.covariance[1, 1])
    assert 0 < apart < MAX_APART
    assert slight.covariance[1, 1] > clean.covariance[1, 1]


def views_of(*blots):
    """A photo from above of a card for each blot; None for a card without one."""
    views = []
    for blot in blots:
        scene = rig.photograph(rig.draw_card(blots=() if blot is None else (blot,)), FROM_ABOVE)
        size = scene.rgb.shape[1::-1]
        photo = Photo(encoded=scene.rgb, full_size=size, scale=1.0, sha256="0" * 64)
        pose = locate(photo)
        assert isinstance(pose, CardPose)
        views.append(View(photo, pose, EVEN, Plain()))
    return views


def at(x_mm):
    return tuple(np.add(layout.CENTRE_MM, (x_mm, 0.0)))


@pytest.mark.parametrize(
    "other",
    [
        rig.Blot(centre_mm=at(6.5), radii_mm=(3, 3)),
        rig.Blot(centre_mm=at(1.5)),
        rig.Blot(radii_mm=(4.8, 6.0), ragged=0.12, seed=8),
    ],
    ids=["elsewhere", "beside", "another outline"],
)
def test_two_blots_of_one_colour_are_not_one(other):
    result = measure_same_blot(views_of(rig.Blot(), other), Lot())
    assert isinstance(result, Refusal)
    assert result.reason is Reason.NOT_ONE_BLOT


def test_paper_above_the_print_is_seen_a_little_elsewhere_and_still_one_blot():
    # 0.5 mm above it, from 30 degrees on either side.
    blot = log_ratio(*views_of(rig.Blot(centre_mm=at(-0.3)), rig.Blot(centre_mm=at(0.3))))
    np.testing.assert_allclose(blot.log_ratio, TRUTH, atol=0.03)


def test_a_photo_of_the_card_without_its_blot_is_told_as_that():
    for views in (views_of(rig.Blot(), None), views_of(None, rig.Blot())):
        result = measure_same_blot(views, Lot())
        assert isinstance(result, Refusal)
        assert result.reason is Reason.BLOT_MISSING


def test_one_photo_is_not_enough():
    with pytest.raises(ValueError, match="two"):
        measure_same_blot([view(FROM_ABOVE)], Lot())
