"""Photos of the printed artwork, made by plain image operations: the second nuisance model.

The card is the PDF itself, rasterised. Everything after is unlike the package's
own renderer on purpose: colour is RGB from the start, light is painted on as
smooth fields, cameras are mixing matrices with tone curves of other families.
A reader tuned to one model is found out by the other. Nothing of
``cardreader.simulate`` is used here, and all photos made here are synthetic.

The truth about a blot is set by the printed ramp: its colour is interpolated
between the shades of the raster, so it is "what the card says".
"""

from __future__ import annotations

import io
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache, lru_cache
from typing import Any

import cv2
import numpy as np
import pypdfium2
from numpy.typing import ArrayLike, NDArray
from PIL import Image

from cardreader.card import layout
from cardreader.card.lot import Lot
from cardreader.card.printsheet import card_sheet
from cardreader.colour.cielab import lab_to_srgb

RASTER_DPI = 600
PX_PER_MM = RASTER_DPI / 25.4
_MARGIN_MM = 1.0
"""Paper kept around the card's edge when the raster is cut out of the page."""

Array = NDArray[Any]
"""Pixels, float32: a 12-megapixel picture in float64 would take 300 MB."""


# --- tone curves: linear 0..1 -> code 0..1, and back ------------------------------------------


@dataclass(frozen=True)
class Tone:
    """A camera's tone curve; `inverse` undoes `forward` on 0..1."""

    name: str
    forward: Callable[[NDArray], NDArray]

    def inverse(self, code: NDArray[np.float64]) -> NDArray[np.float64]:
        grid = np.linspace(0, 1, 16385)
        return np.interp(code, self.forward(grid), grid)


def _filmic(x: NDArray) -> NDArray:
    """A toe, a straight part and a long shoulder, over a square-root base (invented)."""
    y = np.sqrt(x)
    return y * (1.22 - 0.22 * y) * (0.9 + 0.1 * y)


def _log_like(x: NDArray) -> NDArray:
    return np.log1p(40 * x) / np.log(41)


def _contrasty(x: NDArray) -> NDArray:
    """A power curve bent into an S."""
    y = x ** (1 / 2.1)
    return y + 0.06 * np.sin(2 * np.pi * (y - 0.5)) * y * (1 - y) * 4


def _flat_power(x: NDArray) -> NDArray:
    return np.asarray(x ** (1 / 2.5))


TONES = {
    "filmic": Tone("filmic", _filmic),
    "log": Tone("log", _log_like),
    "contrasty": Tone("contrasty", _contrasty),
    "flat": Tone("flat", _flat_power),
}


def srgb_to_linear(code: ArrayLike) -> NDArray[np.float64]:
    """IEC 61966-2-1."""
    c = np.asarray(code, np.float64)
    return np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)


def linear_to_srgb(linear: ArrayLike) -> NDArray[np.float64]:
    """IEC 61966-2-1."""
    x = np.clip(linear, 0, None)
    return np.where(x <= 0.0031308, 12.92 * x, 1.055 * x ** (1 / 2.4) - 0.055)


# --- the print ----------------------------------------------------------------------------------


@cache
def _raster_of(pdf: bytes, corner_mm: tuple[float, float]) -> Array:
    document = pypdfium2.PdfDocument(pdf)
    page = np.array(document[0].render(scale=RASTER_DPI / 72).to_pil().convert("RGB"))
    document.close()
    left, top = (round((c - _MARGIN_MM) * PX_PER_MM) for c in corner_mm)
    width, height = (
        round((side + 2 * _MARGIN_MM) * PX_PER_MM) for side in (layout.WIDTH_MM, layout.HEIGHT_MM)
    )
    cut = page[top : top + height, left : left + width]
    return srgb_to_linear(np.arange(256) / 255).astype(np.float32)[cut]


_SHEETS: dict[tuple[str, bytes, str], tuple[bytes, tuple[float, float]]] = {}


