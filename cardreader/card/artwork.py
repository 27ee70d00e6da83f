"""One card as it is printed: patches, markers, bay and words, upper left corner at (0, 0)."""

from __future__ import annotations

from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

from cardreader.card import layout
from cardreader.card.drawing import MM_PER_POINT, Rects, Rgb, Shape, Stroke, Text
from cardreader.card.lot import Lot
from cardreader.colour.cielab import lab_to_srgb

BLACK: Rgb = (0.0, 0.0, 0.0)
_GREY: Rgb = (0.45, 0.45, 0.45)
_CORNER_RADIUS_MM = 0.4

_CARD_TITLE_PT = 6.0
_CARD_TEXT_PT = 4.6
_LINE_MM = 2.2
_CAP_HEIGHT = 0.729
"""Height of the typeface's capitals as a share of its size."""

_SCREENING = "screening only: confirm by local protocol"
_PROMPT_PHOTO = "Whole card in view, even light, no flash, phone level above it."
_PROMPT_PAPER = "Cover the frame with fresh blotting paper, dry blot in its middle."


# The strips of text run between the markers, flush with the patches under them.
_STRIP_LEFT_MM = layout.cell_centre_mm(0, 2)[0] - layout.PATCH_MM / 2
_STRIP_RIGHT_MM = layout.WIDTH_MM - _STRIP_LEFT_MM


def patch_rgb(lot: Lot) -> tuple[NDArray[np.float64], tuple[str, ...]]:
    """Encoded sRGB of the patches, (72, 3) in 0..1, and the shades that had to be clipped.

    From D50 to the D65 of sRGB by the Bradford transform; what lies outside the
    gamut is clipped channel by channel.
    """
    srgb = lab_to_srgb(lot.lab)
    # Half a code value of 8 bits: less can't be told apart once printed.
    outside = np.any((srgb < -0.5 / 255) | (srgb > 1 + 0.5 / 255), axis=1)
    shades = {cell.shade: None for cell, out in zip(layout.cells(), outside, strict=True) if out}
    return np.clip(srgb, 0, 1), tuple(shades)


def card_shapes(lot: Lot, rgb: NDArray[np.float64]) -> list[Shape]:
    """One card with its upper left corner at (0, 0); `rgb` colours the patches, (72, 3)."""
    shapes: list[Shape] = []
    h = layout.PATCH_MM / 2
    for cell, fill in zip(layout.cells(), rgb, strict=True):
        box = (cell.x_mm - h, cell.y_mm - h, layout.PATCH_MM, layout.PATCH_MM)
        shapes.append(Rects((box,), _rgb(fill), _CORNER_RADIUS_MM))
    for corners, identity in zip(
        layout.marker_corners_mm(), layout.marker_ids(lot.number), strict=True
    ):
        shapes.append(_marker(identity, corners[0]))
    return shapes + _bay() + _strips(lot)


def _marker(identity: int, corner: NDArray[np.float64]) -> Rects:
    """Black modules of a marker as runs along each row, upper left corner at `corner`."""
    module = layout.MARKER_MM / _MODULES
    runs = []
    for row, line in enumerate(_marker_bits(identity)):
        edges = np.flatnonzero(np.diff(np.concatenate([[0], line, [0]])))
        for start, end in edges.reshape(-1, 2):
            runs.append(
                (
                    float(corner[0] + start * module),
                    float(corner[1] + row * module),
                    float((end - start) * module),
                    module,
                )
            )
    return Rects(tuple(runs), BLACK)


_MODULES = 8
"""Modules along a side of the 36h11 family: six of code and a black rim."""


@cache
def _marker_bits(identity: int) -> NDArray[np.int8]:
    """Modules of a marker, (8, 8), 1 for black."""
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    return (cv2.aruco.generateImageMarker(dictionary, identity, _MODULES) < 128).astype(np.int8)


def _bay() -> list[Shape]:
    """Thin frame for the blotting paper, with heavier corners; nothing inside it."""
    corners = layout.bay_corners_mm()
    frame = Stroke(tuple((float(x), float(y)) for x, y in corners), 0.12, _GREY, closed=True)
    shapes: list[Shape] = [frame]
    for i, corner in enumerate(corners):
        ends = []
        for other in (corners[i - 1], corners[(i + 1) % 4]):
            ends.append(corner + (other - corner) * 2.4 / layout.BAY_MM)
        points = (ends[0], corner, ends[1])
        shapes.append(Stroke(tuple((float(x), float(y)) for x, y in points), 0.3, BLACK))
    return shapes


def _strips(lot: Lot) -> list[Shape]:
    """Text above and below the patches, where blotting paper never covers it.

    The outer lines stand flush with the outer edges of the markers.
    """
    markers = layout.marker_corners_mm()
    first = float(markers[0, 0, 1]) + _CAP_HEIGHT * _CARD_TITLE_PT * MM_PER_POINT
    last = float(markers[2, 2, 1])
    left, right = _STRIP_LEFT_MM, _STRIP_RIGHT_MM
    use_by = f"use by {lot.expires.isoformat()}"
    return [
        Text(left, first, "cardreader", _CARD_TITLE_PT, bold=True),
        Text(right, first, _SCREENING, _CARD_TEXT_PT, align="right"),
        Text(left, first + _LINE_MM, _PROMPT_PHOTO, _CARD_TEXT_PT, colour=_GREY),
        Text(left, last - _LINE_MM, _PROMPT_PAPER, _CARD_TEXT_PT, colour=_GREY),
        Text(left, last, f"Lot {lot.lot_id}", _CARD_TITLE_PT, bold=True),
        Text(right, last, use_by, _CARD_TEXT_PT, align="right"),
    ]


def _rgb(values: NDArray[np.float64]) -> Rgb:
    r, g, b = (float(v) for v in values)
    return r, g, b
