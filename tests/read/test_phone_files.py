"""Real files by others, held against other decoders; and decoders that keep quiet.

The files and their licences are in ``phone_files``; nothing is fetched.
"""

import io
import re
import struct
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import colour
import cv2
import numpy as np
import pillow_heif
import pytest
from PIL import Image, ImageCms, ImageOps, JpegImagePlugin, features

from cardreader.core.refusal import Reason, Refusal
from cardreader.pipeline import read_photo
from cardreader.read import decoders
from cardreader.read.locate import locate
from cardreader.read.photo import MAX_PIXELS, MAX_PIXELS_UNSCALED, Photo, open_photo
from cardreader.reader import load_reader

FILES = Path(__file__).parent / "phone_files"
GAIN_MAPPED = "pixel-8-pro-gain-map.jpg"
ISO_21496 = b"urn:iso:std:iso:ts:21496:-1\0"
P3_NAME = "Display P3 Gamut with sRGB Transfer"
WITH_AVIF = pytest.mark.skipif(not features.check("avif"), reason="no AVIF decoder here")


def opened(name: str) -> Photo:
    photo = open_photo((FILES / name).read_bytes())
    assert isinstance(photo, Photo), photo
    return photo


@pytest.mark.parametrize(
    ("name", "size", "maker", "profile"),
    [
        ("nokia-n70.jpg", (640, 480), "Nokia N70-1", ""),
        ("stereo.mpo", (640, 480), "Nintendo Nintendo 3DS", ""),
        ("twelve-megapixels.heic", (3024, 4032), "Apple iPhone 8 Plus", "Display P3"),
        (GAIN_MAPPED, (1056, 1879), "Google Pixel 8 Pro", P3_NAME),
        pytest.param("turned.avif", (640, 427), None, "", marks=WITH_AVIF),
    ],
)
def test_opens_upright_with_what_the_camera_said(name, size, maker, profile):
    pillow_heif.register_heif_opener()
    photo = opened(name)
    assert photo.full_size == size
    assert photo.exif.make_model == maker
    assert photo.icc_name == profile
    with Image.open(FILES / name) as other:
        upright = ImageOps.exif_transpose(other).convert("RGB").resize(photo.encoded.shape[1::-1])
    apart = np.abs(photo.encoded.astype(int) - np.asarray(upright).astype(int))
    assert apart.mean() < 3


@pytest.mark.parametrize("name", sorted(p.name for p in FILES.iterdir() if p.suffix[1:] in
                                        ("jpg", "mpo", "heic", "avif")))  # fmt: skip
def test_a_photo_without_a_card_is_said_to_have_none(name):
    photo = open_photo((FILES / name).read_bytes())
    if isinstance(photo, Refusal):  # AVIF without a decoder
        assert "send a JPEG" in photo.detail
        return
    result = locate(photo)
    assert isinstance(result, Refusal)
    assert result.reason is Reason.NO_CARD


@dataclass(frozen=True)
class GainMapped:
    """A JPEG with a gain map behind it, taken apart by its own index and metadata."""

    data: bytes
    map_at: int
    """Where the second picture begins, by the index of pictures (CIPA DC-007)."""

    @property
    def base(self) -> bytes:
        """The first picture alone: nothing behind it, nothing in it that names another."""
        named = (b"MPF\0", b"http://ns.adobe.com/xap/1.0/\0", ISO_21496)
        at, kept = 2, self.data[:2]
        while self.data[at + 1] != 0xDA:  # start of scan
            end = at + 2 + struct.unpack_from(">H", self.data, at + 2)[0]
            if not self.data[at + 4 : end].startswith(named):
                kept += self.data[at:end]
            at = end
        return kept + self.data[at : self.map_at]

    @property
    def gains(self) -> np.ndarray:
        """Stops that each pixel of the map adds on a screen bright enough."""
        behind = self.data[self.map_at :]
        low, high = (
            float(re.search(rb'hdrgm:GainMap%s="([\d.]+)"' % end, behind)[1])
            for end in (b"Min", b"Max")
        )
        # The map brings an index of its own that lists nothing; Image.open would warn of it.
        with JpegImagePlugin.JpegImageFile(io.BytesIO(behind)) as image:
            assert image.mode == "L"
            return low + (high - low) * np.asarray(image) / 255