def _sheet_of(lot: Lot, page: str) -> tuple[bytes, tuple[float, float]]:
    """The PDF and where its first card lies, mm; made once a lot."""
    key = (lot.lot_id, lot.lab.tobytes(), page)
    if key not in _SHEETS:
        sheet = card_sheet(lot, page)  # type: ignore[arg-type]
        _SHEETS[key] = sheet.pdf(), sheet.card_corners_mm[0]
    return _SHEETS[key]


def card_raster(lot: Lot, page: str = "a4") -> tuple[Array, NDArray[np.float64]]:
    """Linear RGB (H, W, 3) of one printed card, and the matrix (3, 3) from card mm to its pixels.

    Pixel centres are whole numbers.
    """
    pdf, corner = _sheet_of(lot, page)
    raster = _raster_of(pdf, corner)
    left, top = (round((c - _MARGIN_MM) * PX_PER_MM) for c in corner)
    matrix = np.array(
        [
            [PX_PER_MM, 0, corner[0] * PX_PER_MM - left - 0.5],
            [0, PX_PER_MM, corner[1] * PX_PER_MM - top - 0.5],
            [0, 0, 1],
        ]
    )
    return raster, matrix


def blot_rgb(lot: Lot, hb_g_dl: float) -> NDArray[np.float64]:
    """Linear RGB of a blot, interpolated in code values between the ramp's printed shades."""
    ramp = [
        (c.hb_g_dl, lab)
        for c, lab in zip(layout.cells(), lot.lab, strict=True)
        if c.hb_g_dl is not None and c.name.endswith("a")
    ]
    hb = np.array([h for h, _ in ramp])
    if not hb.min() <= hb_g_dl <= hb.max():
        raise ValueError(f"{hb_g_dl} g/dL is off the ramp {hb.min()}..{hb.max()}")
    code = np.clip(lab_to_srgb(np.array([lab for _, lab in ramp])), 0, 1)
    return srgb_to_linear([np.interp(hb_g_dl, hb, code[:, k]) for k in range(3)])


def _smooth(rng: np.random.Generator, shape: tuple[int, int], cells: tuple[int, int]) -> Array:
    """A smooth random field (H, W) with about `cells` bumps, spread 1, mean 0."""
    small = rng.normal(size=(cells[1] + 1, cells[0] + 1)).astype(np.float32)
    field = cv2.resize(small, (shape[1], shape[0]), interpolation=cv2.INTER_CUBIC)
    mean, spread = field.mean(), field.std()
    field -= mean
    field /= spread + 1e-6
    return field


def _polygon_mask(
    shape: tuple[int, int], to_px: NDArray, outline_mm: NDArray, soft_mm: float
) -> Array:
    """Coverage 0..1 of an outline (n, 2) given in mm, with a soft edge."""
    points = outline_mm @ to_px[:2, :2].T + to_px[:2, 2]
    mask = np.zeros(shape, np.uint8)
    cv2.fillPoly(mask, [np.round(points * 16).astype(np.int32)], 255, cv2.LINE_AA, shift=4)
    blurred = cv2.GaussianBlur(mask, (0, 0), max(soft_mm * PX_PER_MM, 0.3))
    return blurred.astype(np.float32) / 255


def lay_blot(
    lot: Lot, raster: Array, to_px: NDArray, hb_g_dl: float, rng: np.random.Generator
) -> Array:
    """The raster with blotting paper over the bay and a ragged blot on it."""
    half = layout.BAY_MM / 2 + 1.5
    near = np.array(layout.CENTRE_MM) + np.array([(-half, -half), (half, half)])
    (left, top), (right, end) = np.round(near @ to_px[:2, :2].T + to_px[:2, 2]).astype(int)
    out = raster.copy()
    shift = np.array([[1.0, 0, -left], [0, 1, -top], [0, 0, 1]])
    bay = out[top:end, left:right]
    bay[:] = _blotted_bay(lot, bay, shift @ to_px, hb_g_dl, rng)
    return out


