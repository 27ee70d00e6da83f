"""Taking out of a photo what tells where and by which phone it was taken, before it is kept.

The compressed picture stays bit for bit; only what lies around it changes. What may stay
is listed, not what must go: makers put places and serial numbers into fields of their
own, and append whole films. Formats by their standards: JPEG (ITU-T T.81, annex B), PNG
(W3C, third edition), WebP (RFC 9649), HEIF (ISO/IEC 23008-12). The new EXIF block is
Pillow's.
"""

from __future__ import annotations

import io
import re
import struct
import warnings
import zlib
from collections.abc import Iterator

STAYS = (0x010F, 0x0110, 0x0112)
"""Make, model, orientation."""
STAYS_IN_EXIF = (
    *(0x829A, 0x829D, 0x8827, 0x9003, 0x9201, 0x9204, 0x9207, 0x9208, 0x9209, 0x920A),
    *(0xA001, 0xA402, 0xA403),
)
"""Exposure, aperture, sensitivity, time taken, metering, light, flash, lens, colour space."""
_EXIF_IFD = 0x8769
_LONGEST_EXIF = 65_000

_PNG_SIGNATURE = b"\x89PNG\r\n\x1a\n"
_PNG_STAYS = {
    *(b"IHDR", b"PLTE", b"IDAT", b"IEND", b"tRNS", b"gAMA", b"cHRM", b"sRGB"),
    *(b"iCCP", b"sBIT", b"cICP", b"pHYs"),
}
_WEBP_STAYS = {b"VP8 ", b"VP8L", b"VP8X", b"ALPH", b"ICCP"}
_HEIF_STAYS = {b"ftyp", b"meta", b"mdat", b"free", b"skip"}
_XMP = re.compile(rb"<\?xpacket begin.*?<\?xpacket end[^>]*>|<x:xmpmeta.*?</x:xmpmeta>", re.DOTALL)


class NotStrippedError(ValueError):
    """A file whose format isn't known here, or isn't whole: it can't be kept."""


def stripped(data: bytes) -> bytes:
    """The photo without place, serial numbers, notes and appendages; its pixels as they were.

    Raises NotStrippedError.
    """
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # about the file's insides
            if data.startswith(b"\xff\xd8"):
                return _jpeg(data)
            if data.startswith(_PNG_SIGNATURE):
                return _png(data)
            if data[:4] == b"RIFF" and data[8:12] == b"WEBP":
                return _webp(data)
            if data[4:8] == b"ftyp":
                return _heif(data)
    except NotStrippedError:
        raise
    except Exception as error:  # a decoder met with hostile bytes may raise nearly anything
        raise NotStrippedError(str(error)) from error
    raise NotStrippedError("not a format that photos are kept in")


def safe_exif(block: bytes | None) -> bytes:
    """An EXIF block (from its byte order mark) with what may stay; empty when nothing does."""
    if not block:
        return b""
    from PIL import Image

    old, new = Image.Exif(), Image.Exif()
    try:
        old.load(b"Exif\x00\x00" + block)
        for tag in STAYS:
            if tag in old:
                new[tag] = old[tag]
        inner = old.get_ifd(_EXIF_IFD)
        kept = {tag: inner[tag] for tag in STAYS_IN_EXIF if tag in inner}
        if kept:
            new.get_ifd(_EXIF_IFD).update(kept)
        if not len(new):
            return b""
        return new.tobytes().removeprefix(b"Exif\x00\x00")
    except Exception:  # a block that can't be read says nothing that could stay
        return b""


# --- JPEG -----------------------------------------------------------------------------


def _jpeg(data: bytes) -> bytes:
    exif, kept = b"", []
    for marker, segment in _jpeg_parts(data):
        payload = segment[4:]
        if marker == 0xE1 and payload.startswith(b"Exif\x00\x00") and not exif:
            exif = payload[6:]
        if marker == 0xFE or 0xE0 <= marker <= 0xEF:
            may_stay = (
                (marker == 0xE0 and payload.startswith(b"JFIF\x00"))
                or (marker == 0xE2 and payload.startswith(b"ICC_PROFILE\x00"))
                or (marker == 0xEE and payload.startswith(b"Adobe"))
            )
            if not may_stay:
                continue
        kept.append(segment)
    block = safe_exif(exif)
    if block and len(block) < _LONGEST_EXIF:
        body = b"Exif\x00\x00" + block
        # After JFIF, which must come first (ITU-T T.871).
        at = 1 if kept and kept[0][1] == 0xE0 else 0
        kept.insert(at, b"\xff\xe1" + struct.pack(">H", len(body) + 2) + body)
    return b"\xff\xd8" + b"".join(kept)


