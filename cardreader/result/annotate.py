"""The annotated picture: what the reader saw, and the reading on the scale of shades.

Above, the photo cut to the card, with the card's edge, the patches and the
blot outlined. Below, the words first, then the number on a band of the card's
own blood shades with the limits marked. Everything is told in words or shape
as well, never by colour alone.
"""

from __future__ import annotations

import io
from dataclasses import dataclass
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from cardreader.card import layout
from cardreader.colour.cielab import encode_srgb, lab_to_srgb
from cardreader.core.files import write_atomic
from cardreader.decide.statements import TEXT, Statement
from cardreader.read.turned import solid
from cardreader.result.astext import adjusted_text, headline, interval_text, number_text
from cardreader.result.provisos import blot_statement, calibration_statement, lot_statement

if TYPE_CHECKING:
    from cardreader.decide.rule import Decision
    from cardreader.read.locate import CardPose
    from cardreader.read.photo import Photo
    from cardreader.result.reading import Reading

WIDTH_PX = 1080
"""Three pixels to each of the 360 of a narrow phone: the smallest text stays at 12."""
FORMATS = {".jpg": "JPEG", ".jpeg": "JPEG", ".png": "PNG"}
JPEG_QUALITY = 90

_SUBPIXEL_BITS = 4
_TALLEST_PHOTO = 1.4
_CARD_MARGIN_MM = 12.0
PAD_PX = 48
_LEAD = 1.3

INK = (28, 28, 30)
PAPER = (252, 251, 248)
QUIET = (96, 96, 100)
_RULE = (208, 206, 200)
_WHITE = (255, 255, 255)

_TITLE_PX, _BODY_PX, SMALL_PX = 60, 42, 36

Colour = tuple[int, int, int]


def annotate(reading: Reading) -> Image.Image:
    """Draw a reading. Without a photo (the file was no image) only the words are drawn."""
    parts = [_panel(reading)]
    if reading.photo is not None:
        parts.insert(0, _photo_part(reading))
    whole = Image.new("RGB", (WIDTH_PX, sum(part.height for part in parts)), PAPER)
    y = 0
    for part in parts:
        whole.paste(part, (0, y))
        y += part.height
    return whole


def outlined_photo(reading: Reading) -> Image.Image | None:
    """The photo alone, cut to the card and outlined; for pages that say the words themselves."""
    return None if reading.photo is None else _photo_part(reading)


def write_annotated(path: Path | str, reading: Reading) -> None:
    """Write the annotated picture as JPEG or PNG, by the name's ending, wholly or not at all.

    Nothing of the photo's own metadata (place, owner) is carried over.
    Raises ValueError for another ending and OSError as writing a file does.
    """
    path = Path(path)
    kind = FORMATS.get(path.suffix.lower())
    if kind is None:
        raise ValueError(f"{path.name}: an annotated picture ends in {', '.join(FORMATS)}")
    stream = io.BytesIO()
    annotate(reading).save(stream, kind, quality=JPEG_QUALITY, optimize=True)
    write_atomic(path, stream.getvalue())


# --- the photo --------------------------------------------------------------------


def _photo_part(reading: Reading) -> Image.Image:
    assert reading.photo is not None
    rgb = _as_srgb(reading.photo)
    left, top, right, bottom = _view(rgb, reading.pose)
    scale = WIDTH_PX / (right - left)
    size = (WIDTH_PX, max(1, round((bottom - top) * scale)))
    how = cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC
    part = cv2.resize(rgb[top:bottom, left:right], size, interpolation=how)
    picture = np.asarray(part, dtype=np.uint8)
    if reading.pose is not None:
        _outlines(picture, reading, reading.pose, scale, (left, top))
    return Image.fromarray(picture)


def _as_srgb(photo: Photo) -> NDArray[np.uint8]:
    if photo.to_srgb is not None:  # a wide-gamut photo shown as sRGB would look faded
        linear = np.clip(photo.to_linear(photo.encoded), 0, 1)
        return np.asarray(np.round(255 * encode_srgb(linear)), np.uint8)
    if photo.encoded.dtype == np.uint16:
        return np.asarray(photo.encoded >> 8, np.uint8)
    return np.asarray(solid(photo.encoded))


def _view(rgb: NDArray[np.uint8], pose: CardPose | None) -> tuple[int, int, int, int]:
    """Part of the photo to show, pixels (left, top, right, bottom): the card and its margin."""
    height, width = rgb.shape[:2]
    left, top, right, bottom = 0, 0, width, height
    if pose is not None:
        edge = pose.to_px(_border_mm(_CARD_MARGIN_MM))
        low, high = np.maximum(edge.min(0), 0), np.minimum(edge.max(0), (width, height))
        if np.all(high - low > 16):
            (left, top), (right, bottom) = low.astype(int), np.ceil(high).astype(int)
    # A very tall strip would push the words off the screen.
    spare = max(0, int((bottom - top) - _TALLEST_PHOTO * (right - left))) // 2
    return int(left), int(top) + spare, int(right), int(bottom) - spare


