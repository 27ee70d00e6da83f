"""What all papers are made of: styles, tables, and the PDF itself."""

from __future__ import annotations

from collections.abc import Sequence
from io import BytesIO
from typing import Any
from xml.sax.saxutils import escape

from reportlab.lib.colors import black
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.platypus import (
    BaseDocTemplate,
    Flowable,
    Frame,
    FrameBreak,
    HRFlowable,
    PageTemplate,
    Paragraph,
    SimpleDocTemplate,
    Table,
    TableStyle,
)

from cardreader.web import texts

BODY = ParagraphStyle("body", fontName="Helvetica", fontSize=10.5, leading=14.5)
SMALL = ParagraphStyle("small", parent=BODY, fontSize=9, leading=12)
COLUMN = ParagraphStyle("column", parent=SMALL, leading=10.5)
COLUMN_HEAD = ParagraphStyle(
    "columnhead",
    parent=COLUMN,
    fontName="Helvetica-Bold",
    fontSize=10.5,
    leading=13,
    spaceBefore=7,
    spaceAfter=2,
    keepWithNext=1,
)
SMALL_HEAD = ParagraphStyle("smallhead", parent=SMALL, fontName="Helvetica-Bold")
TITLE = ParagraphStyle("title", parent=BODY, fontName="Helvetica-Bold", fontSize=16, leading=20)
HEAD = ParagraphStyle(
    "head",
    parent=BODY,
    fontName="Helvetica-Bold",
    fontSize=11.5,
    leading=15,
    spaceBefore=9,
    spaceAfter=3,
)
LOUD = ParagraphStyle(
    "loud", parent=BODY, fontName="Helvetica-Bold", fontSize=13, leading=17, spaceAfter=2
)


def para(text: str, style: ParagraphStyle) -> Paragraph:
    """A paragraph of plain text."""
    # The built-in fonts have no narrow no-break space, which some languages put before "%".
    return Paragraph(escape(text.replace("\u202f", "\u00a0")), style)


def rule() -> HRFlowable:
    """A line across the page."""
    return HRFlowable(width="100%", thickness=1, color=black, spaceBefore=3, spaceAfter=6)


def table(
    rows: list[tuple[str, str]],
    first_width: float,
    row_height: float | None = None,
    boxed: bool = False,
    style: ParagraphStyle = BODY,
) -> Flowable:
    """Names with their values, two columns; ``boxed`` to be written into."""
    if not rows:
        return para("-", BODY)
    cells = [[para(name, style), para(value, style)] for name, value in rows]
    made = Table(
        cells, colWidths=[first_width, None], rowHeights=[row_height] * len(rows), hAlign="LEFT"
    )
    line = ("GRID", (0, 0), (-1, -1), 0.7, black)
    thin = ("LINEBELOW", (0, 0), (-1, -1), 0.25, black)
    made.setStyle(
        TableStyle(
            [
                line if boxed else thin,
                ("VALIGN", (0, 0), (-1, -1), "MIDDLE"),
                ("TOPPADDING", (0, 0), (-1, -1), 2),
                ("BOTTOMPADDING", (0, 0), (-1, -1), 2),
                ("LEFTPADDING", (0, 0), (-1, -1), 3),
            ]
        )
    )
    return made


def build(size: tuple[float, float], title: str, parts: list[Flowable]) -> bytes:
    """The PDF; ``size`` in points."""
    out = BytesIO()
    SimpleDocTemplate(out, **_setting(size, title)).build(parts)
    return out.getvalue()


def build_columns(
    size: tuple[float, float], title: str, head: list[Flowable], parts: list[Flowable]
) -> bytes:
    """The PDF with ``head`` across the first page and ``parts`` in two columns below it."""
    out = BytesIO()
    document = BaseDocTemplate(out, **_setting(size, title))
    columns = [_column(document, n, document.height - HEAD_HEIGHT) for n in (0, 1)]
    top = document.bottomMargin + document.height - HEAD_HEIGHT
    across = Frame(document.leftMargin, top, document.width, HEAD_HEIGHT, 0, 0, 0, 0, id="head")
    later = [_column(document, n, document.height) for n in (0, 1)]
    document.addPageTemplates(
        [
            PageTemplate("first", [across, *columns], autoNextPageTemplate="later"),
            PageTemplate("later", later),
        ]
    )
    document.build([*head, FrameBreak(), *parts])
    return out.getvalue()


HEAD_HEIGHT = 20 * mm
_GAP = 6 * mm


def _column(document: BaseDocTemplate, number: int, height: float) -> Frame:
    width = (document.width - _GAP) / 2
    x = document.leftMargin + number * (width + _GAP)
    return Frame(x, document.bottomMargin, width, height, 0, 0, 0, 0)


def _setting(size: tuple[float, float], title: str) -> dict[str, Any]:
    return {
        "pagesize": size,
        "title": title,
        "author": "cardreader",
        "lang": texts.current_language.get(),
        "leftMargin": 12 * mm,
        "rightMargin": 12 * mm,
        "topMargin": 10 * mm,
        "bottomMargin": 10 * mm,
    }


def grid(
    heads: Sequence[str],
    rows: Sequence[Sequence[str]],
    widths_mm: Sequence[float],
    row_height: float | None = None,
) -> Flowable:
    """A boxed table whose head stands on every page again; ``row_height`` in points."""
    cells = [[para(head, SMALL_HEAD) for head in heads]]
    cells += [[para(cell, SMALL) for cell in row] for row in rows]
    made = Table(
        cells,
        colWidths=[width * mm for width in widths_mm],
        rowHeights=[None, *([row_height] * len(rows))],
        repeatRows=1,
        hAlign="LEFT",
    )
    made.setStyle(
        TableStyle(
            [
                ("GRID", (0, 0), (-1, -1), 0.7, black),
                ("VALIGN", (0, 0), (-1, -1), "MIDDLE"),
                ("LEFTPADDING", (0, 0), (-1, -1), 3),
                ("RIGHTPADDING", (0, 0), (-1, -1), 3),
                ("TOPPADDING", (0, 0), (-1, -1), 3),
                ("BOTTOMPADDING", (0, 0), (-1, -1), 3),
            ]
        )
    )
    return made