@pytest.fixture(scope="module")
def gain_mapped() -> GainMapped:
    data = (FILES / GAIN_MAPPED).read_bytes()
    index = data.index(b"MPF\0MM\0*") + 4
    (entries,) = struct.unpack_from(">I", data, index + 8 + 2 + 2 * 12 + 8)
    (second_at,) = struct.unpack_from(">I", data, index + entries + 16 + 8)
    return GainMapped(data, index + second_at)


def test_the_phone_has_put_a_gain_map_behind_its_photo(gain_mapped):
    before, behind = gain_mapped.data[: gain_mapped.map_at], gain_mapped.data[gain_mapped.map_at :]
    assert b"<hdrgm:Version>1.0<" in before
    assert b"<Item:Semantic>GainMap<" in before
    assert f"<Item:Length>{len(behind)}<".encode() in before
    assert ISO_21496 in before
    assert ISO_21496 in behind
    assert behind.startswith(b"\xff\xd8\xff")
    # A quarter as wide and as high as the photo, and anything but even.
    assert gain_mapped.gains.shape == (469, 264)
    assert gain_mapped.gains.min() < 0.1
    assert gain_mapped.gains.max() > 1


@pytest.mark.parametrize("quick", [True, False])
def test_a_phones_gain_map_is_neither_taken_for_the_photo_nor_applied(
    quick, gain_mapped, monkeypatch
):
    if not quick:
        monkeypatch.setattr(decoders, "sound_jpeg", lambda *_: None)
    photo = opened(GAIN_MAPPED)
    with Image.open(io.BytesIO(gain_mapped.base)) as alone:
        assert alone.format == "JPEG"  # one picture; with the index Pillow calls it MPO
        base = np.asarray(alone)
    assert photo.encoded.shape == (1879, 1056, 3)
    # One JPEG decoder in two builds, as above; the gain map applied would lie far off.
    assert np.abs(photo.encoded.astype(int) - base).mean() < 0.5
    brighter = photo.to_linear(base) * 2 ** cv2.resize(gain_mapped.gains, (1056, 1879))[..., None]
    applied = np.clip(colour.models.eotf_inverse_sRGB(np.clip(brighter, 0, 1)) * 255, 0, 255)
    plain = colour.models.eotf_inverse_sRGB(np.clip(photo.to_linear(photo.encoded), 0, 1)) * 255
    bright = cv2.resize(gain_mapped.gains, (1056, 1879)) > 0.5
    assert bright.mean() > 0.05
    assert np.abs(applied - plain)[bright].mean() > 20


def test_its_colours_are_those_littlecms_finds(gain_mapped):
    photo = opened(GAIN_MAPPED)
    with Image.open(io.BytesIO(gain_mapped.base)) as alone:
        profile = ImageCms.ImageCmsProfile(io.BytesIO(alone.info["icc_profile"]))
        other = ImageCms.profileToProfile(
            *(alone, profile, ImageCms.createProfile("sRGB")),
            renderingIntent=ImageCms.Intent.RELATIVE_COLORIMETRIC,
        )
    theirs = np.asarray(other)[::10, ::10].astype(float)
    ours = photo.to_linear(photo.encoded[::10, ::10])
    inside = ((theirs > 8) & (theirs < 247) & (ours > 0)).all(axis=2)
    assert inside.mean() > 0.3
    ours = colour.models.eotf_inverse_sRGB(np.clip(ours, 0, 1)) * 255
    assert np.abs(ours - theirs)[inside].mean() < 0.6
    # The orange ring, which sRGB for the same numbers would leave duller.
    unread = np.abs(photo.encoded[::10, ::10] - theirs)
    assert unread[inside].mean() > 2 * np.abs(ours - theirs)[inside].mean()


def test_a_gain_map_cut_short_leaves_the_photo_and_a_photo_cut_short_is_refused(gain_mapped):
    whole = opened(GAIN_MAPPED)
    cut = open_photo(gain_mapped.data[: gain_mapped.map_at + 3000])
    assert isinstance(cut, Photo)
    np.testing.assert_array_equal(cut.encoded, whole.encoded)
    refusal = open_photo(gain_mapped.data[: gain_mapped.map_at - 3000])
    assert isinstance(refusal, Refusal)
    assert refusal.reason is Reason.NOT_AN_IMAGE


