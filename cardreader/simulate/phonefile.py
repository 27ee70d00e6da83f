"""A picture as a phone writes it: turned pixels, JPEG, EXIF. Makers are invented."""

from __future__ import annotations

import io
from datetime import datetime, timedelta

import numpy as np
from numpy.typing import NDArray
from PIL import ExifTags, Image

PHONES = (
    ("Ondrivar", "OV-2"),
    ("Ondrivar", "OV-5 mini"),
    ("Pelqua", "Field 7"),
    ("Tesmark", "T31"),
)
"""Makes and models, invented; none is a product."""

_FIRST_DAY = datetime(2026, 1, 5, 8, 0)
_N_ORIENTATIONS = 8


def stored(upright: NDArray[np.uint8], orientation: int) -> NDArray[np.uint8]:
    """Pixels as stored so that a viewer who follows the EXIF tag sees ``upright``."""
    match orientation:
        case 1:
            turned = upright
        case 2:
            turned = upright[:, ::-1]
        case 3:
            turned = upright[::-1, ::-1]
        case 4:
            turned = upright[::-1]
        case 5:
            turned = upright.transpose(1, 0, 2)
        case 6:
            turned = np.rot90(upright, 1)
        case 7:
            turned = upright[::-1, ::-1].transpose(1, 0, 2)
        case 8:
            turned = np.rot90(upright, -1)
        case _:
            raise ValueError(f"EXIF orientation {orientation} outside 1..{_N_ORIENTATIONS}")
    return np.ascontiguousarray(turned)


def jpeg(
    upright: NDArray[np.uint8],
    rng: np.random.Generator,
    quality: int,
    subsampling: int,
    orientation: int,
) -> bytes:
    """Encode an upright (h, w, 3) sRGB picture with the EXIF of an invented phone."""
    make, model = PHONES[rng.integers(len(PHONES))]
    taken = _FIRST_DAY + timedelta(minutes=int(rng.integers(0, 300 * 24 * 60)))
    exif = Image.Exif()
    exif[ExifTags.Base.Make] = make
    exif[ExifTags.Base.Model] = model
    exif[ExifTags.Base.Orientation] = orientation
    exif[ExifTags.Base.Software] = "synthetic photo"
    inner = exif.get_ifd(ExifTags.IFD.Exif)
    inner[ExifTags.Base.DateTimeOriginal] = taken.strftime("%Y:%m:%d %H:%M:%S")
    inner[ExifTags.Base.ColorSpace] = 1  # sRGB
    buffer = io.BytesIO()
    Image.fromarray(stored(upright, orientation)).save(
        buffer, "JPEG", quality=quality, subsampling=subsampling, exif=exif
    )
    return buffer.getvalue()
