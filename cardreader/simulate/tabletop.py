"""Procedural tables for the card to lie on: grey textures between two colours."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from cardreader.simulate.view import Table

Picture = NDArray[np.float32]

# Linear colour of the dark and the light places, as shares of the card's stock.
_COLOURS = {
    Table.WOOD: ((0.19, 0.12, 0.075), (0.40, 0.28, 0.19)),
    Table.CLOTH: ((0.16, 0.20, 0.24), (0.34, 0.39, 0.42)),
    Table.DARK: ((0.035, 0.033, 0.035), (0.075, 0.072, 0.070)),
    Table.STONE: ((0.26, 0.25, 0.23), (0.46, 0.45, 0.42)),
}
_TILE = 1400
_CORNER_MM = 60.0
"""How far up and left of the card's corner the tile begins."""


@dataclass(frozen=True)
class Tabletop:
    """A table: ``grey`` (n, n) between two raw colours (3,), continued by reflection."""

    grey: Picture
    px_per_mm: float
    dark: Picture
    light: Picture

    def seen_at(self, at_mm: Picture, out: Picture) -> None:
        """Write the raw colour at card positions (h, w, 2) in mm to ``out`` (h, w, 3)."""
        where = (at_mm + np.float32(_CORNER_MM)) * np.float32(self.px_per_mm)
        grey = cv2.remap(self.grey, where, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT)  # type: ignore[call-overload]
        np.multiply(grey[..., None], self.light - self.dark, out=out)
        out += self.dark


def draw_tabletop(
    table: Table, raw_stock: NDArray[np.float64], px_per_mm: float, rng: np.random.Generator
) -> Tabletop:
    """Draw a table next to a card whose stock has the raw colour given, shape (3,)."""
    grey = np.clip(_PATTERNS[table](_TILE / px_per_mm, rng), 0, 1).astype(np.float32)
    dark, light = (np.asarray(raw_stock * c, np.float32) for c in _COLOURS[table])
    return Tabletop(grey, px_per_mm, dark, light)


def _noise(
    rng: np.random.Generator, size_mm: float, grain_x_mm: float, grain_y_mm: float
) -> Picture:
    """Smooth noise with standard deviation about 1 and the given grain."""
    shape = tuple(int(np.clip(size_mm / g, 2, _TILE)) + 2 for g in (grain_y_mm, grain_x_mm))
    coarse = rng.standard_normal(shape, dtype=np.float32)
    return np.asarray(cv2.resize(coarse, (_TILE, _TILE), interpolation=cv2.INTER_CUBIC))


def _wood(size_mm: float, rng: np.random.Generator) -> Picture:
    rings = _noise(rng, size_mm, 90, 14) + 0.15 * _noise(rng, size_mm, 40, 3)
    bands = 0.5 + 0.28 * np.sin(2 * np.pi * 1.6 * rings)
    return np.asarray(bands + 0.07 * _noise(rng, size_mm, 12, 0.35) + 0.05 * rings)


def _cloth(size_mm: float, rng: np.random.Generator) -> Picture:
    thread = np.linspace(0, 2 * np.pi * size_mm / 1.1, _TILE, dtype=np.float32)
    weave = 0.16 * (np.sin(thread)[:, None] * np.sin(thread)[None, :])
    return np.asarray(
        0.5 + weave + 0.12 * _noise(rng, size_mm, 30, 30) + 0.06 * _noise(rng, size_mm, 4, 0.7)
    )


def _dark(size_mm: float, rng: np.random.Generator) -> Picture:
    return 0.5 + 0.2 * _noise(rng, size_mm, 60, 60) + 0.1 * _noise(rng, size_mm, 0.6, 0.6)


def _stone(size_mm: float, rng: np.random.Generator) -> Picture:
    coarse = 0.16 * _noise(rng, size_mm, 25, 25) + 0.12 * _noise(rng, size_mm, 5, 5)
    return np.asarray(0.5 + coarse + 0.10 * _noise(rng, size_mm, 0.7, 0.7))


_PATTERNS = {Table.WOOD: _wood, Table.CLOTH: _cloth, Table.DARK: _dark, Table.STONE: _stone}
