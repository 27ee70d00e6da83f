"""The printed sheet, checked on rasters made by two independent renderers (PDFium, resvg)."""

from __future__ import annotations

import io
import xml.etree.ElementTree as ET
from collections.abc import Callable
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import get_args

import cv2
import numpy as np
import pypdfium2
import pytest
import reportlab
import resvg_py
from lots import made_up_lot
from numpy.typing import NDArray
from PIL import Image
from skimage.color import lab2rgb

from cardreader.card import layout
from cardreader.card.artwork import patch_rgb
from cardreader.card.drawing import Rects, Text
from cardreader.card.lots import Lots
from cardreader.card.printsheet import PAGE_MM, Page, Sheet, card_sheet, max_copies
from cardreader.colour.cielab import lab_to_srgb
from cardreader.core.shipped import shipped

DPI = 600
PX_PER_MM = DPI / 25.4
DOCS = Path(__file__).parents[2] / "docs"
Raster = Callable[..., NDArray[np.uint8]]


@cache
def sheet(page: Page = "a4", copies: int = 1) -> Sheet:
    return card_sheet(made_up_lot(), page, copies)


@cache
def pdf_raster(page: Page, dpi: float = DPI) -> NDArray[np.uint8]:
    document = pypdfium2.PdfDocument(sheet(page).pdf())
    bitmap = document[0].render(scale=dpi / 72)
    pixels = np.array(bitmap.to_pil().convert("RGB"))
    document.close()
    return pixels


@cache
def svg_raster(page: Page, dpi: int = DPI) -> NDArray[np.uint8]:
    png = resvg_py.svg_to_bytes(
        svg_string=sheet(page).svg(),
        background="#ffffff",
        dpi=dpi,
        skip_system_fonts=True,
        font_dirs=[str(Path(reportlab.__file__).parent / "fonts")],
    )
    return np.array(Image.open(io.BytesIO(bytes(png))).convert("RGB"))


def detected_corners_mm(raster: NDArray[np.uint8]) -> dict[int, NDArray[np.float64]]:
    """Marker corners of the first card found by OpenCV in a raster, in mm on the page."""
    parameters = cv2.aruco.DetectorParameters()
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    detector = cv2.aruco.ArucoDetector(
        cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11), parameters
    )
    first_card = raster[: round(100 * PX_PER_MM), : round(106 * PX_PER_MM)]
    corners, ids, _ = detector.detectMarkers(cv2.cvtColor(first_card, cv2.COLOR_RGB2GRAY))
    assert ids is not None
    # OpenCV calls the middle of the first pixel 0; on paper it is half a pixel in.
    return {
        int(i): (c[0].astype(float) + 0.5) / PX_PER_MM
        for i, c in zip(ids.ravel(), corners, strict=True)
    }


@pytest.mark.parametrize("page", get_args(Page))
def test_page_boxes_have_true_size(page: Page) -> None:
    width, height = PAGE_MM[page]
    document = pypdfium2.PdfDocument(sheet(page).pdf())
    assert len(document) == 1
    assert np.allclose(document[0].get_mediabox(), [0, 0, width * 72 / 25.4, height * 72 / 25.4])
    document.close()
    root = ET.fromstring(sheet(page).svg())
    assert root.get("width") == f"{width:g}mm"
    assert root.get("height") == f"{height:g}mm"
    assert root.get("viewBox") == f"0 0 {width:g} {height:g}"


@pytest.mark.parametrize(
    ("raster", "page"), [(pdf_raster, "a4"), (pdf_raster, "letter"), (svg_raster, "a4")]
)
def test_markers_are_found_at_true_size_and_carry_the_lot(raster: Raster, page: Page) -> None:
    found = detected_corners_mm(raster(page))
    ids = layout.marker_ids(made_up_lot().number)
    assert sorted(found) == sorted(ids)
    asked = layout.marker_corners_mm() + np.array(sheet(page).card_corners_mm[0])
    got = np.stack([found[i] for i in ids])
    assert np.abs(got - asked).max() < 0.1
    assert layout.lot_number(ids) == made_up_lot().number


def test_scales_measure_100_and_50_mm() -> None:
    """Outermost ticks of the level scale, and the length of the upright one's line."""
    ink = pdf_raster("a4").min(axis=2) < 128
    left = sheet().card_corners_mm[0][0]
    zero = max(  # the level scale's line is the longest run of ink on the page
        np.flatnonzero(ink[:, int(left * PX_PER_MM) + 20 :].sum(axis=1) > 95 * PX_PER_MM)
    )
    ticks = np.flatnonzero(ink[zero + round(0.7 * PX_PER_MM)])
    assert (ticks[-1] - ticks[0]) / PX_PER_MM == pytest.approx(100, abs=0.15)
    column = ink[: zero + 1, round(left * PX_PER_MM)][::-1]
    assert np.argmin(column) / PX_PER_MM == pytest.approx(50, abs=0.15)


