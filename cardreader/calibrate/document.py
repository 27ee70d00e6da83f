"""A report as data: sections of text, tables and figures, rendered to HTML and to PDF."""

from __future__ import annotations

import base64
import io
import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Any

import jinja2
import matplotlib
from matplotlib.figure import Figure as Drawing
from reportlab.lib import colors
from reportlab.lib.enums import TA_LEFT
from reportlab.lib.pagesizes import A4
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import (
    BaseDocTemplate,
    Frame,
    Image,
    KeepTogether,
    PageTemplate,
    Paragraph,
    Spacer,
    TableStyle,
)
from reportlab.platypus import Table as PdfTable

FULL_WIDTH_IN = 7.2
"""Figures this wide fill the page; narrower ones keep their proportion."""
INK, FAINT, RULE = "#1d2733", "#5b6672", "#d5dbe1"
GOOD, BAD = "#0b6e4f", "#a4262c"


@dataclass(frozen=True)
class Text:
    """A paragraph. ``kind`` is "plain", "warning" or "verdict"."""

    words: str
    kind: str = "plain"


@dataclass(frozen=True)
class Bullets:
    """A list of short statements."""

    lines: tuple[str, ...]


@dataclass(frozen=True)
class Table:
    """Rows of text; the first column is left, the others right-aligned unless ``wide``.

    ``marks`` colours rows: "good", "bad", "open" or "" for each.
    """

    header: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    note: str = ""
    wide: bool = False
    marks: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class Figure:
    """A drawing with its caption; the caption also serves who can't see it."""

    drawing: Drawing
    caption: str

    def __post_init__(self) -> None:
        # Its parts are put in place once: else that is done twice each time it is drawn.
        if (engine := self.drawing.get_layout_engine()) is not None:
            engine.execute(self.drawing)
            self.drawing.set_layout_engine("none")

    @cached_property
    def svg(self) -> str:
        """The drawing as an SVG element for a page."""
        stream = io.StringIO()
        with matplotlib.rc_context({"svg.hashsalt": "cardreader", "svg.fonttype": "path"}):
            self.drawing.savefig(stream, format="svg", metadata={"Date": None})
        return re.sub(r"^.*?(?=<svg)", "", stream.getvalue(), count=1, flags=re.DOTALL)

    @cached_property
    def data_uri(self) -> str:
        """The SVG as an image source: figures can't then clash in their ids."""
        return "data:image/svg+xml;base64," + base64.b64encode(self.svg.encode()).decode()

    @property
    def share(self) -> float:
        """Part of the page's width that it fills."""
        return float(min(1.0, self.drawing.get_size_inches()[0] / FULL_WIDTH_IN))

    @cached_property
    def png(self) -> bytes:
        """The drawing for print."""
        stream = io.BytesIO()
        # Hardly compressed: a PDF compresses it anew.
        hardly = {"compress_level": 1}
        self.drawing.savefig(
            stream, format="png", dpi=170, metadata={"Software": None}, pil_kwargs=hardly
        )
        return stream.getvalue()


Block = Text | Bullets | Table | Figure


@dataclass(frozen=True)
class Section:
    """A heading with what follows."""

    title: str
    blocks: tuple[Block, ...]

    @property
    def anchor(self) -> str:
        """Name for links."""
        return re.sub(r"[^a-z0-9]+", "-", self.title.lower()).strip("-")


@dataclass(frozen=True)
class Document:
    """A whole report. ``banner`` stands at the top of every page, e.g. for synthetic data."""

    title: str
    subtitle: str
    sections: tuple[Section, ...]
    banner: str = ""
    foot: str = ""
    facts: tuple[tuple[str, str], ...] = field(default=())


_TEMPLATES = Path(__file__).parent / "templates"


def render(template: str, **values: Any) -> str:
    """Fill a template of this package; values are escaped in HTML."""
    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(_TEMPLATES),
        autoescape=template.endswith(".html"),
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
        undefined=jinja2.StrictUndefined,
    )
    environment.filters["kind"] = lambda block: type(block).__name__.lower()
    return environment.get_template(template).render(**values)


def to_html(document: Document) -> str:
    """One HTML page that needs nothing else."""
    return render("report.html", document=document)


# --- PDF ----------------------------------------------------------------------------

_FONT, _BOLD = "DejaVuSans", "DejaVuSans-Bold"
_WIDTH = A4[0] - 40 * mm


def _register_fonts() -> None:
    folder = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
    for name in (_FONT, _BOLD):
        if name not in pdfmetrics.getRegisteredFontNames():
            pdfmetrics.registerFont(TTFont(name, str(folder / f"{name}.ttf")))


def _style(name: str, size: float, **more: Any) -> ParagraphStyle:
    options: dict[str, Any] = {
        "fontName": _FONT,
        "fontSize": size,
        "leading": size * 1.4,
        "textColor": INK,
        "alignment": TA_LEFT,
        "spaceAfter": 2 * mm,
    }
    return ParagraphStyle(name, **(options | more))


