"""What lies on a card that has been in use: dust, thumb marks, splashes."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from cardreader.card import layout
from cardreader.simulate.cardmap import CardMap

_DIRT = np.array([0.42, 0.36, 0.30], np.float32)
"""Light that a heavy layer of brown dirt lets through, twice."""


def soil(card: CardMap, rng: np.random.Generator, share: float, everywhere: bool = False) -> None:
    """Cover about ``share`` of the printed part with spots and smears of dirt, of all depths.

    The bay stays clean unless ``everywhere``: its paper is fresh.
    """
    h, w = card.colour.shape[:2]
    layer = np.zeros((h, w), np.float32)
    while (layer > 0.05).mean() < share:
        x, y = rng.uniform(0, w), rng.uniform(0, h)
        long = float(np.exp(rng.normal(np.log(1.6), 0.6))) * card.px_per_mm
        wide = long * rng.uniform(0.25, 1.0)
        one = np.zeros((h, w), np.float32)
        axes = max(round(long), 1), max(round(wide), 1)
        cv2.ellipse(one, (round(x), round(y)), axes, float(rng.uniform(0, 180)), 0, 360, (1.0,), -1)
        soft = cv2.GaussianBlur(one, (0, 0), 0.15 * long + 0.5)
        layer = np.maximum(layer, soft * np.float32(rng.uniform(0.15, 1.0)))
    if not everywhere:
        x0, y0 = ((np.array(layout.CENTRE_MM) - layout.BAY_MM / 2) * card.px_per_mm).astype(int)
        n = int(layout.BAY_MM * card.px_per_mm) + 1
        layer[y0 : y0 + n, x0 : x0 + n] = 0
    through = np.power(_DIRT, layer[..., None])
    np.multiply(card.colour, through, out=card.colour)


def splash(
    card: CardMap, rng: np.random.Generator, colour: NDArray[np.float64], drops: int
) -> None:
    """Drops of a raw colour (3,), such as blood, dried on the printed part."""
    for _ in range(drops):
        x, y = rng.uniform(2, layout.WIDTH_MM - 2), rng.uniform(2, layout.HEIGHT_MM - 2)
        if np.abs(np.array([x, y]) - layout.CENTRE_MM).max() < layout.BAY_MM / 2 + 1:
            continue
        centre = round(x * card.px_per_mm), round(y * card.px_per_mm)
        radius = round(float(rng.uniform(0.5, 2.2)) * card.px_per_mm)
        cv2.circle(card.colour, centre, radius, tuple(float(c) for c in colour), -1, cv2.LINE_AA)
