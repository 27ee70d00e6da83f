"""The bay, laid out square in card millimetres: the grid on which blot and paper are looked at."""

from __future__ import annotations

from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

from cardreader.card import layout
from cardreader.core.refusal import Reason, Refusal
from cardreader.read.banding import Banding
from cardreader.read.locate import CardPose
from cardreader.read.photo import Photo
from cardreader.read.turned import between

GRID_PX_PER_MM = 10
TILE_PX = 8
TILES = 29
SIDE_MM = TILES * TILE_PX / GRID_PX_PER_MM
"""Side of the part of the bay looked at; 0.9 mm inside its frame."""

EDGE_MM = 0.8
"""Width of the rim round a blot that is neither blot nor blank paper."""


@cache
def grid_mm() -> NDArray[np.float64]:
    """Centres of the grid's pixels on the card, (n, n, 2)."""
    t = along_mm()
    return np.asarray(np.stack(np.meshgrid(t, t), axis=-1) + np.array(layout.CENTRE_MM))


def along_mm() -> NDArray[np.float64]:
    """Centres of the grid's pixels along a side, from the middle of the bay, (n,)."""
    return (np.arange(TILES * TILE_PX) + 0.5) / GRID_PX_PER_MM - SIDE_MM / 2


def bands_over(banding: Banding) -> NDArray[np.float32]:
    """What bands add to ln light, (n, n, 3), or (1, 1, 3) where there are none."""
    at_mm = grid_mm() if banding.found else grid_mm()[:1, :1]
    return banding.log_light(at_mm).astype(np.float32)


def rectify(photo: Photo, pose: CardPose) -> NDArray[np.uint8] | NDArray[np.uint16]:
    """The bay's pixels on the grid, (n, n, 3), encoded as in the photo."""
    at = pose.to_px(grid_mm())
    return between(photo.encoded, at[..., 0], at[..., 1])


def log_light_of(photo: Photo, encoded: NDArray[np.generic]) -> NDArray[np.float32]:
    """Natural log of linear light, (n, m, 3), floored well below any paper or blood."""
    # Over the photo's own primaries, as the patches are sampled.
    tables = np.log(np.maximum(photo.tone_tables(), 1e-4)).astype(np.float32)
    if encoded.dtype == np.uint8:
        table = np.ascontiguousarray(tables.T)[None]
        return np.asarray(cv2.LUT(np.asarray(encoded, np.uint8), table), dtype=np.float32)
    return np.stack([tables[c][encoded[..., c]] for c in range(3)], axis=-1)


def smooth(image: NDArray[np.float32], sd_px: float) -> NDArray[np.float32]:
    """The image after a Gaussian blur of ``sd_px``."""
    return np.asarray(cv2.GaussianBlur(image, (0, 0), sd_px), dtype=np.float32)


def redness_of(log_light: NDArray[np.float32]) -> NDArray[np.float32]:
    """ln(red / green) of ln light (..., 3), whatever the light's strength."""
    return np.asarray(log_light[..., 0] - log_light[..., 1])


def widened(mask: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """A mask with a rim of ``EDGE_MM`` round it."""
    wide = 2 * round(EDGE_MM * GRID_PX_PER_MM) + 1
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (wide, wide))
    return np.asarray(cv2.dilate(mask.astype(np.uint8), kernel)) > 0


def tile_means(image: NDArray[np.float32]) -> NDArray[np.float64]:
    """Means over the tiles, (TILES**2, ...)."""
    means = cv2.resize(image, (TILES, TILES), interpolation=cv2.INTER_AREA)
    return np.asarray(means, dtype=np.float64).reshape(TILES**2, *image.shape[2:])


@cache
def tile_middles_mm() -> NDArray[np.float64]:
    """Middles of the tiles on the card, (TILES**2, 2)."""
    return tile_means(grid_mm().astype(np.float32))


def refuse(reason: Reason, detail: str) -> Refusal:
    """A refusal by one of the steps that look at the bay."""
    return Refusal(reason, "blot", detail)
