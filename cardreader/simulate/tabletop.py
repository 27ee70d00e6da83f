"""Procedural tables for the card to lie on: grey textures between two colours."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from cardreader.simulate.view import Table

Picture = NDArray[np.float32]

# Linear colour of the dark and the light places, as shares of the card's stock.
_COLOURS = {
    Table.WOOD: ((0.19, 0.12, 0.075), (0.40, 0.28, 0.19)),
    Table.CLOTH: ((0.08, 0.15, 0.20), (0.22, 0.33, 0.38)),
    Table.DARK: ((0.035, 0.033, 0.035), (0.075, 0.072, 0.070)),
    Table.STONE: ((0.26, 0.25, 0.23), (0.46, 0.45, 0.42)),
}
_TILE = 1400


def texture(table: Table, px_per_mm: float, rng: np.random.Generator) -> Picture:
    """A square tile (n, n, 3) of the table's colour relative to the card's stock.

    ``px_per_mm`` is the tile's density; it may be continued by reflection.
    """
    size_mm = _TILE / px_per_mm
    grey = _PATTERNS[table](size_mm, rng)
    dark, light = (np.array(c, np.float32) for c in _COLOURS[table])
    return np.asarray(dark + np.clip(grey, 0, 1)[..., None] * (light - dark), np.float32)


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
