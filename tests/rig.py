"""A plain rig for tests of the image stages: flat colours, OpenCV warps, no physics.

Deliberately knows nothing of the package's renderer: what the stages can do
must not depend on how that one draws.
"""

from __future__ import annotations

import io
import math
from dataclasses import dataclass, field
from functools import lru_cache

import cv2
import numpy as np
from PIL import Image

from cardreader.card import layout

PX_PER_MM = 20.0
MARGIN_MM = 3.0
PAPER = (0.82, 0.81, 0.78)
BLOOD = (0.42, 0.10, 0.07)


def patch_colours() -> np.ndarray:
    """Invented linear RGB of the 72 patches, (72, 3); twins are alike."""
    out = []
    rng = np.random.default_rng(5)
    shades: dict[str, np.ndarray] = {}
    for cell in layout.cells():
        if cell.shade not in shades:
            if cell.kind is layout.Kind.NEUTRAL:
                lightness = layout.NEUTRAL_L[int(cell.shade[1]) - 1]
                shades[cell.shade] = np.full(3, ((lightness + 16) / 116) ** 3)
            elif cell.kind is layout.Kind.RAMP:
                t = (cell.hb_g_dl - 3) / 14
                shades[cell.shade] = np.array([0.50 - 0.15 * t, 0.22 - 0.15 * t, 0.14 - 0.09 * t])
            else:
                shades[cell.shade] = rng.uniform(0.05, 0.8, 3)
        out.append(shades[cell.shade])
    return np.array(out)


@dataclass(frozen=True)
class Blot:
    """A ragged ellipse; ``rim`` multiplies the colour of the outer 0.7 mm."""

    centre_mm: tuple[float, float] = layout.CENTRE_MM
    radii_mm: tuple[float, float] = (5.5, 4.8)
    colour: tuple[float, float, float] = BLOOD
    ragged: float = 0.04
    rim: float = 0.9
    seed: int = 3

    def outline_mm(self, shrink: float = 0.0) -> np.ndarray:
        rng = np.random.default_rng(self.seed)
        angle = np.linspace(0, 2 * np.pi, 240, endpoint=False)
        wave = sum(rng.normal(0, 1) * np.cos(k * angle + rng.uniform(0, 6)) for k in (2, 3, 5, 8))
        radius = 1 + self.ragged * wave / 2
        rx, ry = (r - shrink for r in self.radii_mm)
        x, y = self.centre_mm
        return np.stack([x + rx * radius * np.cos(angle), y + ry * radius * np.sin(angle)], axis=1)


def to_px(points_mm: np.ndarray) -> np.ndarray:
    return (np.asarray(points_mm) + MARGIN_MM) * PX_PER_MM - 0.5


def _fill(card: np.ndarray, polygon_mm: np.ndarray, colour: object) -> None:
    points = np.round(to_px(polygon_mm) * 16).astype(np.int32)
    cv2.fillPoly(card, [points], [float(c) for c in colour], cv2.LINE_AA, 4)


def _square(card: np.ndarray, x: float, y: float, side: float, colour: object) -> None:
    """Fill a square by exact coverage; polygon fillers paint half a pixel too wide."""
    cover, part_of_card = [], []
    for start, n in ((x, card.shape[1]), (y, card.shape[0])):
        low, high = ((v + MARGIN_MM) * PX_PER_MM for v in (start, start + side))
        at = np.arange(max(math.floor(low), 0), min(math.ceil(high), n))
        part_of_card.append(slice(at[0], at[-1] + 1))
        cover.append(np.minimum(at + 1, high) - np.maximum(at, low))
    part = card[part_of_card[1], part_of_card[0]]
    alpha = np.outer(cover[1], cover[0])[..., None]
    part += alpha * (np.asarray(colour) - part)


def draw_card(
    lot_number: int = 12345,
    blots: tuple[Blot, ...] = (Blot(),),
    colours: np.ndarray | None = None,
    paper: tuple[float, float, float] = PAPER,
) -> np.ndarray:
    """The card in linear RGB, float32, with a small margin of its own stock around."""
    width = round((layout.WIDTH_MM + 2 * MARGIN_MM) * PX_PER_MM)
    height = round((layout.HEIGHT_MM + 2 * MARGIN_MM) * PX_PER_MM)
    card = np.full((height, width, 3), 0.86, np.float32)
    colours = patch_colours() if colours is None else colours
    half = layout.PATCH_MM / 2
    for cell, colour in zip(layout.cells(), colours, strict=True):
        _square(card, cell.x_mm - half, cell.y_mm - half, 2 * half, colour)
    bay = layout.bay_corners_mm()
    _square(card, *(bay[0] - 0.4), layout.BAY_MM + 0.8, (0.03, 0.03, 0.03))
    _square(card, *bay[0], layout.BAY_MM, paper)
    for blot in blots:
        _fill(card, blot.outline_mm(), np.array(blot.colour) * blot.rim)
        _fill(card, blot.outline_mm(0.7), blot.colour)
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    for i, corners in zip(layout.marker_ids(lot_number), layout.marker_corners_mm(), strict=True):
        modules = cv2.aruco.generateImageMarker(dictionary, i, 8)
        side = layout.MARKER_MM / 8
        for (row, column), value in np.ndenumerate(modules):
            if not value:
                x, y = corners[0] + (column * side, row * side)
                _square(card, x, y, side, (0.03,) * 3)
    return card


