"""Flat drawings in millimetres, written as PDF and as SVG at true size.

One list of shapes feeds both writers, so that the two files can't differ.
Coordinates run from the upper left of the page, x to the right, y down.
"""

from __future__ import annotations

import io
import xml.etree.ElementTree as ET
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import reportlab
from reportlab.lib.units import mm
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas

MM_PER_POINT = 25.4 / 72

Rgb = tuple[float, float, float]
"""sRGB as encoded, 0..1."""

Align = Literal["left", "centre", "right"]

_FONT = {False: "Vera", True: "VeraBd"}


@dataclass(frozen=True)
class Rects:
    """Filled rectangles (x, y, width, height) in mm, drawn as one path.

    One path, because renderers leave hairlines between shapes that touch.
    """

    rects: tuple[tuple[float, float, float, float], ...]
    fill: Rgb
    radius_mm: float = 0.0


@dataclass(frozen=True)
class Stroke:
    """A line through points (x, y) in mm; `closed` joins the last to the first."""

    points: tuple[tuple[float, float], ...]
    width_mm: float
    colour: Rgb
    closed: bool = False


@dataclass(frozen=True)
class Text:
    """One line of text; (x, y) in mm is the end, middle or start of its base line."""

    x_mm: float
    y_mm: float
    text: str
    size_pt: float
    bold: bool = False
    align: Align = "left"
    colour: Rgb = (0.0, 0.0, 0.0)

    @property
    def width_mm(self) -> float:
        """Length of the line as set in the PDF."""
        _register_fonts()
        width: float = pdfmetrics.stringWidth(self.text, _FONT[self.bold], self.size_pt)
        return width * MM_PER_POINT


Shape = Rects | Stroke | Text


@dataclass(frozen=True)
class Drawing:
    """One page of shapes, later ones on top."""

    width_mm: float
    height_mm: float
    title: str
    shapes: tuple[Shape, ...]

    def pdf(self) -> bytes:
        """The page as PDF with embedded fonts; the same drawing gives the same bytes."""
        _register_fonts()
        buffer = io.BytesIO()
        canvas = Canvas(
            buffer,
            pagesize=(self.width_mm * mm, self.height_mm * mm),
            invariant=1,
            pageCompression=1,
        )
        canvas.setTitle(self.title)
        canvas.setCreator("cardreader")
        for shape in self.shapes:
            _draw_pdf(canvas, shape, self.height_mm)
        canvas.showPage()
        canvas.save()
        return buffer.getvalue()

    def svg(self) -> str:
        """The page as SVG 1.1 text; one user unit is one millimetre."""
        root = ET.Element(
            "svg",
            {
                "xmlns": "http://www.w3.org/2000/svg",
                "version": "1.1",
                "width": f"{self.width_mm:g}mm",
                "height": f"{self.height_mm:g}mm",
                "viewBox": f"0 0 {self.width_mm:g} {self.height_mm:g}",
            },
        )
        ET.SubElement(root, "title").text = self.title
        for shape in self.shapes:
            _draw_svg(root, shape)
        ET.indent(root)
        return '<?xml version="1.0" encoding="UTF-8"?>\n' + ET.tostring(root, "unicode") + "\n"


def _register_fonts() -> None:
    folder = Path(reportlab.__file__).parent / "fonts"
    for name in _FONT.values():
        if name not in pdfmetrics.getRegisteredFontNames():
            pdfmetrics.registerFont(TTFont(name, str(folder / f"{name}.ttf")))


def _draw_pdf(canvas: Canvas, shape: Shape, height_mm: float) -> None:
    match shape:
        case Rects(rects, fill, radius_mm):
            canvas.setFillColorRGB(*fill)
            path = canvas.beginPath()
            for x, y, w, h in rects:
                box = (x * mm, (height_mm - y - h) * mm, w * mm, h * mm)
                if radius_mm:
                    path.roundRect(*box, radius_mm * mm)
                else:
                    path.rect(*box)
            canvas.drawPath(path, stroke=0, fill=1)
        case Stroke(points, width_mm, colour, closed):
            canvas.setStrokeColorRGB(*colour)
            canvas.setLineWidth(width_mm * mm)
            path = canvas.beginPath()
            path.moveTo(points[0][0] * mm, (height_mm - points[0][1]) * mm)
            for x, y in points[1:]:
                path.lineTo(x * mm, (height_mm - y) * mm)
            if closed:
                path.close()
            canvas.drawPath(path, stroke=1, fill=0)
        case Text():
            canvas.setFillColorRGB(*shape.colour)
            canvas.setFont(_FONT[shape.bold], shape.size_pt)
            draw = {
                "left": canvas.drawString,
                "centre": canvas.drawCentredString,
                "right": canvas.drawRightString,
            }[shape.align]
            draw(shape.x_mm * mm, (height_mm - shape.y_mm) * mm, shape.text)


_ANCHOR = {"left": "start", "centre": "middle", "right": "end"}


def _draw_svg(root: ET.Element, shape: Shape) -> None:
    match shape:
        case Rects(rects, fill, radius_mm) if radius_mm:
            for x, y, w, h in rects:
                attributes = {"x": x, "y": y, "width": w, "height": h, "rx": radius_mm}
                ET.SubElement(
                    root,
                    "rect",
                    {k: _number(v) for k, v in attributes.items()} | {"fill": _css(fill)},
                )
        case Rects(rects, fill):
            d = "".join(
                f"M{_number(x)} {_number(y)}h{_number(w)}v{_number(h)}h{_number(-w)}z"
                for x, y, w, h in rects
            )
            ET.SubElement(root, "path", {"d": d, "fill": _css(fill)})
        case Stroke(points, width_mm, colour, closed):
            ET.SubElement(
                root,
                "polygon" if closed else "polyline",
                {
                    "points": " ".join(f"{_number(x)},{_number(y)}" for x, y in points),
                    "fill": "none",
                    "stroke": _css(colour),
                    "stroke-width": _number(width_mm),
                },
            )
        case Text():
            element = ET.SubElement(
                root,
                "text",
                {
                    "x": _number(shape.x_mm),
                    "y": _number(shape.y_mm),
                    # DejaVu Sans has the widths of Vera; textLength holds others to them.
                    "font-family": "Bitstream Vera Sans, DejaVu Sans, Verdana, sans-serif",
                    "font-size": _number(shape.size_pt * MM_PER_POINT),
                    "font-weight": "bold" if shape.bold else "normal",
                    "text-anchor": _ANCHOR[shape.align],
                    "textLength": _number(shape.width_mm),
                    "lengthAdjust": "spacingAndGlyphs",
                    "fill": _css(shape.colour),
                },
            )
            element.text = shape.text


def _number(value: float) -> str:
    return f"{value:.4f}".rstrip("0").rstrip(".")


def _css(colour: Rgb) -> str:
    return "#" + "".join(f"{round(255 * c):02x}" for c in colour)
