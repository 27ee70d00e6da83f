"""Valid files that more than one target damages, and the reader of all that ships."""

from __future__ import annotations

import io
from datetime import date
from functools import cache

import cv2
import numpy as np
from fileformats import icc_profile
from PIL import Image

from cardreader.card.lots import Lots
from cardreader.core.shipped import shipped
from cardreader.decide.protocolfile import load_protocol
from cardreader.hb.calibration import Calibration
from cardreader.reader import Reader
from cardreader.simulate.cameras import Family
from cardreader.simulate.demolots import IN_DATE
from cardreader.simulate.photograph import photograph
from cardreader.simulate.scene import GOOD, draw_scene
from cardreader.simulate.view import draw_view

TODAY = date(2026, 11, 2)


def _saved(image: Image.Image, kind: str, **options: object) -> bytes:
    buffer = io.BytesIO()
    image.save(buffer, kind, **options)
    return buffer.getvalue()


@cache
def small_pictures() -> tuple[bytes, ...]:
    """Pictures just large enough to be taken: every format, mode and wrapping that is read."""
    rng = np.random.default_rng(5)
    pixels = rng.integers(0, 255, (24, 488, 3), dtype=np.uint8)
    image = Image.fromarray(pixels)
    exif = Image.Exif()
    exif[0x0112], exif[0x010F], exif[0x0110] = 6, "Synthetic", "Phone"
    exif.get_ifd(0x8769)[0x9003] = "2026:02:03 10:11:12"
    profile = icc_profile()
    wide = cv2.imencode(".png", pixels.astype(np.uint16) * 257)[1].tobytes()
    wide_tiff = cv2.imencode(".tif", pixels.astype(np.uint16) * 257)[1].tobytes()
    out = [
        _saved(image, "JPEG", exif=exif, icc_profile=profile),
        _saved(image, "JPEG", progressive=True, exif=exif),
        _saved(image, "PNG", exif=exif, icc_profile=profile),
        _saved(image.quantize(16), "PNG"),
        _saved(image.convert("RGBA"), "PNG"),
        _saved(image, "TIFF", exif=exif),
        _saved(image, "TIFF", compression="tiff_lzw"),
        _saved(image, "WEBP", exif=exif, icc_profile=profile),
        _saved(image, "WEBP", lossless=True),
        wide,
        wide_tiff,
    ]
    try:
        from fileformats import heif

        out.append(heif(pixels))
    except ImportError:  # an extra
        pass
    return tuple(out)


@cache
def reader() -> Reader:
    """All that ships."""
    return Reader(
        Lots.load(shipped("lots")), Calibration.load(shipped("default")), load_protocol(), TODAY
    )


@cache
def card_photos() -> tuple[bytes, ...]:
    """Small photos of a card that can be read."""
    out = []
    for seed in (1, 2):
        rng = np.random.default_rng(seed)
        scene = draw_scene(rng, 8.0 + seed, IN_DATE.lot(), IN_DATE.print_seed, GOOD, Family.FITTING)
        out.append(photograph(scene, draw_view(rng, (1000, 750)), seed))
    return tuple(out)
