"""From a scene and a view to the bytes of a phone photo.

Light first: card and table in raw linear colour are warped into the frame,
shaded, veiled by glare, blurred and given sensor noise; only then come the
camera's matrix, tone curve, sharpening and JPEG, as in a phone.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from cardreader.simulate import tabletop
from cardreader.simulate.blotshape import Blot, draw_blot
from cardreader.simulate.cardmap import CORNER_MM, CardMap, draw_card
from cardreader.simulate.geometry import Projection, card_corners_mm
from cardreader.simulate.phonefile import jpeg
from cardreader.simulate.scene import Scene
from cardreader.simulate.view import ShadowEdge, Spot, View

Picture = NDArray[np.float32]
_MAX_CARD_PX_PER_MM = 42.0
_STEP = 8
"""Smooth fields are worked out on every eighth pixel and interpolated."""

_STRIP = 250
_TONE_STEPS = 1 << 16


def photograph(scene: Scene, view: View, seed: int, blot: Blot | None = None) -> bytes:
    """Take a photo: JPEG bytes; the same arguments give the same bytes.

    ``blot`` None draws a good one from the seed.
    """
    rng = np.random.default_rng(seed)
    blot = blot or draw_blot(rng)
    light = _form_image(scene, view, blot, rng)
    picture = _develop(scene, light)
    if view.sharpen:
        soft = cv2.GaussianBlur(picture, (0, 0), 1.2)
        picture = cv2.addWeighted(picture, 1 + view.sharpen, soft, -view.sharpen, 0)
    return jpeg(picture, rng, view.jpeg_quality, view.subsampling, view.orientation)


def _form_image(scene: Scene, view: View, blot: Blot, rng: np.random.Generator) -> Picture:
    """Raw linear picture (h, w, 3) as the sensor reads it."""
    projection = view.projection
    coarse_mm = _coarse_mm(projection, view.size)
    at_mm = _enlarge(coarse_mm, view.size)
    frame = _lay_table(scene, view, projection, at_mm, rng)
    _lay_card(frame, scene, view, blot, projection, at_mm, rng)
    del at_mm
    _light(frame, scene, view, coarse_mm)
    frame = _blur(frame, view)
    _add_noise(frame, view, rng)
    # Interpolating the colour mosaic softens and correlates the noise a little.
    mosaic = np.array([0.2, 0.6, 0.2])
    return cv2.sepFilter2D(frame, -1, mosaic, mosaic)


def _coarse_mm(projection: Projection, size: tuple[int, int]) -> NDArray[np.float64]:
    """Card mm on every eighth pixel, one step beyond the frame on all sides."""
    width, height = size
    x = (np.arange(-1, -(-width // _STEP) + 1) + 0.5) * _STEP - 0.5
    y = (np.arange(-1, -(-height // _STEP) + 1) + 0.5) * _STEP - 0.5
    return projection.to_mm(np.stack(np.meshgrid(x, y), axis=-1))


def _enlarge(coarse: NDArray[np.float64], size: tuple[int, int]) -> Picture:
    """A field on the coarse grid, (h, w) or (h, w, k), at every pixel of the frame."""
    width, height = size
    field = cv2.resize(
        coarse.astype(np.float32), None, fx=_STEP, fy=_STEP, interpolation=cv2.INTER_LINEAR
    )
    return np.asarray(field[_STEP : _STEP + height, _STEP : _STEP + width])


def _lay_table(
    scene: Scene, view: View, projection: Projection, at_mm: Picture, rng: np.random.Generator
) -> Picture:
    density = min(14.0, 0.7 * float(projection.px_per_mm(card_corners_mm()).mean()))
    tile = tabletop.texture(view.table, density, rng) * scene.raw_stock.astype(np.float32)
    where = (at_mm + np.float32(200.0)) * np.float32(density)
    return np.asarray(
        cv2.remap(tile, where, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT),
        np.float32,
    )


def _lay_card(
    frame: Picture,
    scene: Scene,
    view: View,
    blot: Blot,
    projection: Projection,
    at_mm: Picture,
    rng: np.random.Generator,
) -> None:
    """Put the card, and the thin shadow it casts on the table, into the frame."""
    corners = card_corners_mm()
    # Drawn as dense as the nearest corner is seen: nowhere is detail made up.
    density = min(_MAX_CARD_PX_PER_MM, float(projection.px_per_mm(corners).max()))
    card = draw_card(scene, blot, density, rng, view.covers)
    outline = _outline(card)
    at_px = projection.to_px(corners)
    width, height = view.size
    low = np.clip(np.floor(at_px.min(axis=0)) - 60, 0, [width, height]).astype(int)
    high = np.clip(np.ceil(at_px.max(axis=0)) + 60, 0, [width, height]).astype(int)
    part = frame[low[1] : high[1], low[0] : high[0]]
    where = at_mm[low[1] : high[1], low[0] : high[0]] * np.float32(density) - np.float32(0.5)
    drop = np.array([0.35, 0.45]) * density
    shadow = cv2.remap(
        cv2.copyMakeBorder(outline, *(4 * [_border(density)]), cv2.BORDER_CONSTANT, value=0),
        where + (_border(density) - drop).astype(np.float32),
        None,
        cv2.INTER_LINEAR,
    )
    shadow = cv2.blur(shadow, (int(0.5 * density) | 1, int(0.5 * density) | 1))
    part *= 1 - 0.45 * shadow[..., None]
    share = cv2.remap(outline, where, None, cv2.INTER_LINEAR)[..., None]
    # The border of the card's picture is continued, so its edge is not darkened twice.
    seen = cv2.remap(card.colour, where, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    part += share * (seen - part)


def _border(density: float) -> int:
    return int(2 * density)


def _outline(card: CardMap) -> Picture:
    """How much of each pixel of the card's picture is card: 0 outside rounded corners."""
    h, w = card.colour.shape[:2]
    radius = CORNER_MM * card.px_per_mm
    # Distance beyond the inner rectangle on whose border the corner circles centre.
    x = np.maximum(np.abs(np.arange(w) + 0.5 - w / 2) - (w / 2 - radius), 0)
    y = np.maximum(np.abs(np.arange(h) + 0.5 - h / 2) - (h / 2 - radius), 0)
    beyond = np.hypot(x.astype(np.float32), y.astype(np.float32)[:, None])
    return np.asarray(np.clip(radius + 0.5 - beyond, 0, 1), np.float32)


