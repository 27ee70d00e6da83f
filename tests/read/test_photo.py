"""Opening photos: header limits, orientation, profiles, depth, and hostile bytes."""

import hashlib
import io
import struct
import sys
import zlib
from datetime import datetime
from functools import cache

import colour
import cv2
import numpy as np
import pillow_heif
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image, ImageCms, ImageOps
from rig import jpeg

from cardreader.colour.icc import Curve, ProfileError, read_profile
from cardreader.core.refusal import Reason, Refusal
from cardreader.read import decoders
from cardreader.read.photo import MAX_FILE_BYTES, Photo, open_photo


def picture(width=640, height=480, seed=0):
    """Smooth coloured picture, different in every corner."""
    rng = np.random.default_rng(seed)
    small = Image.fromarray(rng.integers(20, 235, (6, 8, 3), dtype=np.uint8))
    return np.asarray(small.resize((width, height), Image.Resampling.BICUBIC))


def as_bytes(array, kind, **more):
    out = io.BytesIO()
    Image.fromarray(array).save(out, kind, **more)
    return out.getvalue()


def opened(data) -> Photo:
    photo = open_photo(data)
    assert isinstance(photo, Photo), photo
    return photo


def reason(data):
    refusal = open_photo(data)
    assert isinstance(refusal, Refusal)
    assert refusal.stage == "photo"
    return refusal.reason


@pytest.mark.parametrize("orientation", range(1, 9))
def test_orientation_agrees_with_pillow(orientation):
    stored = picture()
    data = jpeg(stored, orientation, quality=98)
    photo = opened(data)
    reference = np.asarray(ImageOps.exif_transpose(Image.open(io.BytesIO(data))))
    assert photo.encoded.shape == reference.shape
    # The two use one JPEG decoder in two builds; a turned picture differs by far more.
    assert np.abs(photo.encoded.astype(int) - reference).mean() < 2
    assert photo.full_size == (reference.shape[1], reference.shape[0])
    assert photo.exif.orientation == orientation


def test_exif_facts():
    exif = opened(jpeg(picture(), 1)).exif
    assert exif.make_model == "Invented Rig 1"
    assert exif.taken is not None
    assert exif.taken.isoformat() == "2026-03-04T05:06:07"


@pytest.mark.parametrize(
    "text",
    [
        *(
            "2026:03:04 05:06:07",
            "2026:3:4 5:6:7",
            " 2026:03:04  05:06:07 \0",
            "2024:02:29 23:59:59",
        ),
        *(
            "2026:02:29 05:06:07",
            "2026:13:04 05:06:07",
            "2026:00:04 05:06:07",
            "2026:03:04 24:06:07",
        ),
        *("2026:03:04 05:06:60", "2026:03:04 05:06:61", "2026:03:04", "2026-03-04 05:06:07", ""),
        *(
            "0000:00:00 00:00:00",
            "    :  :     :  :  ",
            "26:03:04 05:06:07",
            "2026:03:04 05:06:07.5",
        ),
        *("2026:03:04T05:06:07", "2026:03:0405:06:07", "2026:03:04\t05:06:07", "2026:03:04 5:6"),
    ],
)
def test_when_a_photo_was_taken_is_as_the_standard_library_reads_it(text):
    exif = Image.Exif()
    exif.get_ifd(0x8769)[0x9003] = text
    data = as_bytes(picture(), "JPEG", exif=exif)
    stored = Image.open(io.BytesIO(data)).getexif().get_ifd(0x8769)[0x9003]
    try:
        wanted = datetime.strptime(stored.strip("\0 "), "%Y:%m:%d %H:%M:%S")
    except ValueError:
        wanted = None
    assert opened(data).exif.taken == wanted


def test_without_exif():
    exif = opened(jpeg(picture())).exif
    assert (exif.make_model, exif.taken, exif.orientation) == (None, None, 1)


@pytest.mark.parametrize(
    ("size", "working"),
    [((4000, 3000), (2000, 1500)), ((3000, 4000), (1500, 2000)), ((2400, 1800), (2400, 1800))],
)
def test_big_jpegs_are_decoded_reduced(size, working):
    photo = opened(jpeg(picture(*size)))
    assert photo.encoded.shape[1::-1] == working
    assert photo.full_size == size
    assert photo.scale == working[0] / size[0]


