"""Photos: the file a phone would write, the card where it should be, the colours of the scene."""

import io
from dataclasses import replace
from datetime import date, datetime

import cv2
import numpy as np
import pytest
from PIL import ExifTags, Image, ImageOps

from cardreader.card import layout
from cardreader.simulate.blotshape import BlotKind, draw_blot
from cardreader.simulate.phonefile import PHONES, stored
from cardreader.simulate.photograph import photograph
from cardreader.simulate.scene import GOOD, draw_scene, simulated_lot
from cardreader.simulate.view import Cover, ShadowEdge, Spot, View

LOT_NUMBER, LOT_SEED = 41007, 3
VIEW = View(
    size=(1600, 1200), card_share=0.45, rotation_deg=8, tilt_deg=10, tilt_towards_deg=40,
    lens_k1=0.02, jpeg_quality=95, subsampling=0,
)  # fmt: skip


@pytest.fixture(scope="module")
def scene():
    lot = simulated_lot(LOT_NUMBER, date(2027, 6, 30), LOT_SEED)
    return draw_scene(np.random.default_rng(11), 9.0, lot, LOT_SEED, GOOD, light_name="D50")


@pytest.fixture(scope="module")
def photo(scene):
    return photograph(scene, VIEW, seed=4)


def _upright(data):
    return np.array(ImageOps.exif_transpose(Image.open(io.BytesIO(data))))


def _mean_at(picture, view, at_mm, half=3):
    x, y = np.round(view.projection.to_px(at_mm)).astype(int)
    block = picture[y - half : y + half + 1, x - half : x + half + 1]
    return block.reshape(-1, 3).mean(axis=0) / 255


def test_same_seed_same_bytes(scene, photo):
    assert photograph(scene, VIEW, seed=4) == photo


def test_other_seed_other_bytes(scene, photo):
    assert photograph(scene, VIEW, seed=5) != photo


def test_exif_is_that_of_an_invented_phone(photo):
    exif = Image.open(io.BytesIO(photo)).getexif()
    assert (exif[ExifTags.Base.Make], exif[ExifTags.Base.Model]) in PHONES
    assert exif[ExifTags.Base.Orientation] == 1
    assert "synthetic" in exif[ExifTags.Base.Software]
    taken = exif.get_ifd(ExifTags.IFD.Exif)[ExifTags.Base.DateTimeOriginal]
    assert datetime.strptime(taken, "%Y:%m:%d %H:%M:%S").year == 2026


def test_jpeg_tables_are_as_asked(scene):
    subsampled = photograph(scene, replace(VIEW, subsampling=2, jpeg_quality=60), seed=4)
    image = Image.open(io.BytesIO(subsampled))
    assert image.layer[0][1:3] == (2, 2)  # luma sampling factors of 4:2:0
    assert len(subsampled) < 600_000


def test_markers_are_where_the_projection_says(photo):
    # OpenCV's detector is the outside witness, corner by corner.
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    parameters = cv2.aruco.DetectorParameters()
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    grey = cv2.cvtColor(_upright(photo), cv2.COLOR_RGB2GRAY)
    corners, ids, _ = cv2.aruco.ArucoDetector(dictionary, parameters).detectMarkers(grey)
    found = {int(i): c[0] for i, c in zip(ids.ravel(), corners, strict=True)}
    assert set(found) == set(layout.marker_ids(LOT_NUMBER))
    for identity, at_mm in zip(
        layout.marker_ids(LOT_NUMBER), layout.marker_corners_mm(), strict=True
    ):
        expected = VIEW.projection.to_px(at_mm)
        np.testing.assert_allclose(found[identity].mean(axis=0), expected.mean(axis=0), atol=0.1)
        # Blur is made in linear light, so the encoded picture shows black squares a little
        # too small, alike on all sides.
        np.testing.assert_allclose(found[identity], expected, atol=1.0)


def test_patches_have_the_colour_of_the_scene(scene, photo):
    picture = _upright(photo)
    centres = np.array([(c.x_mm, c.y_mm) for c in layout.cells()])
    shaded = scene.raw_patches * scene.shade(centres)[:, None] + scene.glare
    seen = np.array([_mean_at(picture, VIEW, at) for at in centres])
    expected = scene.develop(shaded)
    # A code value is 0.004, the grain of the print adds about as much again; near black
    # the tone curve is steep and noise shows more.
    assert (np.abs(seen - expected) < np.where(expected > 0.15, 0.012, 0.03)).all()