def _border_mm(margin_mm: float) -> NDArray[np.float64]:
    """The card's edge as a closed line with points between, since lenses bend it."""
    x0, y0 = -margin_mm, -margin_mm
    x1, y1 = layout.WIDTH_MM + margin_mm, layout.HEIGHT_MM + margin_mm
    corners = np.array([(x0, y0), (x1, y0), (x1, y1), (x0, y1), (x0, y0)])
    steps = np.linspace(0, 1, 12, endpoint=False)[:, None]
    sides = [a + steps * (b - a) for a, b in pairwise(corners)]
    return np.concatenate([*sides, corners[-1:]])


def _outlines(
    picture: NDArray[np.uint8],
    reading: Reading,
    pose: CardPose,
    scale: float,
    origin: tuple[int, int],
) -> None:
    def line(points_mm: NDArray[np.float64], width: int) -> None:
        # Resizing maps pixel edges onto edges; centres sit half a pixel inside.
        points = (pose.to_px(points_mm) - origin + 0.5) * scale - 0.5
        fixed = [np.round(points * (1 << _SUBPIXEL_BITS)).astype(np.int32)]
        # Dark under light: seen on white card and dark table alike.
        for colour, wide in ((INK, 2 * width), (_WHITE, width)):
            cv2.polylines(picture, fixed, False, colour, wide, cv2.LINE_AA, _SUBPIXEL_BITS)

    line(_border_mm(0.0), 3)
    half = 0.38 * layout.PATCH_MM
    square = np.array([(-half, -half), (half, -half), (half, half), (-half, half), (-half, -half)])
    for cell in layout.cells():
        line(square + np.array((cell.x_mm, cell.y_mm)), 1)
    if reading.blot is not None:
        outline = np.asarray(reading.blot.outline_mm, dtype=np.float64)
        line(np.concatenate([outline, outline[:1]]), 3)


# --- the words and the scale ------------------------------------------------------


@dataclass
class _Page:
    """A page that is written from top to bottom, at drawing scale 1."""

    image: Image.Image
    y: int = PAD_PX

    @property
    def draw(self) -> ImageDraw.ImageDraw:
        return ImageDraw.Draw(self.image)

    def write(self, text: str, size: int, colour: Colour = INK, heavy: bool = False) -> None:
        """Write text over the full width, broken where it must be."""
        for line in _broken(text, size, WIDTH_PX - 2 * PAD_PX):
            self.draw.text(
                (PAD_PX, self.y), line, colour, _font(size), stroke_width=1 if heavy else 0
            )
            self.y += round(size * _LEAD)

    def gap(self, height: int) -> None:
        """Leave some of the page empty."""
        self.y += height

    def cut(self) -> Image.Image:
        """The page as far as it was written."""
        return self.image.crop((0, 0, WIDTH_PX, self.y + PAD_PX))


def _panel(reading: Reading) -> Image.Image:
    page = _Page(Image.new("RGB", (WIDTH_PX, 3000), PAPER))
    decision = reading.decision
    page.write(headline(decision), _TITLE_PX, heavy=True)
    page.gap(12)
    if reading.estimate is not None:
        page.write(number_text(reading.estimate) + ".", _BODY_PX)
        page.write(interval_text(reading.estimate) + " g/dL.", _BODY_PX)
        if adjusted := adjusted_text(decision):
            page.write(adjusted + ".", _BODY_PX)
        page.gap(28)
        _scale(page, reading)
    elif reading.refusal is not None:
        page.write(reading.refusal.advice, _BODY_PX)
    page.gap(28)
    for action in decision.actions:
        page.write(TEXT[action], _BODY_PX, heavy=action is Statement.REFER_NOW)
    page.gap(20)
    page.draw.line((PAD_PX, page.y, WIDTH_PX - PAD_PX, page.y), _RULE, 3)
    page.gap(20)
    _small_print(page, reading, decision)
    return page.cut()


def _small_print(page: _Page, reading: Reading, decision: Decision) -> None:
    page.write(TEXT[Statement.SCREENING_ONLY], _BODY_PX)
    codes = [Statement.LOCAL_PROTOCOL, *decision.notes]
    about = (blot_statement(reading), lot_statement(reading), calibration_statement(reading))
    codes += [statement for statement in about if statement is not None]
    page.write(" ".join(TEXT[code] for code in codes), SMALL_PX, QUIET)


_SCALE_FROM, _SCALE_TO = layout.RAMP_HB_G_DL[0], layout.RAMP_HB_G_DL[-1]
BAND_PX = 84
_NUMBER_PX = 90


