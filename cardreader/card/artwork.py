"""The card to print: a lot's colours laid out at true size on an A4 or Letter page.

What is printed carries the colours *asked for*. What the reader compares with
are the colours *measured* on the finished print, so the sheet says that a lot
must be measured before its cards are used.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from cardreader.card import layout
from cardreader.card.drawing import MM_PER_POINT, Drawing, Rects, Rgb, Shape, Stroke, Text
from cardreader.card.lot import Lot
from cardreader.colour.cielab import lab_to_srgb

Page = Literal["a4", "letter"]

PAGE_MM: dict[str, tuple[float, float]] = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
"""Width and height: ISO 216 A4; US Letter is 8.5 x 11 inch."""

RULER_MM = 100.0
RULER_UPRIGHT_MM = 50.0

_MARGIN_MM = 15.0
_CARD_GAP_MM = 8.0
_CARDS_TOP_MM = 38.0
_FOOT_MM = 74.0
"""Height kept at the end of the page for rulers and instructions."""

_BLACK: Rgb = (0.0, 0.0, 0.0)
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

_PAGE_TITLE_PT = 15.0
_PAGE_TEXT_PT = 7.5

# The strips of text run between the markers, flush with the patches under them.
_STRIP_LEFT_MM = layout.cell_centre_mm(0, 2)[0] - layout.PATCH_MM / 2
_STRIP_RIGHT_MM = layout.WIDTH_MM - _STRIP_LEFT_MM

_INSTRUCTIONS = (
    (
        "1",
        "Print at 100 % (actual size) on heavy matt paper, in the best",
        "quality, with all colour effects off.",
    ),
    (
        "2",
        "Lay a rule on both scales. If either is off by more than",
        "0.5 mm, don't use the sheet.",
    ),
    (
        "3",
        "Let the ink dry for a day. Cut along the corner marks.",
        "Don't laminate: gloss spoils the reading.",
    ),
    (
        "4",
        "Measure the patches of this print run and add the lot file.",
        "No card may be used before its lot was measured.",
    ),
    ("5", "Every print run is a lot of its own, with its own number."),
    ("6", "Keep cards dry, clean and in the dark."),
)


@dataclass(frozen=True)
class Sheet:
    """A page of cards.

    Attributes
    ----------
    drawing : Drawing
        What is printed; ``drawing.pdf()`` and ``drawing.svg()`` write it.
    card_corners_mm : tuple of (x, y)
        Upper left corner of each card on the page.
    clipped : tuple of str
        Shades whose colour lies outside sRGB and is printed as the nearest inside.
    """

    drawing: Drawing
    card_corners_mm: tuple[tuple[float, float], ...]
    clipped: tuple[str, ...]

    def pdf(self) -> bytes:
        """The sheet as a PDF file."""
        return self.drawing.pdf()

    def svg(self) -> str:
        """The sheet as SVG text."""
        return self.drawing.svg()


def max_copies(page: Page) -> int:
    """How many cards fit on a page."""
    columns, rows = _grid(page)
    return columns * rows


def card_sheet(lot: Lot, page: Page = "a4", copies: int = 1) -> Sheet:
    """Lay cards of a lot out on a page.

    Raises ValueError for an unknown page, for more copies than `max_copies`,
    and for a lot that was measured: a card printed later is another print run,
    and under the old number it would be read with colours that it hasn't got.
    """
    if page not in PAGE_MM:
        raise ValueError(f"page {page!r} is neither 'a4' nor 'letter'")
    if not 1 <= copies <= max_copies(page):
        raise ValueError(f"{copies} cards asked for; 1 to {max_copies(page)} fit on {page}")
    if lot.basis == "measured":
        raise ValueError(
            f"lot {lot.lot_id} is already printed and measured; a new print run needs a new number"
        )
    width, height = PAGE_MM[page]
    columns, _ = _grid(page)
    rgb, clipped = patch_rgb(lot)
    corners = tuple(
        (
            _left_mm(page) + (i % columns) * (layout.WIDTH_MM + _CARD_GAP_MM),
            _CARDS_TOP_MM + (i // columns) * (layout.HEIGHT_MM + _CARD_GAP_MM),
        )
        for i in range(copies)
    )
    shapes: list[Shape] = _heading(lot, _left_mm(page))
    for corner in corners:
        shapes += [_moved(shape, corner) for shape in card_shapes(lot, rgb)]
        shapes += _crop_marks(corner)
    foot = corners[-1][1] + layout.HEIGHT_MM + 11.0
    shapes += _foot(clipped, _left_mm(page), foot)
    drawing = Drawing(width, height, f"Card lot {lot.lot_id}", tuple(shapes))
    return Sheet(drawing, corners, clipped)


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


# --- the card ------------------------------------------------------------------


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
    return Rects(tuple(runs), _BLACK)


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
        shapes.append(Stroke(tuple((float(x), float(y)) for x, y in points), 0.3, _BLACK))
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


# --- the page ------------------------------------------------------------------


def _grid(page: Page) -> tuple[int, int]:
    width, height = PAGE_MM[page]
    columns = (width - 2 * _MARGIN_MM + _CARD_GAP_MM) / (layout.WIDTH_MM + _CARD_GAP_MM)
    rows = (height - _CARDS_TOP_MM - _FOOT_MM + _CARD_GAP_MM) / (layout.HEIGHT_MM + _CARD_GAP_MM)
    return int(columns), int(rows)


def _left_mm(page: Page) -> float:
    """Left edge of the block of cards, centred on the page."""
    columns, _ = _grid(page)
    block = columns * layout.WIDTH_MM + (columns - 1) * _CARD_GAP_MM
    return (PAGE_MM[page][0] - block) / 2


def _heading(lot: Lot, left: float) -> list[Shape]:
    return [
        Text(left, 20.0, f"Card lot {lot.lot_id}", _PAGE_TITLE_PT, bold=True),
        Text(
            left,
            26.5,
            f"Use by {lot.expires.isoformat()}. For screening only: every result is confirmed as "
            "local protocol asks.",
            _PAGE_TEXT_PT,
        ),
    ]


def _crop_marks(corner: tuple[float, float]) -> list[Shape]:
    """Corner marks that stop short of the card, so that none is left after cutting."""
    x, y = corner
    out: list[Shape] = []
    for edge_x, away_x in ((x, -1), (x + layout.WIDTH_MM, 1)):
        for edge_y, away_y in ((y, -1), (y + layout.HEIGHT_MM, 1)):
            for points in (
                ((edge_x + away_x, edge_y), (edge_x + 3 * away_x, edge_y)),
                ((edge_x, edge_y + away_y), (edge_x, edge_y + 3 * away_y)),
            ):
                out.append(Stroke(points, 0.1, _BLACK))
    return out


def _foot(clipped: tuple[str, ...], left: float, top: float) -> list[Shape]:
    """Two scales in the shape of an L, instructions in its angle, facts beside it."""
    shapes = _ruler(left, top)
    x, y = left + 9.0, top + 3.5
    for number, *lines in _INSTRUCTIONS:
        shapes.append(Text(x, y, number, _PAGE_TEXT_PT, bold=True))
        for line in lines:
            shapes.append(Text(x + 4.5, y, line, _PAGE_TEXT_PT))
            y += 3.5
        y += 1.0
    x, y = left + RULER_MM + 12.0, top + 3.5
    for heading, lines in _facts(clipped):
        shapes.append(Text(x, y, heading, _PAGE_TEXT_PT, bold=True))
        y += 3.5
        for line in lines:
            shapes.append(Text(x, y, line, _PAGE_TEXT_PT))
            y += 3.5
        y += 2.0
    return shapes


def _facts(clipped: tuple[str, ...]) -> list[tuple[str, list[str]]]:
    facts = [
        ("Card", ["85.60 x 53.98 mm (ISO/IEC 7810 ID-1)"]),
        ("Basis", ["Colours as designed, not yet measured"]),
        ("Colours", ["sRGB, from CIELAB D50, 2 degrees"]),
    ]
    if clipped:
        facts[-1][1].append("Outside sRGB, nearest is printed:")
        facts[-1][1].extend(
            ", ".join(clipped[i : i + 8]) for i in range(0, min(len(clipped), 32), 8)
        )
    return facts


def _ruler(left: float, top: float) -> list[Shape]:
    """An upright scale of 50 mm and a level one of 100 mm that share their zero."""
    zero = top + RULER_UPRIGHT_MM
    shapes: list[Shape] = [
        Stroke(((left, top), (left, zero), (left + RULER_MM, zero)), 0.2, _BLACK)
    ]
    for i in range(int(RULER_MM) + 1):
        length = 3.0 if i % 10 == 0 else 2.2 if i % 5 == 0 else 1.4
        shapes.append(Stroke(((left + i, zero), (left + i, zero + length)), 0.1, _BLACK))
        if i % 10 == 0:
            shapes.append(Text(left + i, zero + 5.6, str(i), 6.0, align="centre"))
    for i in range(int(RULER_UPRIGHT_MM) + 1):
        length = 3.0 if i % 10 == 0 else 2.2 if i % 5 == 0 else 1.4
        shapes.append(Stroke(((left, zero - i), (left - length, zero - i)), 0.1, _BLACK))
        if i % 10 == 0 and i:
            shapes.append(Text(left - 3.6, zero - i + 0.75, str(i), 6.0, align="right"))
    shapes.append(Text(left + RULER_MM + 3.0, zero + 5.6, "mm", 6.0))
    return shapes


def _moved(shape: Shape, by: tuple[float, float]) -> Shape:
    dx, dy = by
    match shape:
        case Rects(rects, fill, radius):
            return Rects(tuple((x + dx, y + dy, w, h) for x, y, w, h in rects), fill, radius)
        case Stroke(points, width, colour, closed):
            return Stroke(tuple((x + dx, y + dy) for x, y in points), width, colour, closed)
        case Text(x, y, text, size, bold, align, colour):
            return Text(x + dx, y + dy, text, size, bold, align, colour)


def _rgb(values: NDArray[np.float64]) -> Rgb:
    r, g, b = (float(v) for v in values)
    return r, g, b