def bend(card: np.ndarray, rise_mm: float, distance_mm: float = 180.0) -> np.ndarray:
    """The card arched so that its middle stands ``rise_mm`` nearer, seen from above."""
    half = layout.WIDTH_MM / 2
    rows, columns = card.shape[:2]
    corner = np.array([MARGIN_MM, MARGIN_MM]) + layout.CENTRE_MM
    # How near a point is and how much of the arc lies before it depend on x alone.
    seen_x = np.arange(columns) / PX_PER_MM - corner[0]
    seen_y = np.arange(rows) / PX_PER_MM - corner[1]
    x = seen_x
    for _ in range(8):
        nearer = distance_mm / (distance_mm - rise_mm * (1 - (x / half) ** 2))
        # An arc is longer than its shadow: x - s = -(2/3) rise^2 x^3 / half^4.
        shorter = 1 - 2 / 3 * rise_mm**2 * x**2 / half**4
        x = seen_x / (nearer * shorter)
    y = seen_y[:, None] / nearer
    at = ((np.stack([np.broadcast_to(x, y.shape), y], -1) + corner) * PX_PER_MM).astype(np.float32)
    return cv2.remap(
        card, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )


@dataclass(frozen=True)
class Shot:
    """How the card is photographed; ``fill`` is the card's width as a share of the frame's."""

    size: tuple[int, int] = (1600, 1200)
    fill: float = 0.7
    turn_deg: float = 7.0
    tilt_deg: float = 8.0
    tilt_axis_deg: float = 30.0
    shift: tuple[float, float] = (0.0, 0.0)
    lens: float = 0.0
    blur_mm: float = 0.05
    motion_mm: float = 0.0
    gain: tuple[float, float, float] = (0.95, 0.9, 0.85)
    slope: tuple[float, float] = (0.08, -0.05)
    noise: float = 0.004
    background: float = 0.25
    quality: int = 92
    seed: int = 1


@dataclass
class Scene:
    """What was photographed: encoded RGB and the true mm -> px mapping."""

    rgb: np.ndarray
    homography: np.ndarray
    shot: Shot = field(default_factory=Shot)

    def to_px(self, points_mm: np.ndarray) -> np.ndarray:
        p = np.asarray(points_mm, float) @ self.homography[:, :2].T + self.homography[:, 2]
        ideal = p[..., :2] / p[..., 2:]
        width, height = self.shot.size
        centre = np.array([(width - 1) / 2, (height - 1) / 2])
        u = (ideal - centre) / (np.hypot(width, height) / 2)
        return centre + (ideal - centre) * (1 + self.shot.lens * (u**2).sum(-1, keepdims=True))


def homography(shot: Shot) -> np.ndarray:
    """Pinhole view of the card: turned, tilted about an axis in its plane, centred."""
    width, height = shot.size
    focal = 0.8 * max(shot.size)
    distance = focal * layout.WIDTH_MM / (shot.fill * width)
    a, b, t = np.radians([shot.turn_deg, shot.tilt_axis_deg, shot.tilt_deg])
    turn = np.array([[np.cos(a), -np.sin(a), 0], [np.sin(a), np.cos(a), 0], [0, 0, 1]])
    axis = np.array([np.cos(b), np.sin(b), 0.0])
    tilt = cv2.Rodrigues(axis * t)[0]
    rotation = tilt @ turn
    centre = np.array([(width - 1) / 2, (height - 1) / 2])
    camera = np.array([[focal, 0, centre[0]], [0, focal, centre[1]], [0, 0, 1]])
    move = np.array([shot.shift[0] * width / focal, shot.shift[1] * height / focal, 1]) * distance
    plane = np.column_stack([rotation[:, 0], rotation[:, 1], move])
    to_middle = np.eye(3)
    to_middle[:2, 2] = [-c for c in layout.CENTRE_MM]
    h = camera @ plane @ to_middle
    return h / h[2, 2]