def test_the_whole_reader_finds_no_card_beside_a_gain_map(gain_mapped):
    reading = read_photo(gain_mapped.data, load_reader())
    assert reading.refusal is not None
    assert reading.refusal.reason is Reason.NO_CARD
    assert reading.estimate is None


@pytest.mark.parametrize("name", sorted(p.name for p in FILES.iterdir() if p.suffix[1:] in
                                        ("jpg", "mpo", "heic", "avif")))  # fmt: skip
def test_none_tells_where_it_was_taken(name):
    if name.endswith("avif") and not features.check("avif"):
        pytest.skip("no AVIF decoder here")
    pillow_heif.register_heif_opener()
    with Image.open(FILES / name) as image:
        told = image.getexif().get_ifd(0x8825)
    # Latitude, longitude, altitude and the hour by satellite; a bearing says no place.
    assert not set(range(1, 8)) & set(told)


def test_avif_without_a_decoder_is_refused_in_words(monkeypatch):
    monkeypatch.setattr(features, "check_module", lambda name: name != "avif")
    refusal = open_photo((FILES / "turned.avif").read_bytes())
    assert isinstance(refusal, Refusal)
    assert refusal.detail == "AVIF: there is no decoder for it here; send a JPEG"
    assert refusal.reason is Reason.FORMAT_NOT_READ


def test_avif_under_a_general_brand_is_known_for_one():
    box = struct.pack(">I4s4sI4s4s", 24, b"ftyp", b"mif1", 0, b"mif1", b"avif")
    assert decoders.kind_of(box) == "AVIF"
    assert decoders.kind_of(box.replace(b"avif", b"heic")) == "HEIF"


def test_the_largest_photos_that_phones_store_pass():
    # 200-megapixel phones store 12240 x 16320; 50-megapixel ones 8160 x 6144.
    assert MAX_PIXELS >= 12240 * 16320
    assert MAX_PIXELS_UNSCALED >= 8160 * 6144


def test_heif_is_decoded_without_a_copy_of_every_pixel():
    # numpy says whose memory a picture lies in: the decoder's own, not a copy.
    picture = np.full((600, 800, 3), 90, np.uint8)
    out = io.BytesIO()
    pillow_heif.from_pillow(Image.fromarray(picture)).save(out, quality=90)
    header = decoders.open_header(out.getvalue(), "HEIF")
    pixels = decoders.pixels(out.getvalue(), "HEIF", header, 1)
    assert pixels is not None
    assert not pixels.flags["OWNDATA"]


def _odd_files() -> dict[str, bytes]:
    picture = np.random.default_rng(3).integers(0, 255, (480, 640, 3), dtype=np.uint8)
    files = {}
    for kind, more in (("JPEG", {}), ("PNG", {}), ("TIFF", {"compression": "tiff_lzw"})):
        out = io.BytesIO()
        Image.fromarray(picture).save(out, kind, **more)
        files[kind] = out.getvalue()
    jpeg, tiff = bytearray(files["JPEG"]), bytearray(files["TIFF"])
    jpeg[len(jpeg) // 2 : len(jpeg) // 2 + 60] = bytes(range(60))
    tiff[200:260] = bytes(60)
    out = io.BytesIO()
    Image.fromarray(picture).save(out, "PNG", icc_profile=b"not a profile at all" * 9)
    return {"a.jpg": bytes(jpeg), "b.tif": bytes(tiff), "c.png": out.getvalue()}


def test_decoders_say_nothing_on_the_terminal(tmp_path):
    for name, data in _odd_files().items():
        (tmp_path / name).write_bytes(data)
    code = (
        "import pathlib, sys; from cardreader.read.photo import open_photo\n"
        "for p in sorted(pathlib.Path(sys.argv[1]).iterdir()): open_photo(p.read_bytes())"
    )
    ran = subprocess.run(
        [sys.executable, "-c", code, str(tmp_path)], capture_output=True, text=True
    )
    assert ran.returncode == 0
    assert ran.stderr == ""
