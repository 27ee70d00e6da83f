"""The card seen straight on, in raw camera colour: a picture in card millimetres.

Drawn at the density of the photo to come, with edges shared exactly between
the pixels they cross, so that warping adds no jaggedness of its own.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from cardreader.card import layout
from cardreader.simulate.blotshape import Blot
from cardreader.simulate.scene import BLOT_VOLUMES, Scene
from cardreader.simulate.view import Cover

Picture = NDArray[np.float32]
CORNER_MM = 3.18
"""Corner radius of an ID-1 card (ISO/IEC 7810)."""

SHADOW_PX_PER_MM = 6.0
SHADOW_BORDER_MM = 3.0

_MARKERS = cv2.aruco.DICT_APRILTAG_36h11
_MARKER_MODULES = 8
_BLOT_PX_PER_MM = 16.0
_TEXT_ROWS_MM = ((3.4, 1.1), (5.6, 0.8))


@dataclass(frozen=True)
class CardMap:
    """A card picture.

    Attributes
    ----------
    colour : (h, w, 3) float32 array
        Raw camera colour in full light, without glare.
    share : (h, w) float32 array
        How much of each pixel is card: 0 outside the rounded corners.
    shadow : (h, w) float32 array
        Light that the card's edge takes from the table, at `SHADOW_PX_PER_MM`,
        with a border of `SHADOW_BORDER_MM`.
    px_per_mm : float
        The middle of pixel (0, 0) lies at 0.5 / px_per_mm in both directions.
    """

    colour: Picture
    share: Picture
    shadow: Picture
    px_per_mm: float

    def colour_at(self, at_mm: Picture) -> Picture:
        """Raw colour (h, w, 3) at card positions (h, w, 2) in mm.

        The edge is continued outwards, so that it is not darkened twice when
        the share is taken.
        """
        return _look(self.colour, at_mm, self.px_per_mm, 0, cv2.BORDER_REPLICATE)

    def share_at(self, at_mm: Picture) -> Picture:
        """Share of card (h, w) at card positions (h, w, 2) in mm."""
        return _look(self.share, at_mm, self.px_per_mm, 0, cv2.BORDER_CONSTANT)

    def shadow_at(self, at_mm: Picture) -> Picture:
        """Light taken from the table (h, w) at card positions (h, w, 2) in mm."""
        return _look(self.shadow, at_mm, SHADOW_PX_PER_MM, SHADOW_BORDER_MM, cv2.BORDER_CONSTANT)

    def fill(
        self, x0_mm: float, y0_mm: float, x1_mm: float, y1_mm: float, raw: NDArray[np.float64]
    ) -> None:
        """Paint a rectangle; pixels on its edge get their share."""
        h, w = self.colour.shape[:2]
        x, xs = _cover(x0_mm * self.px_per_mm, x1_mm * self.px_per_mm, w)
        y, ys = _cover(y0_mm * self.px_per_mm, y1_mm * self.px_per_mm, h)
        if not (xs.size and ys.size):
            return
        share = (ys[:, None] * xs)[..., None]
        part = self.colour[y : y + ys.size, x : x + xs.size]
        part += share * (raw.astype(np.float32) - part)


def _cover(start: float, stop: float, size: int) -> tuple[int, Picture]:
    """First pixel that an interval touches, and the share of each it covers."""
    start, stop = max(start, 0.0), min(stop, float(size))
    if stop <= start:
        return 0, np.zeros(0, np.float32)
    first, last = int(start), int(np.ceil(stop))
    edge = np.arange(first, last + 1)
    share = np.minimum(edge[1:], stop) - np.maximum(edge[:-1], start)
    return first, share.astype(np.float32)


def draw_card(
    scene: Scene,
    blot: Blot,
    px_per_mm: float,
    rng: np.random.Generator,
    covers: tuple[Cover, ...] = (),
) -> CardMap:
    """Draw the card of a scene with a blot in its bay."""
    size = (round(layout.HEIGHT_MM * px_per_mm), round(layout.WIDTH_MM * px_per_mm))
    card = CardMap(np.empty((*size, 3), np.float32), _share(size, px_per_mm), _shadow(), px_per_mm)
    card.colour[:] = scene.raw_stock
    for cell, raw in zip(layout.cells(), scene.raw_patches, strict=True):
        _square(card, cell.x_mm, cell.y_mm, layout.PATCH_MM, raw)
    _draw_text(card, scene, rng)
    _draw_markers(card, scene)
    _draw_bay(card, scene, blot)
    _add_grain(card, rng)
    for c in covers:
        card.fill(c.x0_mm, c.y0_mm, c.x1_mm, c.y1_mm, scene.raw_stock * (0.16, 0.10, 0.07))
    return card


def _look(
    picture: Picture, at_mm: Picture, px_per_mm: float, border_mm: float, border: int
) -> Picture:
    where = (at_mm + np.float32(border_mm)) * np.float32(px_per_mm) - np.float32(0.5)
    return cv2.remap(picture, where, None, cv2.INTER_LINEAR, borderMode=border)  # type: ignore


def _share(size: tuple[int, int], px_per_mm: float) -> Picture:
    h, w = size
    radius = CORNER_MM * px_per_mm
    # Distance beyond the inner rectangle on whose corners the rounding centres.
    x = np.maximum(np.abs(np.arange(w) + 0.5 - w / 2) - (w / 2 - radius), 0)
    y = np.maximum(np.abs(np.arange(h) + 0.5 - h / 2) - (h / 2 - radius), 0)
    beyond = np.hypot(x.astype(np.float32), y.astype(np.float32)[:, None])
    return np.asarray(np.clip(radius + 0.5 - beyond, 0, 1), np.float32)


def _shadow() -> Picture:
    """A card is 0.8 mm thick: light from the upper left leaves a thin dark seam."""
    size = (
        round(layout.HEIGHT_MM * SHADOW_PX_PER_MM),
        round(layout.WIDTH_MM * SHADOW_PX_PER_MM),
    )
    border = round(SHADOW_BORDER_MM * SHADOW_PX_PER_MM)
    fall = round(0.4 * SHADOW_PX_PER_MM)
    seam = np.zeros((size[0] + 2 * border, size[1] + 2 * border), np.float32)
    start = border + fall
    seam[start : start + size[0], start : start + size[1]] = _share(size, SHADOW_PX_PER_MM)
    return np.asarray(0.45 * cv2.GaussianBlur(seam, (0, 0), 0.35 * SHADOW_PX_PER_MM), np.float32)


def _square(card: CardMap, x: float, y: float, side: float, raw: NDArray[np.float64]) -> None:
    card.fill(x - side / 2, y - side / 2, x + side / 2, y + side / 2, raw)


def _draw_markers(card: CardMap, scene: Scene) -> None:
    dictionary = cv2.aruco.getPredefinedDictionary(_MARKERS)
    ids = layout.marker_ids(scene.lot.number)
    for identity, corners in zip(ids, layout.marker_corners_mm(), strict=True):
        bits = cv2.aruco.generateImageMarker(dictionary, identity, _MARKER_MODULES) > 0
        (x0, y0), (x1, y1) = corners[0], corners[2]
        card.fill(x0, y0, x1, y1, scene.raw_marker)
        x, across = _modules(x0 * card.px_per_mm, x1 * card.px_per_mm)
        y, down = _modules(y0 * card.px_per_mm, y1 * card.px_per_mm)
        # All white modules at once: painted singly, neighbours would show a seam.
        share = (down @ bits.astype(np.float32) @ across.T)[..., None]
        part = card.colour[y : y + down.shape[0], x : x + across.shape[0]]
        part += share * (scene.raw_stock - scene.raw_marker).astype(np.float32)


def _modules(start: float, stop: float) -> tuple[int, Picture]:
    """First pixel of a marker, and the share (n, 8) of each pixel in each module."""
    edges = np.linspace(start, stop, _MARKER_MODULES + 1)
    first, last = int(start), int(np.ceil(stop))
    low, high = np.arange(first, last)[:, None], np.arange(first + 1, last + 1)[:, None]
    share = np.minimum(high, edges[1:]) - np.maximum(low, edges[:-1])
    return first, np.maximum(share, 0).astype(np.float32)


def _draw_text(card: CardMap, scene: Scene, rng: np.random.Generator) -> None:
    """Dashes where the printed card has words: they carry no meaning for the reader."""
    grey = 0.25 * scene.raw_stock + 0.75 * scene.raw_marker
    for y, height in _TEXT_ROWS_MM:
        for top in (y, layout.HEIGHT_MM - y - height):
            x, end = 14.0 + rng.uniform(0, 4), layout.WIDTH_MM - 14.0 - rng.uniform(0, 12)
            while x < end:
                letter = rng.uniform(0.35, 0.7) * height
                if rng.random() > 0.18:
                    tall = height * rng.uniform(0.55, 1.0)
                    card.fill(x, top + height - tall, x + 0.45 * letter, top + height, grey)
                x += letter


def _draw_bay(card: CardMap, scene: Scene, blot: Blot) -> None:
    x, y = layout.CENTRE_MM
    half = layout.BAY_MM / 2
    frame = 0.45 * scene.raw_stock + 0.55 * scene.raw_marker
    _square(card, x, y, layout.BAY_MM + 0.6, frame)
    _square(card, x, y, layout.BAY_MM, scene.raw_paper)
    low, high = _blot_box(blot, x, y, half)
    if low is None or high is None:
        return
    n = np.maximum(np.ceil((high - low) * _BLOT_PX_PER_MM).astype(int), 2)
    steps = [(np.arange(k) + 0.5) * (b - a) / k + a for a, b, k in zip(low, high, n, strict=True)]
    volume = blot.volume(np.stack(np.meshgrid(*steps), axis=-1)).astype(np.float32)
    first = np.round(low * card.px_per_mm).astype(int)
    last = np.round(high * card.px_per_mm).astype(int)
    to_box = (n / ((last - first) / card.px_per_mm)).astype(float)
    # From card pixels to pixels of the volume map, both with their middle at + 0.5.
    start = ((first + 0.5) / card.px_per_mm - low) * to_box - 0.5
    scale = to_box / card.px_per_mm
    fine = cv2.warpAffine(
        volume,
        np.array([[scale[0], 0, start[0]], [0, scale[1], start[1]]]),
        tuple(int(v) for v in last - first),
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )
    soaked = np.stack(
        [np.interp(fine, BLOT_VOLUMES, channel) for channel in scene.raw_blot.T], axis=-1
    )
    # Pixels of the bay's edge are shared with its frame and stay as they are.
    inner = slice(first[1], last[1]), slice(first[0], last[0])
    card.colour[inner] = np.where(fine[..., None] > 0.002, soaked, card.colour[inner])


def _blot_box(
    blot: Blot, x: float, y: float, half: float
) -> tuple[NDArray[np.float64] | None, NDArray[np.float64] | None]:
    """Box (mm) that holds all blood inside the bay, or nothing."""
    if not blot.blobs:
        return None, None
    middles = np.array([(b.x_mm, b.y_mm) for b in blot.blobs])
    reach = np.array([1.6 * b.radius_mm + 1.5 for b in blot.blobs])[:, None]
    bay = np.array([x, y])
    low = np.maximum((middles - reach).min(axis=0), bay - half)
    high = np.minimum((middles + reach).max(axis=0), bay + half)
    return low, high


def _add_grain(card: CardMap, rng: np.random.Generator) -> None:
    """Fibres of the paper and grain of the print: fine, with mean 1."""
    coarse = tuple(int(s * 9 / card.px_per_mm) for s in card.colour.shape[:2])
    grain = 0.006 * rng.standard_normal(coarse, dtype=np.float32)
    h, w = card.colour.shape[:2]
    colour = card.colour
    colour *= (1 + cv2.resize(grain, (w, h), interpolation=cv2.INTER_LINEAR))[..., None]
