"""Real files by others, held against other decoders; and decoders that keep quiet.

The files and their licences are in ``phone_files``; nothing is fetched.
"""

import io
import struct
import subprocess
import sys
from pathlib import Path

import numpy as np
import pillow_heif
import pytest
from PIL import Image, ImageOps, features

from cardreader.core.refusal import Reason, Refusal
from cardreader.read import decoders
from cardreader.read.locate import locate
from cardreader.read.photo import MAX_PIXELS, MAX_PIXELS_UNSCALED, Photo, open_photo

FILES = Path(__file__).parent / "phone_files"
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


def test_avif_without_a_decoder_is_refused_in_words(monkeypatch):
    monkeypatch.setattr(features, "check_module", lambda name: name != "avif")
    refusal = open_photo((FILES / "turned.avif").read_bytes())
    assert isinstance(refusal, Refusal)
    assert refusal.detail == "AVIF: there is no decoder for it here; send a JPEG"


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
