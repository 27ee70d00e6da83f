"""Bytes of a file -> Photo: upright pixels at working scale and the way to linear light.

The header is read first and everything unfit is refused before a pixel is
decoded. A big JPEG is decoded at a half, a quarter or an eighth of its size,
which the format allows at little cost; the card needs no more.

Pixels stay as the camera encoded them. Linear light is worked out only where
it is wanted, through a table for each channel.
"""

from __future__ import annotations

import hashlib
import re
import struct
import warnings
import zlib
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import datetime
from functools import cached_property
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from cardreader.colour.icc import SRGB_CURVE, Curve, ProfileError, read_profile
from cardreader.core.oneline import one_line
from cardreader.core.refusal import Reason, Refusal
from cardreader.read.decoders import NoDecoderError, kind_of, open_header, other_picture, pixels
from cardreader.read.phonenote import PhoneNote, phone_note
from cardreader.read.turned import channel, turned

MAX_FILE_BYTES = 64_000_000
MAX_PIXELS = 200_000_000
"""The most that phones store, 12240 x 16320, in JPEG and HEIF. The JPEG takes 40 MB when it
is decoded, 600 MB where it is progressive; the HEIF 4.5 bytes a pixel, 870 MB."""
MAX_PIXELS_UNSCALED = 52_000_000
"""Formats that can't be decoded at reduced size cost memory for every pixel; 8160 x 6144
passes."""
MIN_LONG_SIDE_PX = 480
"""Below it no card that fits the picture has pixels enough."""
WORKING_LONG_SIDE_PX = 1600
"""A reduced decode keeps at least this many pixels on the long side."""

_EXIF_MAKE, _EXIF_MODEL, _EXIF_ORIENTATION = 0x010F, 0x0110, 0x0112
_EXIF_IFD, _EXIF_TAKEN = 0x8769, 0x9003


@dataclass(frozen=True)
class Exif:
    """What the camera said about itself and the shot; absent facts are None."""

    make_model: str | None = None
    taken: datetime | None = None
    orientation: int = 1


@dataclass(frozen=True)
class Photo:
    """An opened photo.

    Attributes
    ----------
    encoded : (H, W, 3) uint8 or uint16
        RGB as stored, upright, at working scale; may be a view of rows that lie otherwise
        in memory, see `turned`.
    full_size : (int, int)
        Upright width and height of the file's image in pixels.
    scale : float
        Working pixels per full-size pixel.
    sha256 : str
        Of the file's bytes.
    exif : Exif
    icc_name : str
        Name of the embedded profile used; "" when sRGB is assumed.
    notes : tuple of str
        What was ignored or assumed.
    phone_note : PhoneNote or None
        What the pages say they did to it before sending.
    """

    encoded: NDArray[Any]
    full_size: tuple[int, int]
    scale: float
    sha256: str
    exif: Exif = field(default_factory=Exif)
    icc_name: str = ""
    notes: tuple[str, ...] = ()
    curves: tuple[Curve, Curve, Curve] = (SRGB_CURVE, SRGB_CURVE, SRGB_CURVE)
    to_srgb: NDArray[np.float64] | None = None
    phone_note: PhoneNote | None = None

    @property
    def white(self) -> int:
        """Greatest code value: 255 or 65535."""
        return 255 if self.encoded.dtype == np.uint8 else 65535

    @cached_property
    def green(self) -> NDArray[Any]:
        """The green channel (H, W) of ``encoded``: what markers are found and measured in."""
        return channel(self.encoded, 1)

    def tone_tables(self) -> NDArray[np.float32]:
        """Linear light of every code value, shape (3, white + 1), device primaries."""
        return self._tone_tables

    @cached_property
    def _tone_tables(self) -> NDArray[np.float32]:
        x = np.arange(self.white + 1) / self.white
        if self.curves[0] == self.curves[1] == self.curves[2]:
            return np.broadcast_to(self.curves[0](x).astype(np.float32), (3, len(x)))
        return np.stack([curve(x) for curve in self.curves]).astype(np.float32)

    def to_linear(self, values: NDArray[Any]) -> NDArray[np.float64]:
        """Linear-light RGB over sRGB primaries, nominally 0..1.

        Parameters
        ----------
        values : (..., 3) array of code values as stored

        Returns
        -------
        (..., 3) float64; a wide-gamut colour may have a negative channel.
        """
        values = np.asarray(values)
        if values.ndim == 0 or values.shape[-1] != 3:
            raise ValueError(f"last axis is {values.shape}, not 3 channels")
        if np.issubdtype(values.dtype, np.integer):
            tables = self.tone_tables()
            linear = np.stack([tables[c][values[..., c]] for c in range(3)], axis=-1)
        else:
            linear = np.stack(
                [self.curves[c](values[..., c] / self.white) for c in range(3)], axis=-1
            )
        return self.to_working(linear.astype(np.float64))

    def to_working(self, linear: NDArray[Any]) -> NDArray[Any]:
        """Change linear light over the photo's own primaries to sRGB primaries."""
        return linear if self.to_srgb is None else linear @ self.to_srgb.T.astype(linear.dtype)


