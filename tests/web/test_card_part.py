"""The card's part of a photo: blocks of the JPEG taken over as they are, against other decoders.

What is cut must show, in Pillow's decoder (libjpeg-turbo), exactly the pixels of the original;
and ``jpegtran -crop`` (libjpeg-turbo's own lossless crop), must make
the same file of the one as of the other, byte for byte, so that every coefficient is the same.
"""

from __future__ import annotations

import base64
import io
import shutil
import subprocess
from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np
import pytest
from browserkit import CHROMIUM_OPTIONS, ROOT, chromium_path, missing
from PIL import Image, ImageCms
from playwright.sync_api import Page

from cardreader.pipeline import read_photo
from cardreader.read.phonenote import CardPart, phone_note
from cardreader.reader import load_reader
from cardreader.simulate.samples import TODAY

STATIC = ROOT / "cardreader" / "web" / "static"
SAMPLE = ROOT / "sample_images" / "good" / "mild-10.8-led.jpg"
SCRIPTS = (
    *("card", "markers", "pictures", "segments", "jpegbits", "jpegin", "jpegout"),
    *("cardpart", "reduce"),
)
SAMPLINGS = {
    "4:4:4": cv2.IMWRITE_JPEG_SAMPLING_FACTOR_444,
    "4:2:2": cv2.IMWRITE_JPEG_SAMPLING_FACTOR_422,
    "4:2:0": cv2.IMWRITE_JPEG_SAMPLING_FACTOR_420,
    "4:4:0": cv2.IMWRITE_JPEG_SAMPLING_FACTOR_440,
    "4:1:1": cv2.IMWRITE_JPEG_SAMPLING_FACTOR_411,
}
FUNCTIONS = """
window.bytesOf = (text) => Uint8Array.from(atob(text), (c) => c.charCodeAt(0));
window.textOf = (bytes) => {
  let text = '';
  for (const byte of bytes) text += String.fromCharCode(byte);
  return btoa(text);
};
window.cut = async ([text, [left, top, right, bottom], size]) => {
  const original = bytesOf(text);
  const facts = Segments.facts(original);
  if (!facts) return null;
  const outline = [[left, top], [right, top], [right, bottom], [left, bottom]];
  const [width, height] = size;
  const made = CardPart.cut(original, outline, { width, height }, facts, Segments.comment('x'));
  return made && textOf(made);
};
window.make = async (text) => {
  const made = await Reduce.make({ blob: new Blob([bytesOf(text)], { type: 'image/jpeg' }) });
  return made && textOf(new Uint8Array(made.bytes));
};
"""


@dataclass(frozen=True)
class Codec:
    """The pages' scripts in a browser."""

    page: Page

    def cut(self, data: bytes, box: tuple[int, ...], size: tuple[int, int]) -> bytes | None:
        """The part of a JPEG within a box of upright pixels, or None where there is none."""
        made = self.page.evaluate("cut", [_text(data), list(box), list(size)])
        return None if made is None else base64.b64decode(made)

    def make(self, data: bytes) -> bytes | None:
        """What the phone sends of a photo over a slow link, or None for the photo itself."""
        made = self.page.evaluate("make", _text(data))
        return None if made is None else base64.b64decode(made)


def _text(data: bytes) -> str:
    return base64.b64encode(data).decode()


@pytest.fixture(scope="module")
def codec(playwright) -> Iterator[Codec]:
    browser = playwright.chromium.launch(executable_path=chromium_path(), args=CHROMIUM_OPTIONS)
    page = browser.new_page()
    for script in SCRIPTS:
        page.add_script_tag(path=STATIC / f"{script}.js")
    page.add_script_tag(content=FUNCTIONS)
    yield Codec(page)
    browser.close()


