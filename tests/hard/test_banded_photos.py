"""Photos with the bands of a rolling shutter, drawn by the package's renderer, read rightly."""

from __future__ import annotations

import io
from datetime import date
from functools import cache

import pytest
from conditions import CONDITIONS
from PIL import Image, ImageOps
from sitting import draw_sitting
from verdict import Fate, judge

from cardreader.card.lots import Lots
from cardreader.core.shipped import shipped
from cardreader.decide.protocolfile import load_protocol
from cardreader.hb.calibration import Calibration
from cardreader.pipeline import read_photo
from cardreader.read.banding import find_banding
from cardreader.reader import Reader
from cardreader.result.reading import Reading

SEED, DEPTH = 41, 0.05
CONDITION = {c.name: c for c in CONDITIONS}


@cache
def reader() -> Reader:
    return Reader(
        Lots.load(shipped("lots")),
        Calibration.load(shipped("default")),
        load_protocol(),
        date(2026, 11, 2),
    )


def on_its_side(data: bytes) -> bytes:
    """The upright picture turned by a quarter: its rows become columns."""
    upright = ImageOps.exif_transpose(Image.open(io.BytesIO(data)))
    out = io.BytesIO()
    upright.transpose(Image.Transpose.ROTATE_90).save(out, "JPEG", quality=95, subsampling=0)
    return out.getvalue()


@cache
def _photo(index: int, depth: float) -> tuple[bytes, float]:
    sitting = draw_sitting(SEED, 0, index)
    return CONDITION["flicker bands"].make(sitting, depth), sitting.scene.hb_g_dl


@cache
def _read(index: int, depth: float, turned: bool) -> Reading:
    data = _photo(index, depth)[0]
    return read_photo(on_its_side(data) if turned else data, reader())


@pytest.mark.parametrize("turned", [False, True])
@pytest.mark.parametrize("index", [0, 1, 2])
def test_bands_of_5_percent_are_taken_off_and_the_truth_lies_within(index, turned):
    out = _read(index, DEPTH, turned)
    assert out.photo is not None
    assert out.pose is not None
    assert find_banding(out.photo, out.pose).axis == (0 if turned else 1)
    assert judge(out, _photo(index, DEPTH)[1], True, reader().protocol).fate is Fate.READ


@pytest.mark.parametrize("index", [0, 1, 2])
def test_the_reading_is_the_one_without_bands(index):
    still, banded = (_read(index, depth, False).estimate for depth in (0.0, DEPTH))
    assert still is not None
    assert banded is not None
    # Within what the still photo leaves open; left on, the bands get two of these refused.
    low, high = still.interval_g_dl
    assert abs(banded.hb_g_dl - still.hb_g_dl) < (high - low) / 2
