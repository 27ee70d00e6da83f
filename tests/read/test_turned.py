"""Turned views against OpenCV's and NumPy's own turning, sampling and interpolation."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from PIL import Image, ImageOps

from cardreader.read.turned import between, channel, nearest, shrunk, solid, turned

STORED = np.random.default_rng(7).integers(0, 256, (60, 90, 3), dtype=np.uint8)
WAYS = pytest.mark.parametrize("way", range(1, 9))


def upright(way: int) -> np.ndarray:
    """As Pillow turns it (ImageOps.exif_transpose), laid out anew."""
    image = Image.fromarray(STORED)
    image.getexif()[0x0112] = way
    return np.array(ImageOps.exif_transpose(image))


@WAYS
def test_turned_as_pillow_turns(way):
    view = turned(STORED, way)
    assert np.shares_memory(view, STORED)
    np.testing.assert_array_equal(view, upright(way))


@WAYS
@pytest.mark.parametrize("depth", [np.uint8, np.uint16])
def test_copies_lie_in_rows(way, depth):
    view = turned(STORED.astype(depth), way)[7:40, 5:50]
    np.testing.assert_array_equal(solid(view), view)
    assert solid(view).flags.c_contiguous
    np.testing.assert_array_equal(channel(view, 1), view[..., 1])


@WAYS
@pytest.mark.parametrize("size", [(40, 52), (41, 52), (40, 51)])
@pytest.mark.parametrize("factor", [0.5, 0.496])
@pytest.mark.parametrize("depth", [np.uint8, np.uint16])
def test_shrunk_as_if_turned_before(way, size, factor, depth):
    """To the last digit, whether it is turned before or after."""
    top = np.iinfo(depth).max
    stored = np.random.default_rng(way).integers(0, top, (*size, 3), depth, endpoint=True)
    view = channel(turned(stored, way), 1)
    want = cv2.resize(
        np.ascontiguousarray(view), None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA
    )
    small = shrunk(view, factor)
    np.testing.assert_array_equal(small, want)
    assert small.flags.c_contiguous


def test_what_lies_in_rows_is_not_copied():
    assert solid(STORED) is STORED


@WAYS
def test_nearest_pixels(way):
    view, whole = turned(STORED, way), upright(way)
    at = np.random.default_rng(way).uniform(-5, 100, (4, 50, 2))
    x, y = (
        np.clip(np.rint(at[..., k]).astype(int), 0, size - 1)
        for k, size in ((0, whole.shape[1]), (1, whole.shape[0]))
    )
    np.testing.assert_array_equal(nearest(view, at), whole[y, x])


@WAYS
@pytest.mark.parametrize("spread", [(10, 50), (-8, 20), (40, 120), (200, 300)])
def test_between_pixels(way, spread):
    """What is cut out and turned reads as the whole picture does, to the last digit."""
    view, whole = turned(STORED, way), upright(way)
    x, y = np.random.default_rng(way).uniform(*spread, (2, 6, 30))
    maps = x.astype(np.float32), y.astype(np.float32)
    want = cv2.remap(whole, *maps, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    np.testing.assert_array_equal(between(view, x, y), want)
    np.testing.assert_array_equal(between(channel(view, 1), x, y), want[..., 1])


@pytest.mark.parametrize("odd", [np.nan, np.inf, -1e30])
def test_a_point_nowhere_is_no_fault(odd):
    at = np.array([[[odd, 5.0], [4.0, 5.0]]])
    assert nearest(STORED, at).shape == (1, 2, 3)
    assert between(STORED, at[..., 0], at[..., 1]).shape == (1, 2, 3)
    np.testing.assert_array_equal(nearest(STORED, at)[0, 1], STORED[5, 4])