def scene(seed: int, size: tuple[int, int]) -> np.ndarray:
    """A made-up picture (H, W, 3): smooth hills, sharp squares and noise."""
    rng = np.random.default_rng([3141, seed])
    width, height = size
    rough = rng.integers(0, 256, (5, 6, 3), dtype=np.uint8)
    picture = cv2.resize(rough, size, interpolation=cv2.INTER_CUBIC).astype(float)
    for _ in range(12):
        x, y = rng.integers(0, width), rng.integers(0, height)
        picture[y : y + height // 6, x : x + width // 6] = rng.integers(0, 256, 3)
    picture += rng.normal(0, 3 + 9 * (seed % 3), picture.shape)
    return np.clip(picture, 0, 255).astype(np.uint8)


def made(seed: int) -> tuple[bytes, tuple[int, int], tuple[int, int, int, int]]:
    """A made JPEG of one of many kinds, its size, and a box in it."""
    rng = np.random.default_rng([2718, seed])
    size = (int(rng.integers(120, 260)), int(rng.integers(100, 220)))
    options = [cv2.IMWRITE_JPEG_QUALITY, int(rng.choice([35, 75, 92, 98, 100]))]
    options += [cv2.IMWRITE_JPEG_SAMPLING_FACTOR, list(SAMPLINGS.values())[seed % 5]]
    options += [cv2.IMWRITE_JPEG_RST_INTERVAL, int(rng.choice([0, 0, 1, 3, 7, 50]))]
    options += [cv2.IMWRITE_JPEG_OPTIMIZE, int(rng.integers(0, 2))]
    options += [cv2.IMWRITE_JPEG_PROGRESSIVE, seed // 5 % 2]
    picture = scene(seed, size)
    if seed % 11 == 10:
        picture = picture[..., 1]
    _, data = cv2.imencode(".jpg", picture, options)
    left, top = int(rng.integers(0, size[0] // 2)), int(rng.integers(0, size[1] // 2))
    right = int(rng.integers(left + 30, size[0] + 20))
    bottom = int(rng.integers(top + 30, size[1] + 20))
    return data.tobytes(), size, (left, top, right, bottom)


def pixels(data: bytes) -> np.ndarray:
    """As stored, by Pillow."""
    return np.asarray(Image.open(io.BytesIO(data)))


def within(picture: np.ndarray, box: tuple[int, ...]) -> np.ndarray:
    left, top, right, bottom = (max(at, 0) for at in box)
    return picture[top : bottom + 1, left : right + 1]


@pytest.mark.parametrize("seed", range(40))
def test_the_part_shows_the_originals_pixels(codec, seed):
    data, size, box = made(seed)
    part = codec.cut(data, box, size)
    assert part is not None
    before, after = pixels(data), pixels(part)
    assert after.shape == before.shape
    np.testing.assert_array_equal(within(after, box), within(before, box))
    # Far from the box there is one colour.
    far = after[box[3] + 48 :, : max(size[0] - 32, 0)]
    if far.size:
        assert (far == far[:1, :1]).all()


def _jpegtran() -> str:
    path = shutil.which("jpegtran")
    if path is None:
        missing("jpegtran")
    return str(path)


@pytest.mark.parametrize("seed", range(40))
def test_every_coefficient_is_the_originals(codec, seed, tmp_path):
    jpegtran = _jpegtran()
    data, size, box = made(seed)
    left, top = box[:2]
    right, bottom = min(box[2], size[0]), min(box[3], size[1])
    crop = f"{right - left}x{bottom - top}+{left}+{top}"
    cropped = []
    for name, one in (("original", data), ("part", codec.cut(data, box, size))):
        (tmp_path / name).write_bytes(one)
        command = [jpegtran, "-copy", "none", "-optimize", "-crop", crop, tmp_path / name]
        cropped.append(subprocess.run(command, capture_output=True, check=True).stdout)
    assert cropped[0] == cropped[1]


SCANS = {
    "a component a scan": "0;\n1;\n2;\n",
    "as libjpeg's own": "0,1,2: 0-0, 0, 1;\n0: 1-5, 0, 2;\n2: 1-63, 0, 1;\n1: 1-63, 0, 1;\n"
    "0: 6-63, 0, 2;\n0: 1-63, 2, 1;\n0,1,2: 0-0, 1, 0;\n2: 1-63, 1, 0;\n1: 1-63, 1, 0;\n"
    "0: 1-63, 1, 0;\n",
    "bit by bit": "0: 0-0, 0, 0;\n1: 0-0, 0, 3;\n2: 0-0, 0, 0;\n1: 0-0, 3, 2;\n1: 0-0, 2, 1;\n"
    "1: 0-0, 1, 0;\n0: 1-63, 0, 3;\n0: 1-63, 3, 2;\n0: 1-63, 2, 1;\n0: 1-63, 1, 0;\n"
    "1: 1-9, 0, 0;\n1: 10-63, 0, 0;\n2: 1-63, 0, 0;\n",
}


@pytest.mark.parametrize("order", SCANS)
def test_scans_may_come_in_any_order_that_the_standard_has(codec, order, tmp_path):
    jpegtran = _jpegtran()
    data, size, box = made(42)
    (tmp_path / "photo").write_bytes(data)
    (tmp_path / "scans").write_text(SCANS[order])
    for options in (["-restart", "3B"], []):
        command = [jpegtran, *options, "-scans", tmp_path / "scans", tmp_path / "photo"]
        other = subprocess.run(command, capture_output=True, check=True).stdout
        part = pixels(codec.cut(other, box, size))
        np.testing.assert_array_equal(within(part, box), within(pixels(other), box))


@pytest.mark.parametrize("name", ["nokia-n70.jpg", "stereo.mpo", "pixel-8-pro-gain-map.jpg"])
def test_files_of_real_phones_are_taken_apart(codec, name):
    """Two pictures one after the other, the second for the other eye or a gain map: the first is
    the photo."""
    data = (ROOT / "tests" / "read" / "phone_files" / name).read_bytes()
    size = Image.open(io.BytesIO(data)).size
    whole = codec.cut(data, (0, 0, *size), size)
    np.testing.assert_array_equal(pixels(whole), pixels(data))


@pytest.mark.parametrize("seed", range(0, 40, 4))
def test_the_whole_of_a_picture_is_that_picture(codec, seed):
    data, size, _ = made(seed)
    whole = codec.cut(data, (-50, -50, size[0] + 50, size[1] + 50), size)
    np.testing.assert_array_equal(pixels(whole), pixels(data))
    assert len(whole) < 1.3 * len(data) + 500


# --- what is odd goes the other way ---------------------------------------------------------


def small(**options) -> bytes:
    out = io.BytesIO()
    Image.fromarray(scene(1, (160, 120))).save(out, "JPEG", quality=90, **options)
    return out.getvalue()


def with_frame(data: bytes, code: int, precision: int = 8) -> bytes:
    """The frame's marker and precision changed: another process of T.81, table B.1."""
    at = data.index(b"\xff\xc0")
    return (
        data[: at + 1] + bytes([code]) + data[at + 2 : at + 4] + bytes([precision]) + data[at + 5 :]
    )


def test_other_processes_and_formats_are_left_alone(codec):
    plain = small()
    cmyk = io.BytesIO()
    Image.fromarray(scene(2, (160, 120))).convert("CMYK").save(cmyk, "JPEG")
    png = io.BytesIO()
    Image.fromarray(scene(2, (160, 120))).save(png, "PNG")
    other = {
        "arithmetic": with_frame(plain, 0xC9),
        "lossless": with_frame(plain, 0xC3),
        "differential": with_frame(plain, 0xC5),
        "12 bits": with_frame(plain, 0xC1, 12),
        "four colours": cmyk.getvalue(),
        "PNG": png.getvalue(),
        "nothing": b"",
        "start alone": b"\xff\xd8",
        "no picture": b"\xff\xd8\xff\xd9",
        "another size": None,
    }
    box = (20, 20, 90, 90)
    assert codec.cut(plain, box, (160, 120)) is not None
    for what, data in other.items():
        size = (160, 120) if data is not None else (160, 121)
        assert codec.cut(plain if data is None else data, box, size) is None, what


def test_cut_short_anywhere_it_is_left_alone(codec):
    for data in (small(), small(progressive=True), small(restart_marker_blocks=4)):
        for share in np.linspace(0.02, 0.995, 24):
            short = data[: int(share * len(data))]
            assert codec.cut(short, (20, 20, 90, 90), (160, 120)) is None
        assert codec.cut(data[:-2], (20, 20, 90, 90), (160, 120)) is None


def test_damaged_anywhere_there_is_no_broken_file(codec):
    """Whatever is made of damaged files opens, at the size it should have."""
    rng = np.random.default_rng(1618)
    kinds = [small(), small(progressive=True), small(restart_marker_blocks=4)]
    opened = 0
    for k in range(120):
        data = bytearray(kinds[k % 3])
        for at in rng.integers(2, len(data), 1 + k % 3):
            data[at] = rng.integers(0, 256)
        part = codec.cut(bytes(data), (20, 20, 90, 90), (160, 120))
        if part is not None:
            opened += 1
            assert pixels(part).shape[:2] == (120, 160)
    assert opened  # a changed coefficient is a picture, too


# --- the whole way ----------------------------------------------------------------------------


def upright_sample() -> Image.Image:
    return Image.open(SAMPLE).reduce(2)


def encoded(picture: Image.Image, **options) -> bytes:
    out = io.BytesIO()
    picture.save(out, "JPEG", quality=95, **options)
    return out.getvalue()


def turned(picture: Image.Image, orientation: int) -> bytes:
    """Stored another way, with the tag that says how (EXIF 2.32)."""
    back = [
        *(None, Image.Transpose.FLIP_LEFT_RIGHT, Image.Transpose.ROTATE_180),
        *(Image.Transpose.FLIP_TOP_BOTTOM, Image.Transpose.TRANSPOSE, Image.Transpose.ROTATE_90),
        *(Image.Transpose.TRANSVERSE, Image.Transpose.ROTATE_270),
    ][orientation - 1]
    exif = Image.Exif()
    exif[0x0112] = orientation
    stored = picture if back is None else picture.transpose(back)
    return encoded(stored, exif=exif)


@pytest.mark.slow
def test_the_reading_stays_whichever_way_the_photo_is_stored(codec):
    reader = load_reader(today=TODAY)
    for orientation in range(1, 9):
        data = turned(upright_sample(), orientation)
        part = codec.make(data)
        assert len(part) < 0.6 * len(data), orientation
        assert isinstance(phone_note(Image.open(io.BytesIO(part)).info["comment"]), CardPart)
        if orientation in (1, 6, 7):
            before, after = read_photo(data, reader), read_photo(part, reader)
            # Measured over 100 photos: at most 0.0001.
            assert abs(after.estimate.hb_g_dl - before.estimate.hb_g_dl) < 0.001
            assert after.photo.full_size == before.photo.full_size


def camera_exif() -> Image.Exif:
    exif = Image.Exif()
    exif[0x010F], exif[0x0110] = "Invented", "Phone 1"
    exif[0x0112] = 1
    exif.get_ifd(0x8769)[0x9003] = "2026:05:04 10:11:12"
    exif.get_ifd(0x8769)[0xA431] = "SERIAL-77"
    exif.get_ifd(0x8825)[2] = (1.0, 2.0, 3.0)
    return exif


def segments(data: bytes) -> list[int]:
    """Codes of the segments up to the first scan."""
    at, codes = 2, []
    while data[at + 1] != 0xDA:
        codes.append(data[at + 1])
        at += 2 + int.from_bytes(data[at + 2 : at + 4], "big")
    return codes


def test_camera_and_colours_go_along_and_the_place_stays(codec):
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    data = encoded(upright_sample(), exif=camera_exif(), icc_profile=profile, comment=b"a secret")
    part = codec.make(data)
    opened = Image.open(io.BytesIO(part))
    exif = opened.getexif()
    assert (exif[0x010F], exif[0x0110], exif[0x0112]) == ("Invented", "Phone 1", 1)
    assert dict(exif.get_ifd(0x8769)) == {0x9003: "2026:05:04 10:11:12"}
    assert not exif.get_ifd(0x8825)
    assert opened.info["icc_profile"] == profile
    assert b"SERIAL-77" not in part
    assert b"secret" not in part
    assert set(segments(part)) <= {0xE0, 0xE1, 0xE2, 0xFE, 0xDB, 0xC2, 0xC4}


def test_what_the_browser_shows_otherwise_is_not_sent(codec):
    """A fault of ours, put in: a coefficient of every block is one more than it was."""
    codec.page.evaluate("""() => {
      window.rightly = JpegOut.encode;
      JpegOut.encode = (picture, ...more) => {
        const { data } = picture.components[0];
        for (let k = 0; k < data.length; k += 64) data[k] += 1;
        return rightly(picture, ...more);
      };
    }""")
    try:
        made_otherwise = codec.make(encoded(upright_sample()))
    finally:
        codec.page.evaluate("() => { JpegOut.encode = rightly; }")
    if made_otherwise is not None:
        assert b"cardreader-part" not in made_otherwise
    assert b"cardreader-part" in codec.make(encoded(upright_sample()))


def test_two_cards_are_not_made_one(codec):
    """The reader refuses two cards; a part with one of them would be read."""
    one = upright_sample()
    both = Image.new("RGB", (one.width, 2 * one.height))
    both.paste(one, (0, 0))
    both.paste(one, (0, one.height))
    part = codec.make(encoded(both))
    note = None if part is None else phone_note(Image.open(io.BytesIO(part)).info.get("comment"))
    assert not isinstance(note, CardPart)
