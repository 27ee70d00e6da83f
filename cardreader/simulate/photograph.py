"""From a scene and a view to the bytes of a phone photo.

Light first: card and table in raw linear colour are warped into the frame,
shaded, veiled by glare, blurred and given sensor noise; only then come the
camera's matrix, tone curve, sharpening and JPEG, as in a phone.
"""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
from numpy.typing import NDArray

from cardreader.simulate.blotshape import Blot, draw_blot
from cardreader.simulate.cardmap import CardMap, draw_card
from cardreader.simulate.geometry import Projection, card_corners_mm
from cardreader.simulate.lighting import reflection, shadow_factor
from cardreader.simulate.phonefile import jpeg
from cardreader.simulate.rendering import BT709_LUMA
from cardreader.simulate.scene import Scene
from cardreader.simulate.tabletop import draw_tabletop
from cardreader.simulate.view import View

Array = NDArray[np.float64]
Picture = NDArray[np.float32]
_MAX_CARD_PX_PER_MM = 42.0
_STEP = 8
"""Smooth fields are worked out on every eighth pixel and interpolated."""

_STRIP = 15 * _STEP
"""Rows worked on at a time, so that all that is needed stays in the cache."""

_TONE_STEPS = 1 << 16
_SHARPEN_PX = 1.2

# Interpolating the colour mosaic softens and correlates the noise a little.
_MOSAIC = np.array([0.2, 0.6, 0.2])


def photograph(
    scene: Scene,
    view: View,
    seed: int,
    blot: Blot | None = None,
    on_card: Callable[[CardMap], None] | None = None,
) -> bytes:
    """Take a photo: JPEG bytes; the same arguments give the same bytes.

    ``blot`` None draws a good one from the seed; ``on_card`` as `expose` takes it.
    """
    rng = np.random.default_rng(seed)
    blot = blot or draw_blot(rng)
    picture = develop(scene, view, expose(scene, view, blot, rng, on_card=on_card), rng)
    return jpeg(picture, rng, view.jpeg_quality, view.subsampling, view.orientation)


def develop(scene: Scene, view: View, raw: Picture, rng: np.random.Generator) -> NDArray[np.uint8]:
    """What lens, sensor and phone make of raw light: an upright picture (h, w, 3), 8 bits."""
    raw = _blur(raw, view)
    _add_noise(raw, view, rng)
    raw = np.asarray(cv2.sepFilter2D(raw, -1, _MOSAIC, _MOSAIC), np.float32)
    scale = float(view.projection.px_per_mm(card_corners_mm()).mean())
    picture = _sharpen(encode(scene, raw, scale), view.sharpen)
    return np.ascontiguousarray(picture[:, ::-1]) if view.mirrored else picture


def expose(
    scene: Scene,
    view: View,
    blot: Blot,
    rng: np.random.Generator,
    bend: Callable[[Array], Array] | None = None,
    on_card: Callable[[CardMap], None] | None = None,
) -> Picture:
    """Light that falls on the sensor, raw linear, shape (h, w, 3).

    ``bend`` takes positions in the plane of the table (..., 2), in mm, to the
    places of a card that doesn't lie flat; ``on_card`` spoils the card's picture.
    """
    width, height = view.size
    projection = view.projection
    scale = projection.px_per_mm(card_corners_mm())
    table = draw_tabletop(view.table, scene.raw_stock, min(14.0, 0.7 * float(scale.mean())), rng)
    # Drawn as dense as the nearest corner is seen: nowhere is detail made up.
    card = draw_card(scene, blot, min(_MAX_CARD_PX_PER_MM, float(scale.max())), rng, view.covers)
    if on_card:
        on_card(card)
    card_rows = _rows_of_card(projection, height)
    coarse_mm = _coarse_mm(projection, view.size)
    if bend:
        coarse_mm = bend(coarse_mm)
    shade, added = _lighting(scene, view, coarse_mm)
    frame = np.empty((height, width, 3), np.float32)
    for first in range(0, height, _STRIP):
        n = min(_STRIP, height - first)
        strip = frame[first : first + n]
        at_mm = _enlarged(coarse_mm, first, n, width)
        table.seen_at(at_mm, out=strip)
        if view.with_card and first < card_rows[1] and first + n > card_rows[0]:
            _lay_card(strip, card, at_mm)
        strip *= _enlarged(shade, first, n, width)[..., None]
        strip += scene.glare.astype(np.float32)
        if view.spots:
            spots = _enlarged(added, first, n, width)[..., None]
            strip += spots * scene.raw_stock.astype(np.float32)
    return frame


def _rows_of_card(projection: Projection, height: int) -> tuple[int, int]:
    rows = projection.to_px(card_corners_mm())[:, 1]
    margin = 0.1 * height  # the shadow on the table reaches out further than the card
    return int(rows.min() - margin), int(rows.max() + margin)