def test_big_png_is_brought_to_working_scale():
    photo = opened(as_bytes(picture(4000, 3000), "PNG", compress_level=1))
    assert photo.encoded.shape == (1500, 2000, 3)


def test_hash_is_of_the_file():
    # Python's hashlib on the same bytes; the value must not be of the pixels.
    data = jpeg(picture())
    assert opened(data).sha256 == hashlib.sha256(data).hexdigest()


def test_srgb_curve_agrees_with_colour_science():
    photo = opened(jpeg(picture()))
    codes = np.repeat(np.arange(256, dtype=np.uint8)[:, None], 3, axis=1)
    reference = colour.models.eotf_sRGB(codes / 255)
    np.testing.assert_allclose(photo.to_linear(codes), reference, atol=2e-7)
    np.testing.assert_allclose(photo.to_linear(codes.astype(float)), reference, atol=1e-12)


def test_to_linear_rejects_other_shapes():
    with pytest.raises(ValueError, match="3 channels"):
        opened(jpeg(picture())).to_linear(np.zeros((5, 4)))


def test_sixteen_bit_png_keeps_its_steps():
    rng = np.random.default_rng(2)
    deep = rng.integers(0, 65536, (480, 640, 3), dtype=np.uint16)
    for suffix in (".png", ".tiff"):
        _, data = cv2.imencode(suffix, deep[..., ::-1])
        photo = opened(data.tobytes())
        assert photo.white == 65535
        np.testing.assert_array_equal(photo.encoded, deep)
        linear = photo.to_linear(photo.encoded[:2])
        np.testing.assert_allclose(linear, colour.models.eotf_sRGB(deep[:2] / 65535), atol=1e-6)


# -- embedded profiles -------------------------------------------------------


def profile_bytes(space: str, gamma: float | None = None) -> bytes:
    """A matrix/TRC profile of a colour-science RGB space; sRGB's curve, or a pure power."""
    rgb = colour.RGB_COLOURSPACES[space]
    d50 = colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D50"]
    adapt = colour.adaptation.matrix_chromatic_adaptation_VonKries(
        colour.xy_to_XYZ(rgb.whitepoint), colour.xy_to_XYZ(d50), transform="Bradford"
    )
    colorants = adapt @ rgb.matrix_RGB_to_XYZ
    if gamma is None:
        numbers = [2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045]
        curve = b"para\0\0\0\0\0\x03\0\0" + struct.pack(">5i", *(round(v * 65536) for v in numbers))
    else:
        curve = b"curv\0\0\0\0" + struct.pack(">IHxx", 1, round(gamma * 256))
    tags = {b"wtpt": colorants.sum(axis=1)}
    tags |= dict(zip((b"rXYZ", b"gXYZ", b"bXYZ"), colorants.T, strict=True))
    blocks = {
        name: b"XYZ \0\0\0\0" + struct.pack(">3i", *(round(v * 65536) for v in xyz))
        for name, xyz in tags.items()
    }
    blocks |= {name: curve for name in (b"rTRC", b"gTRC", b"bTRC")}
    blocks[b"desc"] = b"desc\0\0\0\0" + struct.pack(">I", len(space) + 1) + space.encode() + b"\0"
    blocks[b"desc"] += b"\0" * 80
    at, table, body = 132 + 12 * len(blocks), b"", b""
    for name, block in blocks.items():
        table += struct.pack(">4sII", name, at + len(body), len(block))
        body += block + b"\0" * (-len(block) % 4)
    head = struct.pack(">I4sI4s4s4s", at + len(body), b"\0\0\0\0", 0x02400000, b"mntr", b"RGB ",
                       b"XYZ ")  # fmt: skip
    head += struct.pack(">6H", 2026, 1, 1, 0, 0, 0) + b"acsp" + b"\0" * 28
    head += struct.pack(">3i", 63190, 65536, 54061)
    head = head.ljust(128, b"\0")
    return head + struct.pack(">I", len(blocks)) + table + body