def open_photo(data: bytes, sha256: str | None = None) -> Photo | Refusal:
    """Open a JPEG, PNG, TIFF or WebP photo; HEIF and AVIF where their decoders are installed.

    ``sha256`` is that of the bytes, where the caller has it already. Never
    raises, whatever the bytes hold. Refusals: NOT_AN_IMAGE, FORMAT_NOT_READ,
    IMAGE_TOO_LARGE, IMAGE_TOO_SMALL, COLOUR_NOT_CORRECTABLE (no colour at all).
    """
    if len(data) > MAX_FILE_BYTES:
        return _refuse(Reason.IMAGE_TOO_LARGE, f"{len(data)} bytes > {MAX_FILE_BYTES}")
    kind = kind_of(data)
    if kind is None:
        other = other_picture(data)
        if other is not None:
            return _refuse(Reason.FORMAT_NOT_READ, f"{other} isn't read")
        return _refuse(Reason.NOT_AN_IMAGE, f"unknown format, {len(data)} bytes")
    # A decoder met with hostile bytes may raise nearly anything; whatever it
    # is, the file is not a photo. Its warnings are about the file's insides.
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            header = _open_header(data, kind)
            return header if isinstance(header, Refusal) else _decode(data, kind, header, sha256)
    except (MemoryError, RecursionError, Exception) as error:
        return _refuse(
            Reason.NOT_AN_IMAGE,
            f"{kind}: {type(error).__name__}: {one_line(error)}",
        )


def _refuse(reason: Reason, detail: str) -> Refusal:
    return Refusal(reason, "photo", detail)


def _open_header(data: bytes, kind: str) -> Image.Image | Refusal:
    try:
        header = open_header(data, kind)
    except NoDecoderError as error:
        return _refuse(Reason.FORMAT_NOT_READ, str(error))
    width, height = header.size
    limit = MAX_PIXELS if kind in ("JPEG", "HEIF") else MAX_PIXELS_UNSCALED
    if width * height > limit:
        return _refuse(Reason.IMAGE_TOO_LARGE, f"{width} x {height} > {limit} pixels")
    if max(width, height) < MIN_LONG_SIDE_PX:
        return _refuse(
            Reason.IMAGE_TOO_SMALL, f"{width} x {height}: long side < {MIN_LONG_SIDE_PX} px"
        )
    if header.mode in ("1", "L", "LA", "La", "I", "F") or header.mode.startswith("I;"):
        return _refuse(Reason.COLOUR_NOT_CORRECTABLE, f"{kind} without colour ({header.mode})")
    if header.mode not in ("RGB", "RGBA", "RGBX", "RGBa", "P"):
        return _refuse(Reason.FORMAT_NOT_READ, f"{kind} in {header.mode}, not RGB")
    if (kind == "JPEG" and not _jpeg_complete(data)) or (kind == "PNG" and not _png_whole(data)):
        return _refuse(Reason.NOT_AN_IMAGE, f"{kind} is cut short or damaged")
    return header


_JPEG_SCAN_END = re.compile(rb"\xff[^\x00\xd0-\xd7\xff]")


def _jpeg_complete(data: bytes) -> bool:
    """Whether the image's own end marker is there.

    The decoder paints what is missing grey and says nothing. Looking at the
    last two bytes alone won't do: phones append other data after the image,
    and put a whole thumbnail inside the header.
    """
    at = 2
    while at + 4 <= len(data):
        if data[at] != 0xFF:
            return False
        code = data[at + 1]
        if code == 0xD9:
            return True
        if code == 0xFF:  # fill byte
            at += 1
            continue
        (length,) = struct.unpack_from(">H", data, at + 2)
        at += 2 + length
        if code == 0xDA:
            end = _JPEG_SCAN_END.search(data, at)
            if end is None:
                return False
            at = end.start()
    return data[at : at + 2] == b"\xff\xd9"