def test_pdf_and_svg_show_the_same() -> None:
    """Flat areas agree to one code value; text apart, only edges and hairlines differ."""
    dpi = 150
    pdf, svg = pdf_raster("a4", dpi), svg_raster("a4", dpi)
    height, width = np.minimum(pdf.shape, svg.shape)[:2]  # they round the page's size apart
    pdf, svg = pdf[:height, :width], svg[:height, :width]
    apart = cv2.absdiff(pdf, svg).max(axis=2)
    flat = cv2.morphologyEx(pdf, cv2.MORPH_GRADIENT, np.ones((5, 5))).max(axis=2) == 0
    for shape in sheet().drawing.shapes:
        if isinstance(shape, Text):
            y, size = shape.y_mm, shape.size_pt * 25.4 / 72
            x = shape.x_mm - {"left": 0, "centre": 0.5, "right": 1}[shape.align] * shape.width_mm
            box = np.array([y - size, y + size / 2, x - 1, x + shape.width_mm + 1]) * dpi / 25.4
            top, end, left, right = box.round().astype(int)
            apart[top:end, left:right] = 0
    assert apart[flat].max() <= 1
    assert np.mean(apart > 64) < 0.002


@pytest.mark.parametrize("raster", [pdf_raster, svg_raster])
def test_patches_are_uniform_and_have_the_colour_asked_for(raster: Raster) -> None:
    """Neutrals are computed a second time by scikit-image."""
    pixels = raster("a4")
    x0, y0 = sheet().card_corners_mm[0]
    lot = made_up_lot()
    # scikit-image takes Lab for D65 and adapts nothing; for neutrals that makes no difference.
    rgb, _ = patch_rgb(lot)
    h = 0.8 * layout.PATCH_MM / 2
    for cell, want, lab in zip(layout.cells(), rgb, lot.lab, strict=True):
        x, y = x0 + cell.x_mm, y0 + cell.y_mm
        top, end, left, right = (round(v * PX_PER_MM) for v in (y - h, y + h, x - h, x + h))
        patch = pixels[top:end, left:right].reshape(-1, 3)
        assert np.ptp(patch, axis=0).max() == 0, cell.name
        assert np.abs(patch[0] / 255 - want).max() <= 1 / 255, cell.name
        if cell.kind is layout.Kind.NEUTRAL:
            assert np.abs(patch[0] / 255 - lab2rgb(lab)).max() < 2 / 255


def test_d50_colours_are_adapted_as_a_linear_bradford_transform_does() -> None:
    """Against the transform written out: Bradford D50 to D65 matrix, then IEC 61966-2-1.

    Matrices: sRGB/D65 and Bradford cone responses as published (B. Lindbloom's
    pages, from memory); CIE 15 whites.
    """
    bradford = np.array(
        [[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]]
    )
    d50, d65 = np.array([0.96422, 1.0, 0.82521]), np.array([0.95047, 1.0, 1.08883])
    adapt = np.linalg.inv(bradford) @ np.diag((bradford @ d65) / (bradford @ d50)) @ bradford
    to_rgb = np.array(
        [
            [3.2404542, -1.5371385, -0.4985314],
            [-0.9692660, 1.8760108, 0.0415560],
            [0.0556434, -0.2040259, 1.0572252],
        ]
    )
    lab = made_up_lot().lab
    f = np.repeat((lab[:, :1] + 16) / 116, 3, axis=1)
    f[:, 0] += lab[:, 1] / 500
    f[:, 2] -= lab[:, 2] / 200
    xyz = np.where(f > 6 / 29, f**3, 3 * (6 / 29) ** 2 * (f - 4 / 29)) * d50
    linear = xyz @ adapt.T @ to_rgb.T
    encoded = np.where(
        linear <= 0.0031308, 12.92 * linear, 1.055 * np.clip(linear, 0, None) ** (1 / 2.4) - 0.055
    )
    inside = np.all((linear > 0) & (linear < 1), axis=1)
    assert inside.sum() >= 70
    assert np.abs(lab_to_srgb(lab) - encoded)[inside].max() < 0.002


def test_shades_outside_srgb_are_clipped_and_named() -> None:
    lot = made_up_lot()
    lab = lot.lab.copy()
    c09 = [i for i, cell in enumerate(layout.cells()) if cell.shade == "C09"]
    lab[c09] = (50, -90, 40)
    vivid = replace(lot, lab=lab)
    rgb, clipped = patch_rgb(vivid)
    assert clipped == ("C09",)
    assert rgb.min() >= 0
    assert rgb.max() <= 1
    made = card_sheet(vivid)
    assert made.clipped == ("C09",)
    assert any("C09" in s.text for s in made.drawing.shapes if isinstance(s, Text))
    assert sheet().clipped == ()