def _blotted_bay(
    lot: Lot, bay: Array, to_px: NDArray, hb_g_dl: float, rng: np.random.Generator
) -> Array:
    shape = bay.shape[:2]
    turn = np.deg2rad(rng.uniform(-1.0, 1.0))
    rotation = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    # Cut a little larger than the frame, so that a crooked square still covers it.
    square = (layout.bay_corners_mm() - layout.CENTRE_MM) * 1.02 @ rotation.T + layout.CENTRE_MM
    paper = srgb_to_linear(np.clip(lab_to_srgb(lot.paper_lab), 0, 1))
    grain = 1 + 0.006 * _smooth(rng, shape, (52, 52)) + 0.004 * _smooth(rng, shape, (4, 4))
    cover = _polygon_mask(shape, to_px, square, 0.03)[..., None]
    laid = bay + cover * (grain[..., None] * paper.astype(np.float32) - bay)

    angle = np.linspace(0, 2 * np.pi, 360, endpoint=False)
    ragged = sum(
        rng.normal() / k * np.cos(k * angle + rng.uniform(0, 2 * np.pi)) for k in range(2, 14)
    )
    radius = rng.uniform(4.6, 6.2) * (1 + 0.035 * ragged)
    stretch = rng.uniform(0.9, 1.1)
    centre = layout.CENTRE_MM + rng.uniform(-1.5, 1.5, 2)
    outline = centre + np.stack(
        [radius * stretch * np.cos(angle), radius / stretch * np.sin(angle)], axis=1
    )
    inner = centre + (outline - centre) * 0.9
    soak = _polygon_mask(shape, to_px, outline, rng.uniform(0.08, 0.2))
    middle = _polygon_mask(shape, to_px, inner, 0.3)
    # The rim is a little darker; the soak a little uneven.
    strength = (
        1 + float(rng.uniform(0.02, 0.08)) * (1 - middle) + 0.01 * _smooth(rng, shape, (20, 20))
    )
    blood = blot_rgb(lot, hb_g_dl).astype(np.float32)
    ratio = np.power(blood / paper.astype(np.float32), (soak * strength)[..., None])
    return laid * ratio


# --- the scene and the camera -----------------------------------------------------------------


@dataclass(frozen=True)
class Shot:
    """A synthetic photo of the printed card and what is true about it.

    Attributes
    ----------
    jpeg : bytes
    hb_g_dl : float
        Of the blot, by the printed ramp.
    size : (int, int)
        Upright width and height in pixels.
    cells_px : (72, 2)
        Upright full-size pixels of the patch centres.
    markers_px : (4, 4, 2)
        The same of the marker corners, as ``layout.marker_corners_mm``.
    expected : (72, 3)
        Code values 0..1 of the patch centres before noise, blur and JPEG.
    tone : Tone
    tilt_deg : float
    """

    jpeg: bytes
    hb_g_dl: float
    size: tuple[int, int]
    cells_px: NDArray[np.float64]
    markers_px: NDArray[np.float64]
    expected: NDArray[np.float64]
    tone: Tone
    tilt_deg: float