def test_paper_and_blot_have_the_colour_of_the_scene(scene):
    blot = draw_blot(np.random.default_rng(8))
    picture = _upright(photograph(scene, VIEW, seed=4, blot=blot))
    middle = np.array(layout.CENTRE_MM)
    margin = middle + 10.8
    paper = scene.develop(scene.raw_paper * scene.shade(margin) + scene.glare)
    np.testing.assert_allclose(_mean_at(picture, VIEW, margin), paper, atol=0.012)
    # Over the whole core the volume is 1 on average, so the colour is that of volume 1.
    core = _core_pixels(blot)
    at = np.round(VIEW.projection.to_px(core)).astype(int)
    raw = scene.raw_blot[40] * scene.shade(core)[:, None] + scene.glare
    np.testing.assert_allclose(
        picture[at[:, 1], at[:, 0]].mean(axis=0) / 255,
        scene.develop(raw).mean(axis=0),
        atol=0.006,
    )


def _core_pixels(blot):
    steps = np.arange(-8, 8, 0.1)
    at = np.stack(np.meshgrid(*(c + steps for c in layout.CENTRE_MM)), axis=-1).reshape(-1, 2)
    return at[blot.in_core(at)]


@pytest.mark.parametrize("orientation", range(1, 9))
def test_orientation_tag_brings_the_stored_pixels_upright(orientation):
    upright = np.arange(2 * 3 * 3, dtype=np.uint8).reshape(2, 3, 3)
    image = Image.fromarray(stored(upright, orientation))
    image.getexif()[ExifTags.Base.Orientation] = orientation
    np.testing.assert_array_equal(np.array(ImageOps.exif_transpose(image)), upright)


def test_turned_photo_looks_like_the_unturned(scene, photo):
    turned = photograph(scene, replace(VIEW, orientation=6), seed=4)
    assert Image.open(io.BytesIO(turned)).size == (1200, 1600)
    difference = _upright(turned).astype(float) - _upright(photo)
    assert np.abs(difference).mean() < 1.0


def test_spot_shadow_and_cover_show(scene, photo):
    clean = _upright(photo)
    x, y = layout.cells()[0].x_mm, layout.cells()[0].y_mm
    here = np.array([x, y])
    spot = _upright(photograph(scene, replace(VIEW, spots=(Spot(x, y, 2.0, 0.5),)), 4))
    assert (_mean_at(spot, VIEW, here) > _mean_at(clean, VIEW, here)).all()
    edge = ShadowEdge(*layout.CENTRE_MM, angle_deg=0, softness_mm=2, depth=0.5)
    shadow = _upright(photograph(scene, replace(VIEW, shadows=(edge,)), 4))
    left, right = np.array([8.0, 27.0]), np.array([77.6, 27.0])
    np.testing.assert_allclose(_mean_at(shadow, VIEW, left), _mean_at(clean, VIEW, left), atol=0.02)
    assert (_mean_at(shadow, VIEW, right) < 0.9 * _mean_at(clean, VIEW, right)).all()
    cover = _upright(photograph(scene, replace(VIEW, covers=(Cover(0, 0, 14, 14),)), 4))
    assert _mean_at(cover, VIEW, np.array([7.0, 7.0])).max() < 0.5


def test_bare_paper_without_a_blot(scene):
    none = draw_blot(np.random.default_rng(0), BlotKind.NONE)
    picture = _upright(photograph(scene, VIEW, 4, blot=none))
    middle = np.array(layout.CENTRE_MM)
    paper = scene.develop(scene.raw_paper * scene.shade(middle) + scene.glare)
    np.testing.assert_allclose(_mean_at(picture, VIEW, middle), paper, atol=0.012)


def test_blur_takes_detail_away(scene, photo):
    quiet = replace(VIEW, shot_noise=0.0, read_noise=0.0)
    shaken = photograph(scene, replace(quiet, motion_px=14, motion_deg=30, defocus_px=3), 4)
    assert _detail(shaken) < 0.1 * _detail(photo)


def _detail(data):
    return float(cv2.Laplacian(_upright(data), cv2.CV_64F).var())
