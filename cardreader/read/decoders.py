"""Which decoder opens a file, and its pixels; no decoder speaks to the terminal.

A JPEG is decoded at a half, a quarter or an eighth of its size. The others come
whole; HEIF without a copy in between, since phones store 200 megapixels in it.
"""

from __future__ import annotations

import io
import logging
from collections.abc import Callable
from functools import cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, JpegImagePlugin, TiffImagePlugin

# What a decoder finds odd about a file goes into the refusal, or is of no matter.
cv2.utils.logging.setLogLevel(cv2.utils.logging.LOG_LEVEL_SILENT)
logging.getLogger("PIL").addHandler(logging.NullHandler())

_HEIF_BRANDS = (b"heic", b"heix", b"heim", b"heis", b"mif1", b"msf1", b"avif")


_OTHER_PICTURES = {
    b"GIF8": "GIF",
    b"\0\0\0\x0cjP  ": "JPEG 2000",
    b"\0\0\0\x0cJXL ": "JPEG XL",
}


class NoDecoderError(Exception):
    """This machine has no decoder for the file; the message says what would help."""


def kind_of(data: bytes) -> str | None:
    """Format by the file's first bytes; None for one that isn't read here."""
    if data[:3] == b"\xff\xd8\xff":
        return "JPEG"
    if data[:8] == b"\x89PNG\r\n\x1a\n":
        return "PNG"
    if data[:4] in (b"II*\0", b"MM\0*"):
        return "TIFF"
    if data[:4] == b"RIFF" and data[8:12] == b"WEBP":
        return "WebP"
    if data[4:8] == b"ftyp" and data[8:12] in _HEIF_BRANDS:
        # The box lists every brand that the file keeps to; AVIF may come under a general one.
        brands = data[8 : min(int.from_bytes(data[:4], "big"), 256)]
        return "AVIF" if b"avif" in brands else "HEIF"
    return None


def other_picture(data: bytes) -> str | None:
    """Format of a picture, a film or a raw file that isn't read; None for anything else."""
    for first, name in _OTHER_PICTURES.items():
        if data.startswith(first):
            return name
    if data[:2] == b"BM" and data[6:10] == bytes(4):
        return "BMP"
    brand = data[8:12]
    return f"a file of brand {brand.decode('latin-1')!r}" if data[4:8] == b"ftyp" else None


def open_header(data: bytes, kind: str) -> Image.Image:
    """Size, mode and metadata without the pixels; NoDecoderError, or whatever Pillow raises."""
    # Pillow's own Image.open would try every format it knows; naming the reader
    # keeps a file of one kind from being read as another.
    return _READERS[kind](io.BytesIO(data))


# What a JPEG doesn't need is loaded with the first file of its kind.


def _png(stream: io.BytesIO) -> Image.Image:
    from PIL.PngImagePlugin import PngImageFile

    return PngImageFile(stream)


def _webp(stream: io.BytesIO) -> Image.Image:
    from PIL.WebPImagePlugin import WebPImageFile

    return WebPImageFile(stream)


def _heif(stream: io.BytesIO) -> Image.Image:
    try:
        from pillow_heif import HeifImageFile
    except ImportError:
        raise NoDecoderError(
            "HEIF: install the 'heif' extra (pip install '.[heif]'), or send a JPEG"
        ) from None
    image: Image.Image = HeifImageFile(stream)  # type: ignore[no-untyped-call]
    return image


def _avif(stream: io.BytesIO) -> Image.Image:
    from PIL import features

    if "avif" not in features.modules or not features.check_module("avif"):
        raise NoDecoderError("AVIF: there is no decoder for it here; send a JPEG")
    from PIL.AvifImagePlugin import AvifImageFile

    return AvifImageFile(stream)


_READERS: dict[str, Callable[[io.BytesIO], Image.Image]] = {
    "JPEG": JpegImagePlugin.JpegImageFile,
    "PNG": _png,
    "TIFF": TiffImagePlugin.TiffImageFile,
    "WebP": _webp,
    "HEIF": _heif,
    "AVIF": _avif,
}


def pixels(data: bytes, kind: str, header: Image.Image, divisor: int) -> NDArray[Any] | None:
    """RGB (H, W, 3), uint8 or uint16, as stored; None where it isn't that."""
    if kind == "HEIF":
        return _heif_pixels(data)
    if kind == "JPEG" and (quick := sound_jpeg(data, header, divisor)) is not None:
        return quick
    if kind == "JPEG" and divisor > 1:
        header.draft("RGB", (header.width // divisor, header.height // divisor))
    if kind in ("JPEG", "AVIF") or (kind == "PNG" and data[24] <= 8):
        # OpenCV gives the same values, but libjpeg and libpng in it write to the terminal.
        return np.asarray(header if header.mode == "RGB" else header.convert("RGB"))
    # The decoder's own turning is switched off: ours is the only one.
    flags = cv2.IMREAD_COLOR | cv2.IMREAD_IGNORE_ORIENTATION
    if kind in ("PNG", "TIFF"):
        flags |= cv2.IMREAD_ANYDEPTH
    decoded = cv2.imdecode(np.frombuffer(data, np.uint8), flags)
    if decoded is None or decoded.ndim != 3 or decoded.dtype not in (np.uint8, np.uint16):
        return None
    return cv2.cvtColor(decoded, cv2.COLOR_BGR2RGB, dst=decoded)


@cache
def _quick_decoder() -> Callable[..., NDArray[np.uint8]] | None:
    # Looked for once: what is not there is searched for along the whole path each time.
    try:
        from simplejpeg import decode_jpeg
    except ImportError:
        return None
    return decode_jpeg  # type: ignore[no-any-return]


def sound_jpeg(data: bytes, header: Image.Image, divisor: int) -> NDArray[np.uint8] | None:
    """RGB of a JPEG of which the decoder has nothing to complain, straight into an array.

    The same library as in Pillow, without its copies in between: the same values in five sixths
    of the time. None where simplejpeg isn't installed or where anything is odd about the file:
    Pillow then says what becomes of it.
    """
    decode_jpeg = _quick_decoder()
    if decode_jpeg is None or header.mode != "RGB":
        return None
    width, height = header.size
    try:
        seen = decode_jpeg(
            data,
            "RGB",
            min_height=height // divisor,
            min_width=width // divisor,
            min_factor=divisor,
            strict=True,
        )
    except ValueError:
        return None
    fits = seen.shape == (-(-height // divisor), -(-width // divisor), 3)
    return np.asarray(seen) if fits else None


def _heif_pixels(data: bytes) -> NDArray[Any] | None:
    """Pixels over the decoder's own memory: through a Pillow image there would be three copies."""
    from pillow_heif import open_heif

    seen = np.asarray(open_heif(io.BytesIO(data)))
    return seen[..., :3] if seen.ndim == 3 and seen.shape[2] >= 3 else None
