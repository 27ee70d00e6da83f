"""Two decoders of JPEG that must not be told apart: the quick one, and Pillow where it is odd."""

from __future__ import annotations

import io
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image

from cardreader.core.refusal import Refusal
from cardreader.read import decoders
from cardreader.read.decoders import open_header, pixels, sound_jpeg
from cardreader.read.photo import Photo, open_photo

pytest.importorskip("simplejpeg")

ROOT = Path(__file__).parents[2]
SAMPLINGS = {
    name: getattr(cv2, f"IMWRITE_JPEG_SAMPLING_FACTOR_{name}")
    for name in ("411", "420", "422", "440", "444")
}


@cache
def picture(height: int, width: int) -> np.ndarray:
    """Noise over a slope, so that every coefficient and every edge has something to say."""
    rng = np.random.default_rng(8)
    slope = np.linspace(0, 200, width)[None, :, None] * np.linspace(0.3, 1, height)[:, None, None]
    return np.clip(slope + rng.normal(0, 25, (height, width, 3)), 0, 255).astype(np.uint8)


@cache
def encoded(size: tuple[int, int], sampling: str, more: tuple[int, ...]) -> bytes:
    options = [cv2.IMWRITE_JPEG_SAMPLING_FACTOR, SAMPLINGS[sampling], *more]
    return cv2.imencode(".jpg", picture(*size), options)[1].tobytes()


def by_pillow(data: bytes, divisor: int, monkeypatch: pytest.MonkeyPatch) -> np.ndarray:
    with monkeypatch.context() as patch:
        patch.setattr(decoders, "sound_jpeg", lambda *_: None)
        found = pixels(data, "JPEG", open_header(data, "JPEG"), divisor)
    assert found is not None
    return found


@pytest.mark.parametrize("divisor", [1, 2, 4, 8])
@pytest.mark.parametrize("size", [(600, 801), (517, 640)])
@pytest.mark.parametrize("sampling", SAMPLINGS)
@pytest.mark.parametrize(
    "more", [(), (cv2.IMWRITE_JPEG_PROGRESSIVE, 1), (cv2.IMWRITE_JPEG_RST_INTERVAL, 5)]
)
def test_the_values_are_pillows(
    divisor: int,
    size: tuple[int, int],
    sampling: str,
    more: tuple[int, ...],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    data = encoded(size, sampling, more)
    quick = sound_jpeg(data, open_header(data, "JPEG"), divisor)
    assert quick is not None
    np.testing.assert_array_equal(quick, by_pillow(data, divisor, monkeypatch))


def test_every_sample_is_decoded_by_both_alike(monkeypatch: pytest.MonkeyPatch) -> None:
    paths = sorted((ROOT / "sample_images" / "good").glob("*.jpg"))[:4]
    paths += sorted((Path(__file__).parent / "phone_files").glob("*.jp*g"))
    assert len(paths) > 4
    for path in paths:
        data = path.read_bytes()
        quick = open_photo(data)
        with monkeypatch.context() as patch:
            patch.setattr(decoders, "sound_jpeg", lambda *_: None)
            plain = open_photo(data)
        assert type(quick) is type(plain), path.name
        if isinstance(quick, Photo) and isinstance(plain, Photo):
            np.testing.assert_array_equal(quick.encoded, plain.encoded, err_msg=path.name)


def damaged(data: bytes, how: str) -> bytes:
    middle = len(data) // 2
    match how:
        case "bytes before the end marker":
            return data[:-2] + bytes(40) + data[-2:]
        case "a stretch of scan overwritten":
            return data[:middle] + b"\x55" * 400 + data[middle + 400 :]
        case "a marker within the scan":
            return data[:middle] + b"\xff\xd3" + data[middle + 2 :]
    raise ValueError(how)


@pytest.mark.parametrize(
    "how",
    ["bytes before the end marker", "a stretch of scan overwritten", "a marker within the scan"],
)
def test_what_is_odd_comes_to_what_pillow_makes_of_it(
    how: str, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    data = damaged(cv2.imencode(".jpg", picture(900, 1200))[1].tobytes(), how)
    quick = open_photo(data)
    with monkeypatch.context() as patch:
        patch.setattr(decoders, "sound_jpeg", lambda *_: None)
        plain = open_photo(data)
    assert type(quick) is type(plain)
    if isinstance(quick, Refusal) and isinstance(plain, Refusal):
        assert quick.reason is plain.reason
    elif isinstance(quick, Photo) and isinstance(plain, Photo):
        np.testing.assert_array_equal(quick.encoded, plain.encoded)
    assert capfd.readouterr() == ("", ""), "a decoder spoke to the terminal"


def test_another_colour_space_is_left_to_pillow() -> None:
    stream = io.BytesIO()
    Image.new("CMYK", (600, 600), (10, 20, 30, 40)).save(stream, "JPEG")
    data = stream.getvalue()
    assert sound_jpeg(data, open_header(data, "JPEG"), 1) is None