def photograph(card: np.ndarray | None = None, shot: Shot | None = None) -> Scene:
    """Photograph a card drawn by ``draw_card``: 8-bit sRGB-encoded RGB and its truth."""
    card = draw_card() if card is None else card
    shot = shot or Shot()
    scene = Scene(np.empty(0), homography(shot), shot)
    width, height = shot.size
    texture, grain = _grain(shot.seed, shot.size)
    px_per_mm = shot.fill * width / layout.WIDTH_MM
    # As much as keeps the card from aliasing when it is drawn smaller.
    card = cv2.GaussianBlur(card, (0, 0), max(0.4 * PX_PER_MM / px_per_mm, 0.1))
    table = shot.background * cv2.resize(texture, (width, height))
    linear = cv2.cvtColor(table, cv2.COLOR_GRAY2RGB)
    _lay(card, scene, linear)
    if shot.blur_mm:
        linear = cv2.GaussianBlur(linear, (0, 0), shot.blur_mm * px_per_mm)
    if shot.motion_mm:
        linear = cv2.blur(linear, (max(1, round(shot.motion_mm * px_per_mm)), 1))
    linear *= _light(shot.size, shot.slope, shot.gain)
    noise = cv2.max(linear, (0.01,) * 4)
    cv2.sqrt(noise, noise)
    noise *= grain
    linear += cv2.multiply(noise, (shot.noise,) * 4, dst=noise)
    scene.rgb = encode(linear)
    return scene


@lru_cache(maxsize=4)
def _grain(seed: int, size: tuple[int, int]) -> tuple[np.ndarray, np.ndarray]:
    """Texture of the table and noise of the sensor; drawing it takes longer than all the rest."""
    width, height = size
    rng = np.random.default_rng(seed)
    texture = rng.uniform(0.6, 1.4, (height // 50, width // 50)).astype(np.float32)
    return texture, rng.standard_normal((height, width, 3), dtype=np.float32)


@lru_cache(maxsize=4)
def _light(
    size: tuple[int, int], slope: tuple[float, float], gain: tuple[float, float, float]
) -> np.ndarray:
    """What falls on each pixel, (height, width, 3)."""
    width, height = size
    x = np.linspace(-1, 1, width, dtype=np.float32)
    y = np.linspace(-1, 1, height, dtype=np.float32)[:, None]
    light = 1 + slope[0] * x + slope[1] * y
    return cv2.merge([light * np.float32(g) for g in gain])


def _lay(card: np.ndarray, scene: Scene, linear: np.ndarray) -> None:
    """Draw the card into the picture, in place."""
    height, width = linear.shape[:2]
    to_card = np.diag([PX_PER_MM, PX_PER_MM, 1.0])
    to_card[:2, 2] = MARGIN_MM * PX_PER_MM - 0.5
    m = scene.homography @ np.linalg.inv(to_card)
    if scene.shot.lens == 0.0:
        cv2.warpPerspective(card, m, (width, height), dst=linear, borderMode=cv2.BORDER_TRANSPARENT)
        return
    x, y = _straight(scene.shot.size, scene.shot.lens)
    back = np.linalg.inv(m).astype(np.float32)
    u, v, w = (a * x + b * y + c for a, b, c in back)
    cv2.remap(card, u / w, v / w, cv2.INTER_LINEAR, linear, borderMode=cv2.BORDER_TRANSPARENT)


@lru_cache(maxsize=4)
def _straight(size: tuple[int, int], lens: float) -> tuple[np.ndarray, np.ndarray]:
    """Where a pinhole would see what the lens shows at each pixel, px."""
    width, height = size
    middle = (width - 1) / 2, (height - 1) / 2
    x = np.arange(width, dtype=np.float32) - np.float32(middle[0])
    y = (np.arange(height, dtype=np.float32) - np.float32(middle[1]))[:, None]
    bent = np.float32(lens / (np.hypot(width, height) / 2) ** 2) * (x**2 + y**2)
    nearer = np.ones_like(bent)
    for _ in range(6):
        nearer = 1 / (1 + bent * nearer**2)
    return nearer * x + np.float32(middle[0]), nearer * y + np.float32(middle[1])


def encode(linear: np.ndarray) -> np.ndarray:
    """sRGB (IEC 61966-2-1) encoding to 8 bit, through a table of 16 bits; what is outside is cut.

    The table rounds six values in ten thousand to the step beside the right one.
    """
    steps = cv2.addWeighted(linear, (1 << 16) - 1, linear, 0, 0, dtype=cv2.CV_16U)
    return cv2.LUT(steps, _codes())


@lru_cache
def _codes() -> np.ndarray:
    v = np.linspace(0, 1, 1 << 16)
    table = np.where(v <= 0.0031308, 12.92 * v, 1.055 * v ** (1 / 2.4) - 0.055)
    return np.round(255 * table).astype(np.uint8)


def jpeg(rgb: np.ndarray, orientation: int | None = None, quality: int = 92, **more) -> bytes:
    """JPEG bytes by Pillow, with EXIF when an orientation is given."""
    if orientation is not None:
        exif = Image.Exif()
        exif[0x010F], exif[0x0110], exif[0x0112] = "Invented", "Rig 1", orientation
        exif.get_ifd(0x8769)[0x9003] = "2026:03:04 05:06:07"
        more["exif"] = exif
    out = io.BytesIO()
    Image.fromarray(rgb).save(out, "JPEG", quality=quality, **more)
    return out.getvalue()
