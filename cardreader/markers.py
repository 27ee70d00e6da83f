"""Square markers in a picture: finding and reading them, and measuring their edges.

OpenCV's detector proposes the quadrilaterals and owns the dictionary. The codes
are compared here, because the library takes a millisecond to compare one
proposal with a dictionary of this size and a card proposes eighty: every patch
is a square.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

from cardreader import layout
from cardreader.photo import Photo

MODULES = 8
"""Across a marker: six of code and the black border on either side."""
MAX_WRONG_BITS = 2
"""Codes of the family differ in eleven of their 36 bits or more."""
MIN_CONTRAST = 24
"""Grey levels between a marker's light and dark modules."""
_REACH = 0.8
"""Half length of a profile in modules; the border is one wide, the surround a little less."""
_MIN_PERIMETER = 0.04
"""Of a marker, as a share of the image's long side: half of what a readable card has."""
_MAX_QUADS = 2000
_MOVED = 0.12
_PROFILES = 24
_MAX_STEPS = 24
_BINS = 33
_POINTS = 3
_SHARPEN = 0.7


@dataclass(frozen=True)
class Marker:
    """A marker read: identity, corners (4, 2) clockwise from its own upper left, wrong bits."""

    identity: int
    corners_px: NDArray[np.float64]
    wrong_bits: int


@cache
def _codes() -> NDArray[np.float32]:
    """Codes as +1 (white) and -1 (black): (4 rotations, identities, 36).

    Rotation ``k`` is the code as read from a quadrilateral whose first corner
    is the marker's corner ``k``.
    """
    dictionary = _dictionary()
    bits = np.stack(
        [
            cv2.aruco.Dictionary.getBitsFromByteList(dictionary.bytesList[i : i + 1], 6)
            for i in range(4 * layout.MARKER_BASE)
        ]
    )
    turned = np.stack([np.rot90(bits, k, axes=(1, 2)) for k in range(4)])
    return (2.0 * turned - 1.0).reshape(4, len(bits), 36).astype(np.float32)


@cache
def _dictionary() -> cv2.aruco.Dictionary:
    return cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)