@pytest.mark.parametrize(
    ("space", "gamma"), [("Display P3", None), ("Adobe RGB (1998)", 2.19921875), ("sRGB", None)]
)
def test_profiles_agree_with_littlecms(space, gamma):
    """LittleCMS, through Pillow, turns the same pixels into sRGB."""
    icc = profile_bytes(space, gamma)
    # Muted colours: inside both gamuts, so that 8-bit sRGB can hold the answer.
    pixels = 90 + picture() // 3
    photo = opened(as_bytes(pixels, "PNG", icc_profile=icc))
    assert photo.icc_name == space
    reference = ImageCms.profileToProfile(
        Image.fromarray(pixels),
        ImageCms.ImageCmsProfile(io.BytesIO(icc)),
        ImageCms.createProfile("sRGB"),
        renderingIntent=ImageCms.Intent.RELATIVE_COLORIMETRIC,
    )
    ours = colour.models.eotf_inverse_sRGB(photo.to_linear(photo.encoded[::20, ::20])) * 255
    assert np.abs(ours - np.asarray(reference)[::20, ::20]).max() < 1.0


def test_display_p3_agrees_with_colour_science():
    photo = opened(as_bytes(picture(), "PNG", icc_profile=profile_bytes("Display P3")))
    reference = colour.RGB_to_RGB(
        colour.models.eotf_sRGB(photo.encoded[:4] / 255), "Display P3", "sRGB",
        chromatic_adaptation_transform=None,
    )  # fmt: skip
    np.testing.assert_allclose(photo.to_linear(photo.encoded[:4]), reference, atol=2e-3)


def test_curve_without_entries_is_straight():
    one = b"curv\0\0\0\0" + struct.pack(">IHxx", 1, round(1.8 * 256))
    none = b"curv\0\0\0\0" + struct.pack(">IHxx", 0, 0)
    profile = read_profile(profile_bytes("sRGB", 1.8).replace(one, none))
    assert profile.curves[0](np.array([0.25]))[0] == 0.25


def test_sampled_curve():
    curve = Curve(table=tuple((np.arange(64) / 63) ** 2.0))
    np.testing.assert_allclose(curve(np.array([0.3, 0.7])), [0.09, 0.49], atol=2e-3)


def test_malformed_profile_is_ignored_and_noted():
    whole = profile_bytes("Display P3")
    broken = [
        whole[:200],
        b"\0" * 500,
        whole.replace(b"RGB ", b"CMYK"),
        whole.replace(b"rTRC", b"xxxx"),
        whole.replace(b"para", b"parb"),
    ]
    for icc in broken:
        photo = opened(as_bytes(picture(), "PNG", icc_profile=icc))
        assert photo.icc_name == ""
        assert "profile ignored" in photo.notes[0]
        assert photo.to_srgb is None


@settings(max_examples=300)
@given(st.data())
def test_any_profile_bytes_end_in_a_profile_or_a_profile_error(data):
    whole = bytearray(profile_bytes("Display P3"))
    for _ in range(data.draw(st.integers(1, 6))):
        whole[data.draw(st.integers(0, len(whole) - 1))] = data.draw(st.integers(0, 255))
    whole = whole[: data.draw(st.integers(0, len(whole)))]
    try:
        profile = read_profile(bytes(whole))
    except ProfileError:
        return
    assert np.isfinite(profile.to_srgb).all()
    assert all(np.isfinite(c(np.linspace(0, 1, 9))).all() for c in profile.curves)


# -- refusals ----------------------------------------------------------------


@pytest.mark.parametrize(
    "data", [b"", b"\xff", b"\xff\xd8\xff", b"BMW is not a picture", b"\x89PNG\r\n\x1a\n", b"%PDF"]
)
def test_not_an_image(data):
    assert reason(data) is Reason.NOT_AN_IMAGE


@pytest.mark.parametrize("share", [0.2, 0.5, 0.9, 0.999])
def test_truncated_jpeg_is_refused(share):
    data = jpeg(picture(2000, 1500), 1)
    assert reason(data[: int(share * len(data))]) is Reason.NOT_AN_IMAGE


def test_truncated_jpeg_with_a_whole_thumbnail_is_refused():
    """The thumbnail inside the header brings its own end marker."""
    thumbnail = jpeg(picture(160, 120))
    app1 = b"\xff\xe1" + struct.pack(">H", 2 + 6 + len(thumbnail)) + b"Other\0" + thumbnail
    data = jpeg(picture())
    whole = data[:2] + app1 + data[2:]
    assert isinstance(open_photo(whole), Photo)
    assert reason(whole[:-300]) is Reason.NOT_AN_IMAGE


def test_data_after_the_image_does_no_harm():
    assert isinstance(open_photo(jpeg(picture()) + b"trailer of some phone" * 50), Photo)