def _jpeg_parts(data: bytes) -> Iterator[tuple[int, bytes]]:
    """Markers with their segments up to the end of the image; coded data go with their scan."""
    at = 2
    while True:
        if data[at : at + 1] != b"\xff":
            raise NotStrippedError("a JPEG whose segments don't follow each other")
        while data[at + 1 : at + 2] == b"\xff":  # fill bytes
            at += 1
        marker = data[at + 1]
        if marker == 0xD9:
            yield marker, data[at : at + 2]
            return
        length = struct.unpack_from(">H", data, at + 2)[0]
        end = at + 2 + length
        if length < 2 or end > len(data):
            raise NotStrippedError("a JPEG that is cut off")
        if marker == 0xDA:
            end = _end_of_scan(data, end)
        yield marker, data[at:end]
        at = end


def _end_of_scan(data: bytes, at: int) -> int:
    while True:
        at = data.find(b"\xff", at)
        if at < 0 or at + 1 >= len(data):
            raise NotStrippedError("a JPEG that is cut off")
        follows = data[at + 1]
        if follows == 0 or 0xD0 <= follows <= 0xD7 or follows == 0xFF:
            at += 1 if follows == 0xFF else 2
            continue
        return at


# --- PNG, WebP, HEIF ------------------------------------------------------------------


def _png(data: bytes) -> bytes:
    out, exif, at = [_PNG_SIGNATURE], b"", len(_PNG_SIGNATURE)
    while at < len(data):
        length, kind = struct.unpack_from(">I4s", data, at)
        end = at + 12 + length
        if end > len(data):
            raise NotStrippedError("a PNG that is cut off")
        if kind == b"eXIf":
            exif = safe_exif(data[at + 8 : end - 4])
            if exif:
                check = zlib.crc32(b"eXIf" + exif)
                out.append(
                    struct.pack(">I4s", len(exif), b"eXIf") + exif + struct.pack(">I", check)
                )
        elif kind in _PNG_STAYS:
            out.append(data[at:end])
        at = end
        if kind == b"IEND":
            return b"".join(out)
    raise NotStrippedError("a PNG without its end")


def _webp(data: bytes) -> bytes:
    chunks, exif, at = [], b"", 12
    end_of_file = 8 + struct.unpack_from("<I", data, 4)[0]
    while at + 8 <= min(len(data), end_of_file):
        kind, length = struct.unpack_from("<4sI", data, at)
        body = data[at + 8 : at + 8 + length]
        if len(body) < length:
            raise NotStrippedError("a WebP that is cut off")
        if kind == b"EXIF":
            exif = safe_exif(body.removeprefix(b"Exif\x00\x00"))
        elif kind in _WEBP_STAYS:
            chunks.append((kind, body))
        at += 8 + length + length % 2
    if exif:
        chunks.append((b"EXIF", exif))
    for n, (kind, body) in enumerate(chunks):
        if kind == b"VP8X":  # says whether EXIF (bit 3), XMP (bit 2) and animation (bit 1) follow
            flags = (body[0] & ~0b00001110) | (0b00001000 if exif else 0)
            chunks[n] = kind, bytes([flags]) + body[1:]
    out = b"".join(
        kind + struct.pack("<I", len(body)) + body + b"\x00" * (len(body) % 2)
        for kind, body in chunks
    )
    return b"RIFF" + struct.pack("<I", len(out) + 4) + b"WEBP" + out


def _heif(data: bytes) -> bytes:
    """Blocks are overwritten where they lie: everything else is found by its place in the file."""
    from pillow_heif import open_heif

    out = bytearray(data)
    file = open_heif(io.BytesIO(data), convert_hdr_to_8bit=False)
    for image in file:
        exif, xmp = (image.info.get(name) for name in ("exif", "xmp"))
        if isinstance(exif, bytes) and exif:
            block = exif.removeprefix(b"Exif\x00\x00")
            _overwrite(out, block, safe_exif(block))
        if isinstance(xmp, bytes) and xmp:
            _overwrite(out, xmp, b"")
    if any(image.info.get("metadata") for image in file):
        raise NotStrippedError("a HEIF file with metadata of an unknown kind")
    for kind, start, end in _boxes(data):
        if kind not in _HEIF_STAYS:  # such as the film of a moving photo
            out[start + 4 : start + 8] = b"free"
            out[start + 8 : end] = bytes(end - start - 8)
    for found in _XMP.finditer(bytes(out)):
        out[found.start() : found.end()] = b" " * (found.end() - found.start())
    return bytes(out)


def _boxes(data: bytes) -> Iterator[tuple[bytes, int, int]]:
    at = 0
    while at + 8 <= len(data):
        length, kind = struct.unpack_from(">I4s", data, at)
        if length == 1:
            length = struct.unpack_from(">Q", data, at + 8)[0]
        end = len(data) if length == 0 else at + length
        if end <= at + 7 or end > len(data):
            raise NotStrippedError("a HEIF file that is cut off")
        yield kind, at, end
        at = end


def _overwrite(out: bytearray, old: bytes, new: bytes) -> None:
    at = out.find(old)
    if at < 0 or len(new) > len(old):
        raise NotStrippedError("a HEIF file whose blocks aren't where they are said to be")
    while at >= 0:
        out[at : at + len(old)] = new + bytes(len(old) - len(new))
        at = out.find(old, at)