def _coarse_mm(projection: Projection, size: tuple[int, int]) -> Array:
    """Card mm on every eighth pixel, one step beyond the frame on all sides."""
    width, height = size
    x = (np.arange(-1, -(-width // _STEP) + 1) + 0.5) * _STEP - 0.5
    y = (np.arange(-1, -(-height // _STEP) + 1) + 0.5) * _STEP - 0.5
    return projection.to_mm(np.stack(np.meshgrid(x, y), axis=-1))


def _enlarged(coarse: Array, first: int, n: int, width: int) -> Picture:
    """A coarse field at every pixel of ``n`` rows from ``first``, a multiple of the step."""
    rows = coarse[first // _STEP : first // _STEP + -(-n // _STEP) + 2].astype(np.float32)
    fine = cv2.resize(rows, None, fx=_STEP, fy=_STEP, interpolation=cv2.INTER_LINEAR)
    return np.asarray(fine[_STEP : _STEP + n, _STEP : _STEP + width], np.float32)


def _lay_card(strip: Picture, card: CardMap, at_mm: Picture) -> None:
    """Put the card, and the thin shadow it casts on the table, into some rows."""
    strip *= 1 - card.shadow_at(at_mm)[..., None]
    share = card.share_at(at_mm)
    columns = np.nonzero(share.any(axis=0))[0]
    if not columns.size:
        return
    part = slice(None), slice(columns[0], columns[-1] + 1)
    seen = card.colour_at(np.ascontiguousarray(at_mm[part]))
    seen -= strip[part]
    seen *= share[part][..., None]
    strip[part] += seen


def _lighting(scene: Scene, view: View, at_mm: Array) -> tuple[Array, Array]:
    """Factor on the light, and reflected light in shares of the stock, at card positions."""
    # Far from the card the quadratic would run away; a lamp does not.
    shade = np.clip(scene.shade(at_mm), 0.25, 1.5)
    for edge in view.shadows:
        shade *= shadow_factor(edge, at_mm)
    added = np.zeros_like(shade)
    for spot in view.spots:
        added += reflection(spot, at_mm)
    return shade, added


def _blur(raw: Picture, view: View) -> Picture:
    out = raw
    if view.defocus_px > 0.2:
        out = np.asarray(cv2.GaussianBlur(out, (0, 0), view.defocus_px), np.float32)
    if view.motion_px >= 1:
        shake = _shake(view.motion_px, view.motion_deg)
        out = np.asarray(cv2.filter2D(out, -1, shake), np.float32)
    return out


def _shake(length_px: float, angle_deg: float) -> Picture:
    """Blur kernel of a straight shake, antialiased."""
    fine = 8
    n = 2 * int(np.ceil(length_px / 2)) + 1
    canvas = np.zeros((n * fine, n * fine), np.uint8)
    a = np.radians(angle_deg)
    middle = n * fine / 2 - 0.5
    dx, dy = np.array([np.cos(a), np.sin(a)]) * length_px / 2 * fine
    start = round(middle - dx), round(middle - dy)
    stop = round(middle + dx), round(middle + dy)
    cv2.line(canvas, start, stop, (255,), fine)
    kernel = cv2.resize(canvas, (n, n), interpolation=cv2.INTER_AREA).astype(np.float32)
    return np.asarray(kernel / kernel.sum(), np.float32)


def _add_noise(raw: Picture, view: View, rng: np.random.Generator) -> None:
    for first in range(0, raw.shape[0], _STRIP):
        strip = raw[first : first + _STRIP]
        spread = np.sqrt(np.maximum(strip, 0) * view.shot_noise + view.read_noise**2)
        spread *= rng.standard_normal(strip.shape, dtype=np.float32)
        strip += spread


def encode(scene: Scene, raw: Picture, px_per_mm: float = 1.0) -> NDArray[np.uint8]:
    """Matrix, tone and rendering of the phone, to 8 bits; as `Scene.develop`, from a table.

    ``px_per_mm`` of the card says how far local tone mapping looks.
    """
    camera = scene.camera
    tone = 255 * camera.tone(np.linspace(0, 1, _TONE_STEPS))
    table = np.round(tone).astype(np.uint8)
    about = _about(scene, raw, camera.local.reach_mm * px_per_mm) if camera.local else None
    out = np.empty(raw.shape, np.uint8)
    for first in range(0, raw.shape[0], _STRIP):
        strip = np.clip(raw[first : first + _STRIP], 0, 1)
        display = np.clip(cv2.transform(strip, scene.matrix), 0, 1)
        level = (display * np.float32(_TONE_STEPS - 1) + np.float32(0.5)).astype(np.uint16)
        if about is None and camera.rendering is None:
            out[first : first + _STRIP] = table[level]
        else:
            n, width = level.shape[:2]
            luma = None if about is None else _enlarged(about, first, n, width).astype(float)
            out[first : first + _STRIP] = np.round(255 * camera.after_tone(tone[level] / 255, luma))
    return out


def _about(scene: Scene, raw: Picture, reach_px: float) -> Array:
    """Luma round every eighth pixel after the tone curve, one step beyond the picture."""
    height, width = raw.shape[:2]
    size = -(-width // _STEP), -(-height // _STEP)
    small = np.asarray(cv2.resize(raw, size, interpolation=cv2.INTER_AREA), np.float64)
    luma = (scene.camera.tone(scene.display(small)) @ BT709_LUMA).astype(np.float32)
    wide = cv2.GaussianBlur(luma, (0, 0), reach_px / _STEP, borderType=cv2.BORDER_REPLICATE)
    return np.asarray(cv2.copyMakeBorder(wide, 1, 1, 1, 1, cv2.BORDER_REPLICATE), np.float64)


def _sharpen(picture: NDArray[np.uint8], strength: float) -> NDArray[np.uint8]:
    if not strength:
        return picture
    soft = cv2.GaussianBlur(picture, (0, 0), _SHARPEN_PX)
    return np.asarray(cv2.addWeighted(picture, 1 + strength, soft, -strength, 0), np.uint8)