def _with_gain_map(photo: bytes) -> bytes:
    """The photo as phones for bright screens store it: metadata before the picture that name a
    gain map, an index of both pictures (CIPA DC-007), and the map itself behind.
    """
    gains = as_bytes(np.full((60, 80), 128, np.uint8), "JPEG")

    def segment(marker, body):
        return bytes([0xFF, marker]) + struct.pack(">H", 2 + len(body)) + body

    described = segment(
        0xE1,
        b'http://ns.adobe.com/xap/1.0/\0<x:xmpmeta xmlns:x="adobe:ns:meta/">'
        b'<rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#"><rdf:Description '
        b'xmlns:hdrgm="http://ns.adobe.com/hdr-gain-map/1.0/" hdrgm:Version="1.0"/></rdf:RDF>'
        b"</x:xmpmeta>",
    )

    def index(first, second_at):
        """Two entries of 16 bytes behind an IFD of three fields, at byte 8 of their own."""
        fields = struct.pack(">HHI4s", 0xB000, 7, 4, b"0100")
        fields += struct.pack(">HHII", 0xB001, 4, 1, 2)
        fields += struct.pack(">HHII", 0xB002, 7, 32, 8 + 2 + 36 + 4)
        entries = struct.pack(">IIIHH", 0x030000, first, 0, 0, 0)
        entries += struct.pack(">IIIHH", 0, len(gains), second_at, 0, 0)
        head = b"MPF\0MM\0*" + struct.pack(">I", 8) + struct.pack(">H", 3)
        return segment(0xE2, head + fields + struct.pack(">I", 0) + entries)

    size = len(photo) + len(described) + len(index(0, 0))
    # Places are counted from the index's own byte order mark.
    placed = index(size, size - (2 + len(described) + 8))
    return photo[:2] + described + placed + photo[2:] + gains


@pytest.mark.parametrize("quick", [True, False])
def test_a_gain_map_changes_nothing(quick, monkeypatch):
    if not quick:
        monkeypatch.setattr(decoders, "sound_jpeg", lambda *_: None)
    plain = jpeg(picture())
    stored = _with_gain_map(plain)
    with Image.open(io.BytesIO(stored)) as image:
        told = image.info
    (second_at,) = struct.unpack(">I", told["mp"][74:78])
    with Image.open(io.BytesIO(stored[told["mpoffset"] + second_at :])) as gains:
        assert gains.size == (80, 60)
    np.testing.assert_array_equal(opened(stored).encoded, opened(plain).encoded)