def _png_whole(data: bytes) -> bool:
    """Whether every chunk lies within the file and bears its checksum, up to the end chunk.

    The decoder sets memory aside for whatever length a chunk claims.
    """
    at = 8
    while at + 12 <= len(data):
        length, name = struct.unpack_from(">I4s", data, at)
        end = at + 8 + length
        if end + 4 > len(data):
            return False
        if zlib.crc32(memoryview(data)[at + 4 : end]) != struct.unpack_from(">I", data, end)[0]:
            return False
        if name == b"IEND":
            return True
        at = end + 4
    return False


def _decode(data: bytes, kind: str, header: Image.Image, sha256: str | None) -> Photo | Refusal:
    stored_size = header.size
    divisor = 1
    if kind == "JPEG":
        long_side = max(stored_size)
        divisor = next(d for d in (8, 4, 2, 1) if d == 1 or long_side / d >= WORKING_LONG_SIDE_PX)
    encoded = pixels(data, kind, header, divisor)
    if encoded is None:
        return _refuse(Reason.NOT_AN_IMAGE, f"{kind} can't be decoded")
    long_side = max(encoded.shape[:2])
    if divisor == 1 and long_side > 2 * WORKING_LONG_SIDE_PX:
        factor = 1.25 * WORKING_LONG_SIDE_PX / long_side
        encoded = cv2.resize(encoded, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA)
    exif = _exif(header)
    # HEIF readers turn the picture upright themselves.
    orientation = 1 if kind == "HEIF" else exif.orientation
    width, height = stored_size if orientation < 5 else stored_size[::-1]
    notes: list[str] = []
    name, curves, matrix = _colour(header, notes)
    upright = turned(encoded, orientation)
    return Photo(
        encoded=upright,
        full_size=(width, height),
        scale=upright.shape[1] / width,
        sha256=sha256 or hashlib.sha256(data).hexdigest(),
        exif=exif,
        icc_name=name,
        notes=tuple(notes),
        curves=curves,
        to_srgb=matrix,
        phone_note=phone_note(header.info.get("comment")) if kind == "JPEG" else None,
    )


def _exif(header: Image.Image) -> Exif:
    with suppress(Exception):
        tags = header.getexif()
        orientation = tags.get(_EXIF_ORIENTATION, 1)
        taken = None
        with suppress(Exception):
            taken = _moment(str(tags.get_ifd(_EXIF_IFD).get(_EXIF_TAKEN, "")))
        words = (_text(tags.get(t)) for t in (_EXIF_MAKE, _EXIF_MODEL))
        return Exif(
            make_model=" ".join(w for w in words if w) or None,
            taken=taken,
            orientation=orientation if orientation in range(1, 9) else 1,
        )
    return Exif()


_MOMENT = re.compile(r"(\d{4}):(\d\d?):(\d\d?)\s+(\d\d?):(\d\d?):(\d\d?)")


def _moment(text: str) -> datetime | None:
    """When a photo was taken, as EXIF writes it; ValueError for no day or hour of any calendar."""
    # strptime would do, but works out the names of months and days in all its ways first.
    found = _MOMENT.fullmatch(text.strip("\0 "))
    if found is None:
        return None
    year, month, day, hour, minute, second = map(int, found.groups())
    return datetime(year, month, day, hour, minute, second)


def _text(value: object) -> str:
    if not isinstance(value, str):
        return ""
    return "".join(ch for ch in value if ch.isprintable()).strip()[:64]


def _colour(
    header: Image.Image, notes: list[str]
) -> tuple[str, tuple[Curve, Curve, Curve], NDArray[np.float64] | None]:
    srgb = (SRGB_CURVE, SRGB_CURVE, SRGB_CURVE)
    data = header.info.get("icc_profile")
    if not isinstance(data, bytes) or not data:
        return "", srgb, None
    try:
        profile = read_profile(data)
    except ProfileError as error:
        notes.append(f"embedded profile ignored, sRGB assumed: {one_line(error)}")
        return "", srgb, None
    near_srgb = np.abs(profile.to_srgb - np.eye(3)).max() < 2e-3
    return profile.name or "unnamed", profile.curves, None if near_srgb else profile.to_srgb
