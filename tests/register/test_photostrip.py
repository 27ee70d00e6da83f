"""Place and serial numbers go, the picture stays: looked at by other readers than the writer."""

from __future__ import annotations

import contextlib
import io
import struct
from pathlib import Path

import exifread
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from cardreader.register.photostrip import NotStrippedError, stripped

SAMPLES = Path(__file__).parents[2] / "sample_images" / "good"
SECRET = b"SN-INVENTED-77"
XMP = b'<?xpacket begin=""?><x:xmpmeta>' + SECRET + b'</x:xmpmeta><?xpacket end="w"?>'


def _exif() -> bytes:
    exif = Image.Exif()
    exif[0x010F], exif[0x0110], exif[0x0112] = "Invented", "Phone 1", 6
    exif[0xC62F] = SECRET.decode()  # CameraSerialNumber
    exif.get_ifd(0x8769).update(
        {0x9003: "2026:01:01 10:00:00", 0x829A: 0.01, 0xA431: SECRET.decode(), 0x927C: SECRET}
    )
    exif.get_ifd(0x8825).update({1: "N", 2: (1.0, 2.0, 3.0), 3: "E", 4: (4.0, 5.0, 6.0)})
    return exif.tobytes()


def _photo(kind: str) -> bytes:
    pillow_heif = pytest.importorskip("pillow_heif") if kind == "HEIF" else None
    if pillow_heif is not None:
        pillow_heif.register_heif_opener()
    pixels = np.random.default_rng(1).integers(0, 255, (64, 96, 3), dtype=np.uint8)
    out = io.BytesIO()
    more = {} if kind == "PNG" else {"xmp": XMP}
    Image.fromarray(pixels).save(out, kind, exif=_exif(), **more)
    data = out.getvalue()
    if kind == "JPEG":
        note = b"\xff\xfe" + struct.pack(">H", len(SECRET) + 2) + SECRET
        data = data[:2] + note + data[2:] + b"a film behind the photo: " + SECRET
    return data


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP", "HEIF"])
def test_secrets_go_and_the_picture_stays(kind):
    data = _photo(kind)
    kept = stripped(data)
    assert SECRET in data
    assert SECRET not in kept
    before, after = (Image.open(io.BytesIO(d)) for d in (data, kept))
    assert np.array_equal(np.asarray(before), np.asarray(after))
    assert after.getexif()[0x0110] == "Phone 1"
    assert after.getexif()[0x0112] == before.getexif()[0x0112]


@pytest.mark.parametrize("kind", ["JPEG", "PNG"])
def test_another_reader_finds_no_place(kind):
    """The exifread package, which shares no code with Pillow; it reads these two formats here."""
    before, after = (
        exifread.process_file(io.BytesIO(d)) for d in (_photo(kind), stripped(_photo(kind)))
    )
    assert any(name.startswith("GPS") for name in before)
    assert not any(name.startswith("GPS") or "Serial" in name for name in after)
    assert str(after["EXIF DateTimeOriginal"]) == "2026:01:01 10:00:00"


def test_a_synthetic_photo_reads_the_same():
    """One of the shipped samples: everything but the file's hash."""
    from cardreader.pipeline import read_photo
    from cardreader.reader import load_reader
    from cardreader.result.asjson import reading_json

    data = next(iter(sorted(SAMPLES.glob("*.jpg")))).read_bytes()
    reader = load_reader()
    one, two = (reading_json(read_photo(d, reader)) for d in (data, stripped(data)))
    for reading in (one, two):
        del reading["photo"]["sha256"]
    assert one == two


def test_progressive_scans_and_restart_marks_are_followed():
    pixels = np.random.default_rng(2).integers(0, 255, (64, 96, 3), dtype=np.uint8)
    for options in ({"progressive": True}, {"restart_marker_blocks": 1}):
        out = io.BytesIO()
        Image.fromarray(pixels).save(out, "JPEG", **options)
        kept = stripped(out.getvalue() + SECRET)
        assert SECRET not in kept
        assert np.array_equal(np.asarray(Image.open(io.BytesIO(kept))), np.asarray(Image.open(out)))


@pytest.mark.parametrize(
    "data", [b"", b"GIF89a", b"\xff\xd8", b"\xff\xd8\xff\xe1\xff\xff", b"RIFF\0\0\0\0WEBPVP8 "]
)
def test_what_is_no_whole_photo_is_not_taken_for_clean(data):
    with contextlib.suppress(NotStrippedError):
        assert len(stripped(data)) <= len(data) + 20


@given(st.binary(max_size=200), st.integers(0, 4000))
def test_hostile_bytes_raise_one_kind_of_error(noise, at):
    data = bytearray(_JPEG)
    data[at : at + len(noise)] = noise
    with contextlib.suppress(NotStrippedError):
        stripped(bytes(data))


_JPEG = _photo("JPEG")