@dataclass(frozen=True)
class _View:
    """Card mm -> upright pixels: a pinhole and a radial term that acts seen -> ideal."""

    homography: NDArray[np.float64]
    lens: float
    size: tuple[int, int]

    def to_px(self, points_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        flat = points_mm.reshape(1, -1, 2)
        ideal = cv2.perspectiveTransform(flat, self.homography)[0]
        centre, radius = self._frame()
        u = (ideal - centre) / radius
        seen = u.copy()
        for _ in range(12):
            seen = u / (1 + self.lens * (seen**2).sum(1, keepdims=True))
        return (centre + radius * seen).reshape(points_mm.shape)

    def render(self, raster: Array, raster_to_px: NDArray) -> tuple[Array, Array]:
        """The raster as seen, (H, W, 3), and its coverage (H, W)."""
        width, height = self.size
        centre, radius = self._frame()
        x, y = _rows_and_columns((height, width))
        middle_x, middle_y = (float(c) for c in centre)
        x, y = (x - middle_x) / radius, (y - middle_y) / radius
        bend = (1 + self.lens * (x * x + y * y)) * radius
        x, y = x * bend + middle_x, y * bend + middle_y
        h = (raster_to_px @ np.linalg.inv(self.homography)).astype(np.float32)
        w = h[2, 0] * x + h[2, 1] * y + h[2, 2]
        at_x = (h[0, 0] * x + h[0, 1] * y + h[0, 2]) / w
        at_y = (h[1, 0] * x + h[1, 1] * y + h[1, 2]) / w
        # Behind the horizon of a steep view the division folds back; nothing is seen there.
        at_x[w * np.sign(h[2] @ [middle_x, middle_y, 1]) <= 0] = -1e4
        shrink = PX_PER_MM / self._px_per_mm()
        sharp = raster
        if shrink > 1.2:  # smooth before picking fewer pixels
            sharp = cv2.GaussianBlur(raster, (0, 0), 0.45 * shrink)
        seen = cv2.remap(sharp, at_x, at_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT)
        inside = np.ones(raster.shape[:2], np.float32)
        edge = round(_MARGIN_MM * PX_PER_MM)
        inside[:edge], inside[-edge:], inside[:, :edge], inside[:, -edge:] = 0, 0, 0, 0
        cover = cv2.remap(inside, at_x, at_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT)
        return seen, cover

    def _frame(self) -> tuple[NDArray[np.float64], float]:
        width, height = self.size
        return np.array([(width - 1) / 2, (height - 1) / 2]), float(np.hypot(width, height) / 2)

    def _px_per_mm(self) -> float:
        centre = np.array(layout.CENTRE_MM)
        across = self.to_px(
            np.array([centre[0] - 1, centre[1], centre[0] + 1, centre[1]]).reshape(2, 2)
        )
        return float(np.linalg.norm(across[1] - across[0]) / 2)


def _view(
    rng: np.random.Generator, size: tuple[int, int], tilt_deg: float, fill: float, lens: float
) -> _View:
    """A pose in space: turned, tilted about a random axis, card `fill` of the frame's width."""
    width, height = size
    focal = 0.8 * max(size)
    spin, axis = rng.uniform(0, 2 * np.pi, 2)
    tilt = np.deg2rad(tilt_deg)
    tilting, _ = cv2.Rodrigues(tilt * np.array([np.cos(axis), np.sin(axis), 0.0]))
    spinning, _ = cv2.Rodrigues(spin * np.array([0.0, 0.0, 1.0]))
    rotation = tilting @ spinning
    # The turned card must fit the frame in both directions.
    half = np.array([layout.WIDTH_MM, layout.HEIGHT_MM]) / 2
    corners = np.array([(-1, -1), (1, -1), (1, 1), (-1, 1)]) * half
    flat = corners @ rotation[:2, :2].T
    reach = np.ptp(flat, axis=0)
    distance = focal * max(reach[0] / (fill * width), reach[1] / (0.8 * height))
    centre = np.array([(width - 1) / 2, (height - 1) / 2]) + rng.uniform(-0.03, 0.03, 2) * size
    camera = np.array([[focal, 0, centre[0]], [0, focal, centre[1]], [0, 0, 1]])
    to_middle = np.array([[1, 0, -layout.CENTRE_MM[0]], [0, 1, -layout.CENTRE_MM[1]], [0, 0, 1]])
    plane = np.stack([rotation[:, 0], rotation[:, 1], np.array([0, 0, distance])], axis=1)
    return _View(camera @ plane @ to_middle, lens, size)


def _wood(rng: np.random.Generator, shape: tuple[int, int]) -> Array:
    streaks = _smooth(rng, shape, (3, 140)) + 0.6 * _smooth(rng, shape, (6, 40))
    base = np.array(rng.uniform((0.25, 0.15, 0.07), (0.5, 0.32, 0.18)), np.float32)
    return _tinted(base, 1 + 0.15 * np.tanh(streaks))


def _cloth(rng: np.random.Generator, shape: tuple[int, int]) -> Array:
    x, y = _rows_and_columns(shape)
    period = float(rng.uniform(9, 16))
    weave = np.sin(2 * np.pi * x / period) * np.sin(2 * np.pi * y / period)
    base = np.array(rng.uniform(0.08, 0.6, 3), np.float32)
    return _tinted(base, 1 + 0.12 * weave + 0.06 * _smooth(rng, shape, (9, 7)))


def _rows_and_columns(shape: tuple[int, int]) -> tuple[Array, Array]:
    """x (W,) and y (H, 1) of the pixels, px."""
    return np.arange(shape[1], dtype=np.float32), np.arange(shape[0], dtype=np.float32)[:, None]


def _tinted(colour: ArrayLike, field: Array) -> Array:
    """A field (H, W) in a colour (3,), (H, W, 3); broadcasting over three would take longer."""
    return cv2.merge([np.float32(c) * field for c in np.asarray(colour)])


def _grey(field: Array) -> Array:
    """A field (H, W) the same in all channels, (H, W, 3)."""
    return cv2.merge([field] * 3)


def _light(rng: np.random.Generator, shape: tuple[int, int], evenness: float) -> Array:
    """Relative light (H, W), greatest 1: vignette x gradient x slow unevenness."""
    x, y = _rows_and_columns(shape)
    x, y = x / shape[1] - 0.5, y / shape[0] - 0.5
    off = rng.uniform(-0.1, 0.1, 2).astype(np.float32)
    vignette = 1 - 0.5 * evenness * ((x - off[0]) ** 2 + (y - off[1]) ** 2)
    angle = rng.uniform(0, 2 * np.pi)
    gradient = 1 + 0.5 * evenness * (float(np.cos(angle)) * x + float(np.sin(angle)) * y)
    slow = 1 + 0.03 * evenness * _smooth(rng, shape, (3, 2))
    light = (vignette * gradient * slow).astype(np.float32, copy=False)
    light /= light.max()
    return light


def _mixing(rng: np.random.Generator, mixing: float, cast: float) -> NDArray[np.float32]:
    """Channel mixing of a camera that isn't ours, times its white balance."""
    mix = np.eye(3) + rng.uniform(-mixing, mixing, (3, 3))
    mix /= mix.sum(axis=1, keepdims=True)
    gains = np.exp(rng.uniform(-cast, cast, 3))
    return (mix * (gains / gains.max())[:, None]).astype(np.float32)


def shoot(
    lot: Lot,
    hb_g_dl: float,
    seed: int,
    *,
    megapixels: float = 6.0,
    tone: str = "filmic",
    tilt_deg: float = 12.0,
    fill: float = 0.7,
    evenness: float = 0.35,
    haze: float = 0.004,
    noise: float = 0.006,
    blur_px: float = 0.8,
    lens: float = 0.01,
    mixing: float = 0.08,
    cast: float = 0.1,
    quality: int = 92,
    exif_orientation: int = 1,
    page: str = "a4",
) -> Shot:
    """Photograph the printed card with a blot of `hb_g_dl` in its bay.

    `tilt_deg` is away from level, `fill` the share of the frame's width that
    the card takes, `evenness` 0 for even light, `haze` a constant share of
    light added everywhere, `noise` the standard deviation at full light, `mixing`
    how far the camera's channels overlap and `cast` (natural log of a gain) how
    far its white is off.
    """
    rng = np.random.default_rng(seed)
    width = 4 * round(np.sqrt(megapixels * 1e6 * 4 / 3) / 4)
    size = (width, width * 3 // 4)
    raster, raster_to_px = card_raster(lot, page)
    laid = lay_blot(lot, raster, raster_to_px, hb_g_dl, rng)
    view = _view(rng, size, tilt_deg, fill, lens)

    seen, cover = view.render(laid, raster_to_px)
    shape = (size[1], size[0])
    table = (_wood if rng.random() < 0.5 else _cloth)(rng, shape)
    shadow = cv2.GaussianBlur(cv2.resize(cover, None, fx=0.25, fy=0.25), (0, 0), 6.0)
    table *= _grey(1 - 0.35 * cv2.resize(shadow, size))
    scene = seen - table
    scene *= _grey(cover)
    scene += table

    light = _light(rng, shape, evenness)
    mix = _mixing(rng, mixing, cast)
    exposure = float(rng.uniform(0.72, 0.86))
    camera: Array = cv2.transform(scene, mix)
    camera *= _grey(exposure * light)
    camera += haze
    camera = cv2.GaussianBlur(camera, (0, 0), blur_px)
    camera += _noise(rng, camera, noise)

    curve = TONES[tone]
    code = _encode(camera, curve)
    on_raster = np.round(_cell_centres() @ raster_to_px[:2, :2].T + raster_to_px[:2, 2]).astype(int)
    patch_rgb = raster[on_raster[:, 1], on_raster[:, 0]]
    cells_px = view.to_px(_cell_centres())
    at = np.round(cells_px).astype(int)
    linear = patch_rgb @ mix.T * (exposure * light[at[:, 1], at[:, 0]])[:, None] + haze
    return Shot(
        jpeg=_jpeg(code, quality, exif_orientation),
        hb_g_dl=hb_g_dl,
        size=size,
        cells_px=cells_px,
        markers_px=view.to_px(layout.marker_corners_mm()),
        expected=curve.forward(np.clip(linear, 0, 1)),
        tone=curve,
        tilt_deg=tilt_deg,
    )


def _cell_centres() -> NDArray[np.float64]:
    return np.array([(c.x_mm, c.y_mm) for c in layout.cells()])


def _noise(rng: np.random.Generator, camera: Array, noise: float) -> Array:
    """Grows with the root of light, plus a little along each row."""
    down, right = (int(rng.integers(side)) for side in camera.shape[:2])
    out = np.roll(_grain(camera.shape), (down, right), axis=(0, 1))
    spread = np.maximum(camera, np.float32(0.01))
    np.sqrt(spread, out=spread)
    spread *= np.float32(noise)
    out *= spread
    out += 0.15 * noise * rng.standard_normal((camera.shape[0], 1, 1), np.float32)
    return out


@lru_cache(maxsize=1)
def _grain(shape: tuple[int, ...]) -> Array:
    """A sensor's noise of spread 1, which every photo of a size has at another place: drawing it
    anew takes as long as half of all the rest.
    """
    return np.random.default_rng([19, *shape]).standard_normal(shape, np.float32)


def _encode(camera: Array, curve: Tone) -> NDArray[np.uint8]:
    """Code values through a table of 65 536 steps of light; what is outside is cut."""
    most = (1 << 16) - 1
    table = np.round(255 * np.clip(curve.forward(np.linspace(0, 1, most + 1)), 0, 1))
    steps = cv2.addWeighted(camera, most, camera, 0, 0, dtype=cv2.CV_16U)
    return cv2.LUT(steps, table.astype(np.uint8))


_STORED_AS = {
    1: None,
    3: cv2.ROTATE_180,
    6: cv2.ROTATE_90_COUNTERCLOCKWISE,
    8: cv2.ROTATE_90_CLOCKWISE,
}
"""How an upright picture is turned before it is stored with an EXIF orientation."""


def _jpeg(code: NDArray[np.uint8], quality: int, orientation: int) -> bytes:
    turn = _STORED_AS[orientation]
    stored = code if turn is None else cv2.rotate(code, turn)
    exif = Image.Exif()
    exif[0x010F] = "Synthetic"
    exif[0x0110] = "Printed card"
    exif[0x0112] = orientation
    out = io.BytesIO()
    Image.fromarray(stored).save(out, "JPEG", quality=quality, subsampling="4:2:0", exif=exif)
    return out.getvalue()