def test_text_is_legible_and_stays_on_its_strip() -> None:
    x0, y0 = sheet().card_corners_mm[0]
    markers = layout.marker_corners_mm()
    patch_top = min(c.y_mm for c in layout.cells()) - layout.PATCH_MM / 2
    for shape in sheet().drawing.shapes:
        if not isinstance(shape, Text):
            continue
        assert shape.size_pt >= 4.5
        left = shape.x_mm - {"left": 0, "centre": 0.5, "right": 1}[shape.align] * shape.width_mm
        assert left > 5
        assert left + shape.width_mm < PAGE_MM["a4"][0] - 5
        on_card = y0 <= shape.y_mm <= y0 + layout.HEIGHT_MM
        if on_card:
            # A marker needs one module of white around it (AprilTag 36h11).
            assert left - x0 > markers[0, 1, 0] + layout.MARKER_MM / 8
            assert left + shape.width_mm - x0 < markers[1, 0, 0] - layout.MARKER_MM / 8
            y = shape.y_mm - y0
            assert (
                y + 0.3 * shape.size_pt * 25.4 / 72 < patch_top or y > layout.HEIGHT_MM - patch_top
            )


def test_nothing_is_printed_inside_the_frame_of_the_bay() -> None:
    x0, y0 = sheet().card_corners_mm[0]
    (left, top), _, (right, end), _ = np.add(layout.bay_corners_mm(), (x0, y0))
    inset = 0.3
    box = [round(v * PX_PER_MM) for v in (top + inset, end - inset, left + inset, right - inset)]
    assert np.all(pdf_raster("a4")[box[0] : box[1], box[2] : box[3]] == 255)


def test_copies_fit_without_touching() -> None:
    for page in get_args(Page):
        full = sheet(page, max_copies(page))
        width, height = PAGE_MM[page]
        corners = np.array(full.card_corners_mm)
        assert len(corners) == max_copies(page) >= 4
        assert np.all(corners >= 10)
        assert np.all(
            np.add(corners, (layout.WIDTH_MM, layout.HEIGHT_MM)) <= (width - 10, height - 10)
        )
        for i, a in enumerate(corners):
            for b in corners[i + 1 :]:
                apart = np.abs(a - b)
                assert apart[0] > layout.WIDTH_MM + 6 or apart[1] > layout.HEIGHT_MM + 6
        lowest = max(s.y_mm for s in full.drawing.shapes if isinstance(s, Text))
        assert lowest < height - 8


def test_sheet_says_what_must_be_known_before_use() -> None:
    words = " ".join(s.text for s in sheet().drawing.shapes if isinstance(s, Text))
    for phrase in ("100 %", "matt", "don't use the sheet", "Without pairs no card"):
        assert phrase in words
    assert words.count("screening only") == 2
    assert "261101" in words
    assert "use by 2029-12-31" in words


def test_marker_modules_are_exact_eighths() -> None:
    module = layout.MARKER_MM / 8
    paths = [s for s in sheet().drawing.shapes if isinstance(s, Rects) and len(s.rects) > 1]
    assert len(paths) == 4
    for path in paths:
        rects = np.array(path.rects)
        origin = rects[:, :2].min(axis=0)
        for value in ((rects[:, :2] - origin) / module).ravel(), (rects[:, 2:] / module).ravel():
            assert np.allclose(value, np.round(value))


def test_same_lot_gives_the_same_bytes() -> None:
    assert card_sheet(made_up_lot()).pdf() == sheet().pdf()
    assert card_sheet(made_up_lot()).svg() == sheet().svg()


def test_what_cannot_be_printed_is_refused() -> None:
    with pytest.raises(ValueError, match="page"):
        card_sheet(made_up_lot(), "a3")  # type: ignore[arg-type]
    for copies in (0, max_copies("a4") + 1):
        with pytest.raises(ValueError, match="cards asked for"):
            card_sheet(made_up_lot(), copies=copies)
    with pytest.raises(ValueError, match="new print run needs a new number"):
        card_sheet(made_up_lot(basis="measured"))


def test_picture_in_the_docs_is_of_the_shipped_design() -> None:
    """docs/card.png: the first card of the sheet with a rim of 4 mm, at 250 dpi."""
    document = pypdfium2.PdfDocument(card_sheet(Lots.load(shipped("lots"))[1]).pdf())
    page = np.array(document[0].render(scale=250 / 72).to_pil().convert("RGB"))
    document.close()
    shown = np.array(Image.open(DOCS / "card.png").convert("RGB"))
    x, y = sheet().card_corners_mm[0]
    left, top = round((x - 4) * 250 / 25.4), round((y - 4) * 250 / 25.4)
    now = page[top : top + shown.shape[0], left : left + shown.shape[1]]
    assert np.mean(cv2.absdiff(now, shown).max(axis=2) > 8) < 0.002


def test_docs_name_what_a_lot_file_needs() -> None:
    text = (DOCS / "card.md").read_text()
    for word in ("LOT_NUMBER", "EXPIRES", "BASIS", "PAPER", "STOCK", "SPECTRAL_NM400", "D50"):
        assert word in text
    assert str(layout.MARKER_BASE**3 - 1) in text
    for value in (layout.MARKER_MM, layout.BAY_MM, layout.PATCH_MM, *layout.NEUTRAL_L):
        assert f"{value:g}" in text
