"""What phones and apps do to a finished picture: local tone, vivid colour, denoising, resending.

All take and give an upright picture (h, w, 3) of 8 bits.
"""

from __future__ import annotations

import io

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

Picture8 = NDArray[np.uint8]


def local_tone(picture: Picture8, strength: float) -> Picture8:
    """HDR-like: dark neighbourhoods are lifted and bright ones held back, with soft halos.

    The neighbourhood is a tenth of the picture; ``strength`` 1 would flatten it.
    """
    brightness = picture.astype(np.float32).mean(axis=-1) / 255
    small = cv2.resize(brightness, None, fx=0.125, fy=0.125, interpolation=cv2.INTER_AREA)
    wide = cv2.GaussianBlur(small, (0, 0), 0.05 * max(small.shape))
    base = cv2.resize(wide, brightness.shape[::-1], interpolation=cv2.INTER_LINEAR)
    gain = (0.5 / np.maximum(base, 0.05)) ** np.float32(0.5 * strength)
    return np.asarray(np.clip(picture * gain[..., None], 0, 255), np.uint8)


def vivid(picture: Picture8, strength: float) -> Picture8:
    """Saturation raised by ``strength`` in encoded values; negative fades to grey."""
    light = picture.astype(np.float32)
    grey = light.mean(axis=-1, keepdims=True)
    return np.asarray(np.clip(grey + (1 + strength) * (light - grey), 0, 255), np.uint8)


def tinted(picture: Picture8, red: float, blue: float) -> Picture8:
    """A warm or cold filter: encoded red and blue multiplied."""
    gain = np.array([red, 1.0, blue], np.float32)
    return np.asarray(np.clip(picture * gain, 0, 255), np.uint8)


def denoised(picture: Picture8, strength: float) -> Picture8:
    """Night mode's smoothing: edges kept, grain smeared into patches."""
    return np.asarray(cv2.bilateralFilter(picture, 7, 12 * strength, 3 * strength), np.uint8)


def resent(picture: Picture8, long_side_px: int, quality: int, times: int = 1) -> bytes:
    """A picture as a messaging app passes it on: made smaller, recompressed, without EXIF."""
    factor = long_side_px / max(picture.shape)
    if factor < 1:
        picture = np.asarray(
            cv2.resize(picture, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA), np.uint8
        )
    for _ in range(times):
        buffer = io.BytesIO()
        Image.fromarray(picture).save(buffer, "JPEG", quality=quality, subsampling=2)
        picture = np.asarray(Image.open(io.BytesIO(buffer.getvalue())))
    return buffer.getvalue()
