"""The contact sheet: small pictures of the photos that somebody should look at."""

from __future__ import annotations

import base64
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from cardreader.batch.packed import DamagedError
from cardreader.batch.record import unpack
from cardreader.batch.sources import read_bytes
from cardreader.card import layout
from cardreader.card.lots import Lots
from cardreader.core.refusal import Refusal
from cardreader.read.locate import CardPose
from cardreader.read.photo import Photo, open_photo
from cardreader.read.turned import solid
from cardreader.result.reading import Measurement

TILE_PX = 260
_MARGIN = 0.08
Row = dict[str, Any]


@dataclass(frozen=True)
class Tile:
    """One photo of the sheet: its name, what is doubtful, and a JPEG as a data address or None."""

    name: str
    words: str
    picture: str | None


def tiles(rows: Iterable[Row], record: Callable[[str], bytes | None]) -> list[Tile]:
    """Tiles of rows; ``record`` gives the kept measurement of a content, for where its card is."""
    return [Tile(row["photo"], words_of(row), _picture(row, record)) for row in rows]


def words_of(row: Row) -> str:
    """What was read of a photo and leaves open, or why it wasn't read."""
    if row["status"] != "read":
        reason = row["reason"].replace("_", " ")
        return f"{row['status']}: {reason}"
    low, high = row["hb_low_g_dl"], row["hb_high_g_dl"]
    question = (row["question"] or row["outcome"]).replace("_", " ")
    return f"{row['hb_g_dl']:.1f} g/dL ({low:.1f} to {high:.1f}): {question}"


def _picture(row: Row, record: Callable[[str], bytes | None]) -> str | None:
    """A small JPEG, or None for a photo that isn't at hand or that is better left unopened."""
    if row["status"] == "failed" or row["sha256"] is None:
        return None
    try:
        photo = open_photo(read_bytes(row["photo"]))
    except (OSError, ValueError):
        return None
    if isinstance(photo, Refusal):
        return None
    kept = _kept(record(row["sha256"]))
    # Of several photos of one blot the first is shown.
    if photo.sha256 != (row["sha256"] if kept is None else kept.sha256):
        return None
    return _jpeg(_crop(photo, None if kept is None else kept.pose))


def _kept(record: bytes | None) -> Measurement | None:
    try:
        return None if record is None else unpack(record, Lots())
    except DamagedError:
        return None


def _crop(photo: Photo, pose: CardPose | None) -> NDArray[np.uint8]:
    """The card with a margin, or the whole picture where no card was found; 8 bit RGB."""
    image = photo.encoded
    if pose is not None and pose.image_size == (image.shape[1], image.shape[0]):
        w, h, m = layout.WIDTH_MM, layout.HEIGHT_MM, _MARGIN * layout.WIDTH_MM
        with np.errstate(all="ignore"):
            corners = pose.to_px([(-m, -m), (w + m, -m), (w + m, h + m), (-m, h + m)])
        if not (np.abs(corners) < 1e6).all():  # kept of no card that was ever found
            return np.asarray(image if image.dtype == np.uint8 else image >> 8, np.uint8)
        x0, y0 = np.clip(np.floor(corners.min(axis=0)), 0, None).astype(int)
        x1, y1 = np.clip(np.ceil(corners.max(axis=0)), 1, pose.image_size).astype(int)
        if x1 > x0 and y1 > y0:
            image = image[y0:y1, x0:x1]
    return np.asarray(solid(image if image.dtype == np.uint8 else image >> 8), np.uint8)


def _jpeg(image: NDArray[np.uint8]) -> str:
    factor = TILE_PX / max(image.shape[:2])
    if factor < 1:
        image = np.asarray(
            cv2.resize(image, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA), np.uint8
        )
    bgr = cv2.cvtColor(image, cv2.COLOR_RGB2BGR)
    data = cv2.imencode(".jpg", bgr, [cv2.IMWRITE_JPEG_QUALITY, 80])[1].tobytes()
    return f"data:image/jpeg;base64,{base64.b64encode(data).decode()}"