def _x_of(hb_g_dl: float) -> int:
    share = (min(max(hb_g_dl, _SCALE_FROM), _SCALE_TO) - _SCALE_FROM) / (_SCALE_TO - _SCALE_FROM)
    return round(PAD_PX + share * (WIDTH_PX - 2 * PAD_PX))


def _scale(page: _Page, reading: Reading) -> None:
    """Marker and interval above, the band of shades, the limits and band names below."""
    assert reading.estimate is not None
    draw = page.draw
    top = page.y + 64
    bottom = top + BAND_PX
    _shades(page.image, reading, top, bottom)
    low, high = reading.estimate.interval_g_dl
    bar = top - 26
    draw.line((_x_of(low), bar, _x_of(high), bar), INK, 8)
    for end in (low, high):
        draw.line((_x_of(end), bar - 16, _x_of(end), bar + 16), INK, 6)
    x = _x_of(reading.estimate.hb_g_dl)
    draw.polygon([(x - 26, bar - 38), (x + 26, bar - 38), (x, top + 2)], INK)
    _limits(page, reading.decision, top, bottom)


def _shades(image: Image.Image, reading: Reading, top: int, bottom: int) -> None:
    """Fill the band with the card's ramp shades, blended between their places."""
    left, right = _x_of(_SCALE_FROM), _x_of(_SCALE_TO)
    hb = np.linspace(_SCALE_FROM, _SCALE_TO, right - left)
    lab = _ramp_lab(reading.lot)
    blend = np.stack([np.interp(hb, layout.RAMP_HB_G_DL, lab[:, c]) for c in range(3)], axis=-1)
    row = np.asarray(np.round(255 * np.clip(lab_to_srgb(blend), 0, 1)), np.uint8)
    band = np.repeat(row[None], bottom - top, axis=0)
    image.paste(Image.fromarray(band), (left, top))


def _ramp_lab(lot: Any) -> NDArray[np.float64]:
    """Lab of the lot's ramp shades (14, 3), the two prints of each averaged."""
    if lot is None:
        raise ValueError("a reading with an estimate has a card lot")
    at = [i for i, cell in enumerate(layout.cells()) if cell.kind is layout.Kind.RAMP]
    return np.asarray(np.asarray(lot.lab)[at].reshape(-1, 2, 3).mean(1), np.float64)


def _limits(page: _Page, decision: Decision, top: int, bottom: int) -> None:
    draw = page.draw
    shift = decision.adjustment_g_dl
    limits = [b.below_g_dl + shift for b in decision.bands if b.below_g_dl is not None]
    for i, limit in enumerate(limits):
        x = _x_of(limit)
        draw.line((x, top - 8, x, bottom + 22), _WHITE, 9)
        draw.line((x, top - 8, x, bottom + 22), INK, 4)
        # Two limits side by side push their numbers apart.
        before = i > 0 and x - _x_of(limits[i - 1]) < _NUMBER_PX
        after = i + 1 < len(limits) and _x_of(limits[i + 1]) - x < _NUMBER_PX
        anchor = "la" if before else "ra" if after else "ma"
        at = (x - 6 * before, bottom + 26)
        draw.text(at, f"{round(limit, 1):g}", INK, _font(SMALL_PX), anchor=anchor)
    draw.text((WIDTH_PX - PAD_PX, bottom + 26), "g/dL", QUIET, _font(SMALL_PX), anchor="ra")
    page.y = bottom + 26 + round(SMALL_PX * _LEAD)
    _names(page, decision, [_SCALE_FROM, *limits, _SCALE_TO])


def _names(page: _Page, decision: Decision, edges: list[float]) -> None:
    """Each band's name below its part of the scale, one line lower where two would meet."""
    taken = [-1.0, -1.0]
    for band, low, high in zip(decision.bands, edges[:-1], edges[1:], strict=True):
        width = _font(SMALL_PX).getlength(band.title)
        middle = (_x_of(low) + _x_of(high)) / 2
        left = min(max(middle - width / 2, PAD_PX), WIDTH_PX - PAD_PX - width)
        row = 0 if left > taken[0] else 1
        y = page.y + row * round(SMALL_PX * _LEAD)
        page.draw.text((left, y), band.title, INK, _font(SMALL_PX))
        taken[row] = left + width + 20
    page.y += round(SMALL_PX * _LEAD) * (2 if taken[1] > 0 else 1)


def _broken(text: str, size: int, width: int) -> list[str]:
    lines: list[str] = []
    for word in text.split():
        longer = f"{lines[-1]} {word}" if lines else word
        if lines and _font(size).getlength(longer) <= width:
            lines[-1] = longer
        else:
            lines.append(word)
    return lines


@cache
def _font(size: int) -> Any:
    return ImageFont.load_default(size)
