"""What lies over a card and is no dirt: blotting paper gone askew, shadows of leaves."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from cardreader.card import layout
from cardreader.simulate.cardmap import CardMap
from cardreader.simulate.scene import Scene

_PAPER_MM = 25.6
"""Side of a square that just covers the bay."""
_UNDER_EDGE = 0.35
"""Light that the paper's edge takes from the card beside it."""
_LEAVES = 16


def turn_paper(card: CardMap, scene: Scene, degrees: float) -> None:
    """Turn the paper in the bay, its blot with it; where it lay the card is bare."""
    h, w = card.colour.shape[:2]
    x, y = (c * card.px_per_mm - 0.5 for c in layout.CENTRE_MM)
    turn = cv2.getRotationMatrix2D((x, y), degrees, 1.0)
    half = layout.BAY_MM / 2 * card.px_per_mm
    across, down = np.meshgrid(np.arange(w) - x, np.arange(h) - y)
    bay = np.maximum(np.abs(across), np.abs(down)) < half
    paper = np.where(bay[..., None], card.colour, scene.raw_paper).astype(np.float32)
    paper = np.asarray(cv2.warpAffine(paper, turn, (w, h), borderMode=cv2.BORDER_REPLICATE))
    c, s = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    out = np.maximum(np.abs(c * across - s * down), np.abs(s * across + c * down))
    out = out - _PAPER_MM / 2 * card.px_per_mm
    cover = np.clip(0.5 - out, 0, 1)[..., None].astype(np.float32)
    beside = 1 - _UNDER_EDGE * np.exp(-np.maximum(out, 0) / (0.3 * card.px_per_mm))
    bare = np.where(bay[..., None], scene.raw_stock, card.colour) * beside[..., None]
    card.colour[:] = bare + cover * (paper - bare)


def shade_by_leaves(card: CardMap, rng: np.random.Generator, depth: float) -> None:
    """Take up to ``depth`` of the light in the shapes of leaves, a little soft at the edges."""
    h, w = card.colour.shape[:2]
    y, x = np.mgrid[:h, :w].astype(np.float32) / card.px_per_mm
    shade: NDArray[np.float32] = np.zeros((h, w), np.float32)
    for _ in range(_LEAVES):
        dx, dy = x - rng.uniform(0, layout.WIDTH_MM), y - rng.uniform(0, layout.HEIGHT_MM)
        angle, long = rng.uniform(0, 2 * np.pi), rng.uniform(8, 20)
        along, off = (
            dx * np.cos(angle) + dy * np.sin(angle),
            dy * np.cos(angle) - dx * np.sin(angle),
        )
        inside = 0.22 * long * (1 - (along / long) ** 2) - np.abs(off)
        shade = np.maximum(shade, np.clip(inside / 1.5 + 0.5, 0, 1))
    card.colour[:] *= (1 - depth * shade)[..., None]