def find_markers(gray: NDArray[np.uint8], windows: tuple[int, ...] = (23,)) -> list[Marker]:
    """All markers of a card in an 8-bit grey image (H, W).

    ``windows`` are the widths in pixels over which the image is thresholded, in
    turn, until all four corners of a card are found; small markers and hard
    light may need another than the first.
    """
    found: list[Marker] = []
    for window in windows:
        found = _distinct(found + _read(gray, _propose(gray, window)))
        if len({m.identity // layout.MARKER_BASE for m in found}) == 4:
            break
    return found


def _propose(gray: NDArray[np.uint8], window: int) -> NDArray[np.float64]:
    """Dark quadrilaterals (n, 4, 2), corners clockwise."""
    parameters = cv2.aruco.DetectorParameters()
    parameters.minMarkerPerimeterRate = _MIN_PERIMETER
    parameters.adaptiveThreshWinSizeMin = parameters.adaptiveThreshWinSizeMax = window
    # One code is the least a dictionary can hold; what doesn't bear it is
    # handed back as rejected, which is all that is wanted.
    one = cv2.aruco.Dictionary(_dictionary().bytesList[:1], 6, 0)
    accepted, _, rejected = cv2.aruco.ArucoDetector(one, parameters).detectMarkers(gray)
    quads = np.array([*accepted, *rejected], dtype=np.float64).reshape(-1, 4, 2)
    if len(quads) > _MAX_QUADS:  # a chequered cloth, not a card
        quads = quads[np.argsort(-_area(quads))[:_MAX_QUADS]]
    return quads


def _read(gray: NDArray[np.uint8], quads: NDArray[np.float64]) -> list[Marker]:
    """Those of the quadrilaterals that bear a code of the family."""
    if len(quads) == 0:
        return []
    cells = _sharpen(_read_cells(gray, quads))
    ring = np.ones((MODULES, MODULES), bool)
    ring[1:-1, 1:-1] = False
    border, inner = cells[:, ring], cells[:, ~ring]
    black, white = np.median(border, axis=1), np.percentile(inner, 85, axis=1)
    middle = ((black + white) / 2)[:, None]
    fit = (white - black >= MIN_CONTRAST) & ((border < middle).mean(axis=1) >= 0.85)
    signs = np.where(inner[fit] > middle[fit], 1.0, -1.0).astype(np.float32)
    agreement = np.einsum("nb,rib->nri", signs, _codes(), optimize=True)
    markers = []
    for quad, score in zip(quads[fit], agreement, strict=True):
        rotation, identity = np.unravel_index(int(score.argmax()), score.shape)
        wrong = round((36 - float(score[rotation, identity])) / 2)
        if wrong <= MAX_WRONG_BITS:
            markers.append(Marker(int(identity), np.roll(quad, int(rotation), axis=0), wrong))
    return markers


def _read_cells(gray: NDArray[np.uint8], quads: NDArray[np.float64]) -> NDArray[np.float64]:
    """Mean grey of the modules, (n, 8, 8), from points about the middle of each."""
    unit = np.array([(0, 0), (MODULES, 0), (MODULES, MODULES), (0, MODULES)], np.float32)
    inside = (np.arange(_POINTS) + 0.5) / _POINTS * 0.6 + 0.2
    t = (np.arange(MODULES)[:, None] + inside).ravel()
    x, y = np.meshgrid(t, t)
    points = np.stack([x, y, np.ones_like(x)], axis=-1).reshape(-1, 3)
    maps = np.stack([cv2.getPerspectiveTransform(unit, q.astype(np.float32)) for q in quads])
    at = points @ maps.transpose(0, 2, 1)
    at = (at[..., :2] / at[..., 2:]).astype(np.float32)
    values = cv2.remap(gray, at[..., 0], at[..., 1], cv2.INTER_LINEAR)
    shape = (len(quads), MODULES, _POINTS, MODULES, _POINTS)
    return values.reshape(shape).mean(axis=(2, 4), dtype=np.float64)


def _sharpen(cells: NDArray[np.float64]) -> NDArray[np.float64]:
    """Undo some of the light that a blurred picture spills from module to module."""
    surround = cells.max(axis=(1, 2))[:, None, None]
    wide = np.broadcast_to(surround, (len(cells), MODULES + 2, MODULES + 2)).copy()
    wide[:, 1:-1, 1:-1] = cells
    beside = wide[:, :-2, 1:-1] + wide[:, 2:, 1:-1] + wide[:, 1:-1, :-2] + wide[:, 1:-1, 2:]
    return np.asarray(cells + _SHARPEN * (cells - beside / 4))


def _distinct(markers: list[Marker]) -> list[Marker]:
    """Drop markers that outline the same print again, the worse read first."""
    kept: list[Marker] = []
    for marker in sorted(markers, key=lambda m: m.wrong_bits):
        centre = marker.corners_px.mean(axis=0)
        side = math.sqrt(float(_area(marker.corners_px[None])[0]))
        if all(
            marker.identity != k.identity
            or np.linalg.norm(centre - k.corners_px.mean(axis=0)) > side / 2
            for k in kept
        ):
            kept.append(marker)
    return kept


def measure_edges(
    photo: Photo, rough: NDArray[np.float64]
) -> tuple[NDArray[np.float64], float] | None:
    """Exact corners from lines fitted to the edges, and the blur.

    Each edge is crossed by short profiles from the black border into the white
    surround, in linear light, where a blur leaves the middle of a step in
    place. The middles give the line, two lines give a corner.

    Parameters
    ----------
    rough : (m, 4, 2)
        Corners good to about a third of a module, clockwise.

    Returns
    -------
    Corners (m, 4, 2) and the blur's standard deviation in modules across the
    worse of the two edge directions; None when an edge can't be made out.
    """
    measured = _measure(photo, rough)
    if measured is None:
        return None
    moved = np.linalg.norm(measured[0] - rough, axis=-1).max()
    if moved > _MOVED * math.sqrt(float(_area(rough).min())) / MODULES:
        # Profiles laid that far off may have reached into the code; now they don't.
        measured = _measure(photo, measured[0])
    return measured


def _measure(photo: Photo, rough: NDArray[np.float64]) -> tuple[NDArray[np.float64], float] | None:
    n = 4 * len(rough)
    start = rough.reshape(n, 2)
    along = np.roll(rough, -1, axis=1).reshape(n, 2) - start
    length = np.linalg.norm(along, axis=1, keepdims=True)
    along = along / length
    outward = np.stack([along[:, 1], -along[:, 0]], axis=1)
    # A tilted marker is narrower one way: profiles stay within the border and
    # the surround as they are seen.
    reach = _REACH * np.repeat(_area(rough), 4)[:, None] / length / MODULES
    steps = np.linspace(-1.0, 1.0, 2 * min(math.ceil(2 * float(reach.max())), _MAX_STEPS) + 1)
    s = np.linspace(0.12, 0.88, _PROFILES) * length
    at = (
        start[:, None, None]
        + along[:, None, None] * s[:, :, None, None]
        + outward[:, None, None] * (reach * steps)[:, None, :, None]
    )
    profiles = _light(photo, at)
    lines = _fit_lines(profiles, steps, s)
    if lines is None:
        return None
    a, b = lines
    origin = start + a[:, None] * reach * outward
    direction = along + b[:, None] * reach * outward
    before = np.arange(n).reshape(-1, 4)[:, [3, 0, 1, 2]].ravel()
    corners = _cross(origin[before], direction[before], origin, direction)
    across = steps - (a[:, None] + b[:, None] * s)[..., None]
    return corners.reshape(-1, 4, 2), _REACH * _blur(profiles, across, along)


def _area(quads: NDArray[np.float64]) -> NDArray[np.float64]:
    d1, d2 = quads[:, 2] - quads[:, 0], quads[:, 3] - quads[:, 1]
    return np.asarray(np.abs(d1[:, 0] * d2[:, 1] - d1[:, 1] * d2[:, 0]) / 2)


def _light(photo: Photo, at: NDArray[np.float64]) -> NDArray[np.float64]:
    """Linear green at points (..., 2)."""
    xy = at.reshape(-1, *at.shape[-2:]).astype(np.float32)
    seen = cv2.remap(
        photo.encoded, xy[..., 0], xy[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    light: NDArray[np.float64] = photo.tone_tables()[1][seen.reshape(-1, 3)[:, 1]].astype(float)
    return light.reshape(at.shape[:-1])


def _fit_lines(
    profiles: NDArray[np.float64], steps: NDArray[np.float64], s: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]] | None:
    """Lines ``step = a + b s`` through the middles of the rises, one an edge.

    The middle is where a sharp rise with the same ends and the same sum would
    lie. Profiles off the line (dirt, a speck of glare) are dropped.
    """
    ends = len(steps) // 4
    # Each profile by its own ends: the edge of a shadow may cross a marker.
    low = np.median(profiles[..., :ends], axis=-1, keepdims=True)
    contrast = np.median(profiles[..., -ends:], axis=-1, keepdims=True) - low
    typical = np.median(contrast, axis=1, keepdims=True)
    if typical.min() < 0.1 * np.median(typical) or np.median(typical) < 2e-3:
        return None
    level = np.clip((profiles - low) / np.maximum(contrast, 0.3 * typical), -0.2, 1.2)
    step = steps[1] - steps[0]
    middle = steps[-1] + step / 2 - level.sum(-1) * step
    weight = np.ones_like(middle)
    for _ in range(3):
        a, b = _weighted_line(s, middle, weight)
        error = np.abs(middle - a[:, None] - b[:, None] * s)
        limit = np.maximum(2.5 * 1.4826 * np.median(error, axis=1, keepdims=True), 0.02)
        weight = (error <= limit).astype(float)
    return a, b


def _weighted_line(
    x: NDArray[np.float64], y: NDArray[np.float64], w: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    total = w.sum(axis=1)
    mx, my = (w * x).sum(axis=1) / total, (w * y).sum(axis=1) / total
    dx = x - mx[:, None]
    b = (w * dx * y).sum(axis=1) / np.maximum((w * dx**2).sum(axis=1), 1e-12)
    return my - b * mx, b


def _cross(
    p: NDArray[np.float64],
    u: NDArray[np.float64],
    q: NDArray[np.float64],
    v: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Where lines ``p + s u`` and ``q + t v`` meet, (n, 2)."""
    d = q - p
    s = (d[:, 0] * v[:, 1] - d[:, 1] * v[:, 0]) / (u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0])
    crossing: NDArray[np.float64] = p + s[:, None] * u
    return crossing


def _blur(
    profiles: NDArray[np.float64], across: NDArray[np.float64], along: NDArray[np.float64]
) -> float:
    """Blur sd: half the way from 16 % to 84 % of the rise, all profiles laid over the line.

    ``across`` is the distance from the line of every sample of ``profiles``, in
    -1..1, and so is the result.
    """
    n = len(profiles)
    which = np.clip(np.rint((across + 1) / 2 * (_BINS - 1)), 0, _BINS - 1).astype(int)
    which += _BINS * np.arange(n)[:, None, None]
    count = np.bincount(which.ravel(), minlength=n * _BINS).reshape(n, _BINS)
    total = np.bincount(which.ravel(), profiles.ravel(), minlength=n * _BINS).reshape(n, _BINS)
    grid = np.linspace(-1.0, 1.0, _BINS)
    sd = np.empty(n)
    for i in range(n):
        seen = count[i] > 0
        rise = np.maximum.accumulate(total[i, seen] / count[i, seen])
        level = (rise - rise[0]) / max(rise[-1] - rise[0], 1e-9)
        x16, x84 = np.interp((0.1587, 0.8413), level, grid[seen])
        sd[i] = (x84 - x16) / 2
    upright = np.abs(along[:, 1]) > np.abs(along[:, 0])
    return float(max(np.median(sd[g]) for g in (upright, ~upright) if g.any()))
