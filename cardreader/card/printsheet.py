"""Cards of a lot at true size on an A4 or Letter page, with rulers and instructions.

What is printed carries the colours *asked for*. What the reader compares with
are the colours *measured* on the finished print, so the sheet says that a lot
must be measured before its cards are used.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from cardreader.card import layout
from cardreader.card.artwork import BLACK, card_shapes, patch_rgb
from cardreader.card.drawing import Drawing, Rects, Shape, Stroke, Text
from cardreader.card.lot import Lot

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

_PAGE_TITLE_PT = 15.0
_PAGE_TEXT_PT = 7.5

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
        "Measure the patches of this print run, or photograph its cards,",
        "before laboratory pairs. Without pairs no card gives a value.",
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
    and for a lot that was measured or photographed: a card printed later is another print run,
    and under the old number it would be read with colours that it hasn't got.
    """
    if page not in PAGE_MM:
        raise ValueError(f"page {page!r} is neither 'a4' nor 'letter'")
    if not 1 <= copies <= max_copies(page):
        raise ValueError(f"{copies} cards asked for; 1 to {max_copies(page)} fit on {page}")
    if lot.basis != "nominal":
        raise ValueError(
            f"lot {lot.lot_id} is already printed and {lot.basis}; a new print run needs a new "
            "number"
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
                out.append(Stroke(points, 0.1, BLACK))
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
    shapes: list[Shape] = [Stroke(((left, top), (left, zero), (left + RULER_MM, zero)), 0.2, BLACK)]
    for i in range(int(RULER_MM) + 1):
        length = 3.0 if i % 10 == 0 else 2.2 if i % 5 == 0 else 1.4
        shapes.append(Stroke(((left + i, zero), (left + i, zero + length)), 0.1, BLACK))
        if i % 10 == 0:
            shapes.append(Text(left + i, zero + 5.6, str(i), 6.0, align="centre"))
    for i in range(int(RULER_UPRIGHT_MM) + 1):
        length = 3.0 if i % 10 == 0 else 2.2 if i % 5 == 0 else 1.4
        shapes.append(Stroke(((left, zero - i), (left - length, zero - i)), 0.1, BLACK))
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
