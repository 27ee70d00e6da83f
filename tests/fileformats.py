"""Photos in other files than an sRGB JPEG: wide-gamut profiles, 16 bits, HEIF."""

from __future__ import annotations

import io
import struct
from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray
from PIL import Image

from cardreader.simulate.scene import Scene

DISPLAY_P3 = ((0.680, 0.320), (0.265, 0.690), (0.150, 0.060))
"""Chromaticities of the P3 primaries (SMPTE RP 431-2), used with the D65 white."""

_SRGB = ((0.640, 0.330), (0.300, 0.600), (0.150, 0.060))
_D65 = (0.3127, 0.3290)
_D50_XYZ = (0.9642, 1.0, 0.8249)
_BRADFORD = np.array(
    [[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]]
)


def _xyz_of(xy: ArrayLike) -> NDArray[np.float64]:
    x, y = np.moveaxis(np.asarray(xy, float), -1, 0)
    return np.stack([x / y, np.ones_like(x), (1 - x - y) / y], axis=-1)


def _to_xyz(primaries: ArrayLike) -> NDArray[np.float64]:
    """Linear RGB of these primaries and a D65 white to XYZ, shape (3, 3)."""
    columns = _xyz_of(primaries).T
    return np.asarray(columns * np.linalg.solve(columns, _xyz_of(_D65)))


def wide_gamut(scene: Scene, primaries: ArrayLike = DISPLAY_P3) -> Scene:
    """The scene by a phone that stores its photos over other primaries."""
    change = np.linalg.inv(_to_xyz(primaries)) @ _to_xyz(_SRGB)
    return replace(scene, matrix=change @ scene.matrix)


def icc_profile(primaries: ArrayLike = DISPLAY_P3, gamma: float = 2.2, name: str = "wide") -> bytes:
    """An ICC version 2 matrix profile (ICC.1:2001-04) with one power curve."""
    adapt = np.linalg.inv(_BRADFORD) @ np.diag(
        (_BRADFORD @ np.array(_D50_XYZ)) / (_BRADFORD @ _xyz_of(_D65))
    )
    columns = (adapt @ _to_xyz(primaries)).T
    curve = b"curv" + bytes(4) + struct.pack(">IH", 1, round(gamma * 256)) + bytes(2)
    text = name.encode("ascii") + b"\0"
    tags = {
        b"desc": b"desc" + bytes(4) + struct.pack(">I", len(text)) + text + bytes(78),
        b"cprt": b"text" + bytes(4) + b"none\0",
        b"wtpt": b"XYZ " + bytes(4) + _fixed(_D50_XYZ),
        **{
            key: b"XYZ " + bytes(4) + _fixed(column)
            for key, column in zip((b"rXYZ", b"gXYZ", b"bXYZ"), columns, strict=True)
        },
        **dict.fromkeys((b"rTRC", b"gTRC", b"bTRC"), curve),
    }
    at = 128 + 4 + 12 * len(tags)
    table, body = struct.pack(">I", len(tags)), b""
    for key, data in tags.items():
        data += bytes(-len(data) % 4)
        table += key + struct.pack(">II", at + len(body), len(data))
        body += data
    header = (
        struct.pack(">I", at + len(body)) + bytes(4) + bytes.fromhex("02400000")
        + b"mntrRGB XYZ " + bytes(12) + b"acsp" + bytes(28)
        + _fixed(_D50_XYZ) + bytes(48)
    )  # fmt: skip
    return header + table + body


def _fixed(values: ArrayLike) -> bytes:
    """Numbers in the profile's 16.16 fixed point."""
    return b"".join(struct.pack(">i", round(float(v) * 65536)) for v in np.asarray(values))


def jpeg_with_profile(picture: NDArray[np.uint8], profile: bytes, quality: int = 92) -> bytes:
    """JPEG of an upright picture with an embedded profile."""
    buffer = io.BytesIO()
    Image.fromarray(picture).save(buffer, "JPEG", quality=quality, icc_profile=profile)
    return buffer.getvalue()


def png16(picture: NDArray[np.uint8], rng: np.random.Generator) -> bytes:
    """PNG of 16 bits a channel; the lower byte is drawn, since the picture has only the upper."""
    return _wide_file(picture, rng, ".png")


def tiff16(picture: NDArray[np.uint8], rng: np.random.Generator) -> bytes:
    """TIFF of 16 bits a channel, as `png16`."""
    return _wide_file(picture, rng, ".tif")


def _wide_file(picture: NDArray[np.uint8], rng: np.random.Generator, ending: str) -> bytes:
    low = rng.integers(0, 256, picture.shape, dtype=np.uint16)
    wide = picture.astype(np.uint16) * 256 + low
    _, data = cv2.imencode(ending, np.ascontiguousarray(wide[..., ::-1]))
    return data.tobytes()


def heif(picture: NDArray[np.uint8], quality: int = 80) -> bytes:
    """HEIF, as newer phones store; needs the ``heif`` extra."""
    from pillow_heif import from_pillow

    buffer = io.BytesIO()
    from_pillow(Image.fromarray(picture)).save(buffer, quality=quality)
    return buffer.getvalue()