def to_pdf(document: Document) -> bytes:
    """The same report for print, A4."""
    _register_fonts()
    stream = io.BytesIO()
    template = BaseDocTemplate(
        stream, pagesize=A4, title=document.title, author="cardreader", invariant=1
    )
    frame = Frame(20 * mm, 20 * mm, _WIDTH, A4[1] - 42 * mm, *(0, 0, 0, 0), id="text")

    def furniture(canvas: Canvas, page: Any) -> None:
        canvas.saveState()
        canvas.setFont(_FONT, 7.5)
        canvas.setFillColor(BAD if document.banner else FAINT)
        canvas.drawString(20 * mm, A4[1] - 13 * mm, document.banner or document.title)
        canvas.setFillColor(FAINT)
        canvas.drawString(20 * mm, 11 * mm, document.foot)
        canvas.drawRightString(A4[0] - 20 * mm, 11 * mm, str(page.page))
        canvas.restoreState()

    template.addPageTemplates([PageTemplate(frames=[frame], onPage=furniture)])
    template.build(_story(document))
    return stream.getvalue()


def _story(document: Document) -> list[Any]:
    title = _style("title", 19, fontName=_BOLD, leading=24, spaceAfter=1 * mm)
    subtitle = _style("subtitle", 10, textColor=FAINT, spaceAfter=5 * mm)
    heading = _style("heading", 12.5, fontName=_BOLD, spaceBefore=6 * mm, spaceAfter=2.5 * mm)
    story: list[Any] = [Paragraph(_escape(document.title), title)]
    story.append(Paragraph(_escape(document.subtitle), subtitle))
    if document.facts:
        story.append(_pdf_table(Table(("", ""), document.facts, wide=True), plain=True))
    for section in document.sections:
        first, *rest = [_pdf_block(block) for block in section.blocks] or [[Spacer(0, 0)]]
        story.append(KeepTogether([Paragraph(_escape(section.title), heading), *first]))
        for flowables in rest:
            story += flowables
    return story


def _escape(words: str) -> str:
    return words.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")


def _pdf_block(block: Block) -> list[Any]:
    body = _style("body", 9)
    if isinstance(block, Text):
        return [_pdf_text(block, body)]
    if isinstance(block, Bullets):
        item = _style("item", 9, leftIndent=4 * mm, bulletIndent=0, spaceAfter=1.2 * mm)
        return [Paragraph(_escape(words), item, bulletText="•") for words in block.lines]
    small = _style("small", 7.5, textColor=FAINT, spaceAfter=4 * mm)
    if isinstance(block, Table):
        table: list[Any] = [_pdf_table(block)]
        note = [Paragraph(_escape(block.note), small)] if block.note else [Spacer(0, 4 * mm)]
        return table + note
    width, height = block.drawing.get_size_inches()
    across = _WIDTH * block.share
    image = Image(io.BytesIO(block.png), width=across, height=across * height / width)
    image.hAlign = "LEFT"
    return [KeepTogether([image, Paragraph(_escape(block.caption), small)])]


def _pdf_text(block: Text, body: ParagraphStyle) -> Paragraph:
    colour = {"warning": BAD, "verdict": INK}.get(block.kind)
    if colour is None:
        return Paragraph(_escape(block.words), body)
    boxed = _style(
        block.kind,
        10.5 if block.kind == "verdict" else 9,
        fontName=_BOLD if block.kind == "verdict" else _FONT,
        textColor=colour,
        borderColor=colour,
        borderWidth=0.8,
        borderPadding=6,
        spaceBefore=2 * mm,
        spaceAfter=5 * mm,
    )
    return Paragraph(_escape(block.words), boxed)


def _pdf_table(table: Table, plain: bool = False) -> PdfTable:
    n = len(table.header)
    cell = _style("cell", 7.8, leading=10, spaceAfter=0)
    right = _style("right", 7.8, leading=10, spaceAfter=0, alignment=2)
    head = _style("head", 7.8, leading=10, spaceAfter=0, fontName=_BOLD, textColor=FAINT)
    head_right = _style(
        "head_right", 7.8, leading=10, spaceAfter=0, fontName=_BOLD, textColor=FAINT, alignment=2
    )

    def row(words: Sequence[str], left: ParagraphStyle, other: ParagraphStyle) -> list[Paragraph]:
        return [
            Paragraph(_escape(word), left if column == 0 or table.wide else other)
            for column, word in enumerate(words)
        ]

    data = [] if plain else [row(table.header, head, head_right)]
    data += [row(words, cell, right) for words in table.rows]
    style = [
        ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ("LINEBELOW", (0, 0), (-1, -1), 0.4, colors.HexColor(RULE)),
        ("LEFTPADDING", (0, 0), (-1, -1), 2),
        ("RIGHTPADDING", (0, 0), (-1, -1), 4),
        ("TOPPADDING", (0, 0), (-1, -1), 2),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 2.5),
    ]
    shades = {"good": "#e8f4ef", "bad": "#fae9ea", "open": "#fbf3e2"}
    for index, mark in enumerate(table.marks):
        if mark:
            at = index + (0 if plain else 1)
            style.append(("BACKGROUND", (0, at), (-1, at), colors.HexColor(shades[mark])))
    return PdfTable(
        data,
        colWidths=_column_widths(table, n),
        style=TableStyle(style),
        repeatRows=0 if plain else 1,
        hAlign="LEFT",
    )


def _column_widths(table: Table, n: int) -> list[float]:
    """Shares of the page by the longest words of each column, within bounds."""
    longest = [max(len(row[column]) for row in (table.header, *table.rows)) for column in range(n)]
    weights = [min(max(length, 9), 46) for length in longest]
    return [_WIDTH * weight / sum(weights) for weight in weights]