def test_progressive_jpeg():
    data = jpeg(picture(), 1, progressive=True)
    assert isinstance(open_photo(data), Photo)
    assert reason(data[: len(data) * 3 // 4]) is Reason.NOT_AN_IMAGE


def test_truncated_png_is_refused():
    data = as_bytes(picture(), "PNG")
    assert reason(data[: len(data) // 2]) is Reason.NOT_AN_IMAGE


def test_damaged_png_is_refused():
    data = bytearray(as_bytes(picture(), "PNG"))
    data[len(data) // 2] ^= 1
    assert reason(bytes(data)) is Reason.NOT_AN_IMAGE


def test_png_chunk_that_claims_gigabytes_is_refused_at_once():
    data = bytearray(as_bytes(picture(), "PNG"))
    at = data.index(b"IDAT") - 4
    data[at : at + 4] = struct.pack(">I", 2**31 - 1)
    assert reason(bytes(data)) is Reason.NOT_AN_IMAGE


def png_header(width, height):
    body = b"IHDR" + struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    chunk = struct.pack(">I", 13) + body + struct.pack(">I", zlib.crc32(body))
    return b"\x89PNG\r\n\x1a\n" + chunk + struct.pack(">I", 0) + b"IDAT" + b"\0" * 4


def test_bombs_are_refused_from_the_header():
    assert reason(png_header(60000, 60000)) is Reason.IMAGE_TOO_LARGE
    assert reason(png_header(2**31 - 1, 2**31 - 1)) is Reason.IMAGE_TOO_LARGE
    assert reason(b"\xff\xd8\xff" + bytes(MAX_FILE_BYTES)) is Reason.IMAGE_TOO_LARGE


def test_huge_jpeg_is_refused_from_the_header():
    data = bytearray(jpeg(picture()))
    at = data.index(b"\xff\xc0")
    data[at + 5 : at + 9] = struct.pack(">HH", 65000, 65000)
    assert reason(bytes(data)) is Reason.IMAGE_TOO_LARGE


def test_too_small():
    assert reason(jpeg(picture(320, 240))) is Reason.IMAGE_TOO_SMALL


@pytest.mark.parametrize("mode", ["L", "LA", "1"])
def test_without_colour(mode):
    out = io.BytesIO()
    Image.fromarray(picture()).convert(mode).save(out, "PNG")
    assert reason(out.getvalue()) is Reason.COLOUR_NOT_CORRECTABLE


def test_cmyk_is_refused():
    out = io.BytesIO()
    Image.fromarray(picture()).convert("CMYK").save(out, "JPEG")
    assert reason(out.getvalue()) is Reason.FORMAT_NOT_READ


@pytest.mark.parametrize(
    ("kind", "said"), [("GIF", "GIF"), ("BMP", "BMP"), ("JPEG2000", "JPEG 2000"), ("MP4", "mp42")]
)
def test_what_another_program_would_open_is_not_called_no_photo(kind, said):
    """Taken again it would come in the same format."""
    data = b"\0\0\0\x18ftypmp42" + bytes(400)
    if kind != "MP4":
        out = io.BytesIO()
        Image.fromarray(picture()).save(out, kind)
        data = out.getvalue()
    refusal = open_photo(data)
    assert isinstance(refusal, Refusal)
    assert refusal.reason is Reason.FORMAT_NOT_READ
    assert said in refusal.detail


def test_opaque_alpha_is_read():
    rgba = np.dstack([picture(), np.full((480, 640), 255, np.uint8)])
    np.testing.assert_array_equal(opened(as_bytes(rgba, "PNG")).encoded, rgba[..., :3])


@pytest.mark.parametrize("kind", ["PNG", "TIFF", "WEBP"])
def test_other_formats(kind):
    photo = opened(as_bytes(picture(), kind, **({"lossless": True} if kind == "WEBP" else {})))
    np.testing.assert_array_equal(photo.encoded, picture())


def heic(array, **more):
    out = io.BytesIO()
    pillow_heif.from_pillow(Image.fromarray(array)).save(out, quality=95, **more)
    return out.getvalue()


@cache
def plain_heic():
    """Encoded once: it takes most of a second."""
    return heic(picture())


def test_heif_is_read_upright():
    exif = Image.Exif()
    exif[0x0112] = 6
    photo = opened(heic(picture(), exif=exif.tobytes()))
    assert photo.full_size == (480, 640)
    upright = np.rot90(picture(), -1)
    assert np.abs(photo.encoded.astype(int) - upright).mean() < 3


@pytest.mark.parametrize("share", [0.05, 0.5, 0.95])
def test_truncated_heif_is_refused(share):
    data = plain_heic()
    assert reason(data[: int(share * len(data))]) is Reason.NOT_AN_IMAGE


def test_heif_without_its_library_says_what_to_install(monkeypatch):
    monkeypatch.setitem(sys.modules, "pillow_heif", None)
    refusal = open_photo(plain_heic())
    assert isinstance(refusal, Refusal)
    assert refusal.reason is Reason.FORMAT_NOT_READ
    assert "save photos as JPEG" in refusal.advice
    assert "'.[heif]'" in refusal.detail


@settings(max_examples=250)
@given(st.data())
def test_damaged_files_never_raise(data):
    kind = data.draw(st.sampled_from(["JPEG", "PNG", "TIFF", "WEBP"]))
    whole = bytearray(SMALL[kind])
    for _ in range(data.draw(st.integers(1, 12))):
        # Headers matter most: half of the damage goes there.
        reach = data.draw(st.sampled_from([120, len(whole) - 1]))
        whole[data.draw(st.integers(0, reach))] = data.draw(st.integers(0, 255))
    cut = data.draw(st.one_of(st.none(), st.integers(0, len(whole))))
    result = open_photo(bytes(whole[:cut]))
    assert isinstance(result, Photo | Refusal)


SMALL = {
    "JPEG": jpeg(picture(480, 64), 6),
    "PNG": as_bytes(picture(480, 64), "PNG"),
    "TIFF": as_bytes(picture(480, 64), "TIFF"),
    "WEBP": as_bytes(picture(480, 64), "WEBP"),
}
