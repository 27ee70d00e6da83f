"""Luma round places of a card, without drawing the card.

A Gaussian neighbourhood's mean over a rectangle is a product of differences of the normal
distribution function, and a card is rectangles on rectangles: prints, markers and bay on the
card, a blot on the bay, the card on the table.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from cardreader.card import layout
from cardreader.simulate.rendering import BT709_LUMA
from cardreader.simulate.scene import BLOT_VOLUMES, Scene

Array = NDArray[np.float64]

_BLOT_MM = 2 * 5.5 * np.sqrt(np.pi) / 2
"""Side of the square as large as a usual blot."""
_WHITE_MODULES = 0.5
"""Share of a marker that is bare card."""
_CARD_MM: Array = np.array([[0.0, 0.0], [layout.WIDTH_MM, layout.HEIGHT_MM]])


def luma_about(scene: Scene, at_mm: Array, reach_mm: float, raw_table: Array) -> Array:
    """Luma (n,) after the tone curve, averaged round places (n, 2) of the card.

    ``reach_mm`` is the standard deviation of the neighbourhood, ``raw_table`` (3,) the raw
    colour of what lies about the card.
    """

    def luma(raw: Array, lit_at: Array) -> Array:
        lit = raw * scene.shade(lit_at)[..., None] + scene.glare
        return np.asarray(scene.camera.tone(scene.display(lit)) @ BT709_LUMA)

    boxes = _boxes()
    middles = boxes.mean(axis=1)
    stock = luma(scene.raw_stock, middles)
    blot = [np.interp(1.0, BLOT_VOLUMES, column) for column in scene.raw_blot.T]
    laid = luma(_raw_of_boxes(scene, np.array(blot)), middles)
    laid[_MARKERS] += _WHITE_MODULES * (stock - laid)[_MARKERS]
    under = stock.copy()
    under[_BLOT] = laid[_BAY]
    table, card = luma(raw_table, at_mm), luma(scene.raw_stock, at_mm)
    about = table + (card - table) * _share(at_mm, _CARD_MM[None], reach_mm)[:, 0]
    return np.asarray(about + _share(at_mm, boxes, reach_mm) @ (laid - under))


_N_PRINTS = len(layout.cells())
_MARKERS = slice(_N_PRINTS, _N_PRINTS + 4)
_BAY, _BLOT = _N_PRINTS + 4, _N_PRINTS + 5


def _boxes() -> Array:
    """Two corners (k, 2, 2) each of the prints, the markers, the bay and the blot, in mm."""
    prints = [(cell.x_mm, cell.y_mm) for cell in layout.cells()]
    markers = [corners.mean(axis=0) for corners in layout.marker_corners_mm()]
    middles = np.array([*prints, *markers, layout.CENTRE_MM, layout.CENTRE_MM])
    sides = np.array(
        [layout.PATCH_MM] * len(prints)
        + [layout.MARKER_MM] * len(markers)
        + [layout.BAY_MM, _BLOT_MM]
    )
    return middles[:, None] + sides[:, None, None] * np.array([[-0.5, -0.5], [0.5, 0.5]])


def _raw_of_boxes(scene: Scene, raw_blot: Array) -> Array:
    return np.concatenate(
        [
            scene.raw_patches,
            np.repeat(scene.raw_marker[None], 4, axis=0),
            scene.raw_paper[None],
            raw_blot[None],
        ]
    )


def _share(at_mm: Array, boxes: Array, reach_mm: float) -> Array:
    """Of the neighbourhood of each place (n, 2) in each box (k, 2, 2), shape (n, k)."""
    edges = ndtr((boxes[None] - at_mm[:, None, None]) / reach_mm)
    return np.asarray((edges[:, :, 1] - edges[:, :, 0]).prod(axis=-1))