def _light(frame: Picture, scene: Scene, view: View, coarse_mm: NDArray[np.float64]) -> None:
    """Shade, cast shadows, reflections and veiling glare, in place."""
    # Far from the card the quadratic would run away; a lamp does not.
    shade = np.clip(scene.shade(coarse_mm), 0.25, 1.5)
    for edge in view.shadows:
        shade *= _shadow(edge, coarse_mm)
    frame *= _enlarge(shade, view.size)[..., None]
    added = np.broadcast_to(scene.glare.astype(np.float32), (1, 1, 3))
    if view.spots:
        bright = sum(_reflection(spot, coarse_mm) for spot in view.spots)
        added = added + _enlarge(np.asarray(bright), view.size)[..., None] * scene.raw_stock.astype(
            np.float32
        )
    frame += added


def _shadow(edge: ShadowEdge, at_mm: NDArray[np.float64]) -> NDArray[np.float64]:
    a = np.radians(edge.angle_deg)
    into = (at_mm[..., 0] - edge.x_mm) * np.cos(a) + (at_mm[..., 1] - edge.y_mm) * np.sin(a)
    turn = np.clip(4 * into / max(edge.softness_mm, 1e-3), -30, 30)
    return np.asarray(1 - edge.depth / (1 + np.exp(-turn)))


def _reflection(spot: Spot, at_mm: NDArray[np.float64]) -> NDArray[np.float64]:
    square = ((at_mm - (spot.x_mm, spot.y_mm)) ** 2).sum(axis=-1) / spot.size_mm**2
    return np.asarray(spot.strength * np.exp(-0.5 * np.minimum(square, 60)))


def _blur(frame: Picture, view: View) -> Picture:
    if view.defocus_px > 0.2:
        frame = cv2.GaussianBlur(frame, (0, 0), view.defocus_px)
    if view.motion_px >= 1:
        frame = cv2.filter2D(frame, -1, _shake(view.motion_px, view.motion_deg))
    return np.asarray(frame, np.float32)


def _shake(length_px: float, angle_deg: float) -> Picture:
    """Blur kernel of a straight shake, antialiased."""
    fine = 8
    n = 2 * int(np.ceil(length_px / 2)) + 1
    canvas = np.zeros((n * fine, n * fine), np.uint8)
    a = np.radians(angle_deg)
    half = np.array([np.cos(a), np.sin(a)]) * length_px / 2 * fine
    middle = n * fine / 2 - 0.5
    ends = [tuple(int(round(v)) for v in middle + sign * half) for sign in (-1, 1)]
    cv2.line(canvas, ends[0], ends[1], 255, fine)
    kernel = cv2.resize(canvas, (n, n), interpolation=cv2.INTER_AREA).astype(np.float32)
    return np.asarray(kernel / kernel.sum(), np.float32)


def _add_noise(frame: Picture, view: View, rng: np.random.Generator) -> None:
    for y in range(0, frame.shape[0], _STRIP):
        strip = frame[y : y + _STRIP]
        spread = cv2.sqrt(np.maximum(strip, 0) * view.shot_noise + view.read_noise**2)
        strip += spread * rng.standard_normal(strip.shape, dtype=np.float32)


def _develop(scene: Scene, raw: Picture) -> NDArray[np.uint8]:
    """Matrix and tone curve of the phone, to 8 bits; as `Scene.develop`, from a table."""
    levels = np.linspace(0, 1, _TONE_STEPS)
    table = np.round(255 * scene.camera.tone(levels)).astype(np.uint8)
    out = np.empty(raw.shape, np.uint8)
    for y in range(0, raw.shape[0], _STRIP):
        strip = np.clip(raw[y : y + _STRIP], 0, 1)
        display = np.clip(cv2.transform(strip, scene.matrix), 0, 1)
        out[y : y + _STRIP] = table[(display * (_TONE_STEPS - 1) + 0.5).astype(np.uint16)]
    return out
