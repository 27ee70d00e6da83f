"""Square markers in a picture: finding and reading them.

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

from cardreader.card import layout
from cardreader.core.order import median, quantile

MODULES = 8
"""Across a marker: six of code and the black border on either side."""
MAX_WRONG_BITS = 2
"""Codes of the family differ in eleven of their 36 bits or more."""
MIN_CONTRAST = 24
"""Grey levels between a marker's light and dark modules."""
_MIN_PERIMETER = 0.04
"""Of a marker, as a share of the image's long side: half of what a readable card has."""
_MIN_APART = 0.02
"""Of their perimeter, by which outlines lie apart that are looked into both. The library's
0.125 keeps only the outer one where a pen line, a sleeve's window or a cutting guide runs
around a marker, and the marker is lost."""
_MAX_QUADS = 2000
_POINTS = 3
_SHARPEN = 0.7


@dataclass(frozen=True)
class Marker:
    """A marker read: identity, corners (4, 2) clockwise from its own upper left, wrong bits."""

    identity: int
    corners_px: NDArray[np.float64]
    wrong_bits: int


@cache
def signed_codes() -> NDArray[np.float32]:
    """Codes as +1 (white) and -1 (black): (4 rotations, identities, 36).

    Rotation ``k`` is the code as read from a quadrilateral whose first corner
    is the marker's corner ``k``.
    """
    # As the library keeps each: 36 bits in five bytes, of which the last holds four, for each
    # of four rotations. Its own unpacking takes one code at a time, and as long as a photo's
    # markers.
    packed = np.asarray(_dictionary().bytesList[: 4 * layout.MARKER_BASE], np.uint8)
    unpacked = np.unpackbits(packed.reshape(-1, 4, 5)[:, 0], axis=1)
    bits = np.delete(unpacked, np.s_[32:36], axis=1).reshape(-1, 6, 6)
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
        found = _distinct(found + _read(gray, propose(gray, window)))
        if len({m.identity // layout.MARKER_BASE for m in found}) == 4:
            break
    return found


def propose(gray: NDArray[np.uint8], window: int) -> NDArray[np.float64]:
    """Dark quadrilaterals (n, 4, 2), corners clockwise."""
    parameters = cv2.aruco.DetectorParameters()
    parameters.minMarkerPerimeterRate = _MIN_PERIMETER
    parameters.minMarkerDistanceRate = _MIN_APART
    parameters.adaptiveThreshWinSizeMin = parameters.adaptiveThreshWinSizeMax = window
    # What the library reads in the quadrilaterals is of no matter, so it shall read quickly.
    parameters.perspectiveRemovePixelPerCell = 1
    parameters.minOtsuStdDev = 1e9
    # One code is the least a dictionary can hold; what doesn't bear it is
    # handed back as rejected, which is all that is wanted.
    one = cv2.aruco.Dictionary(_dictionary().bytesList[:1], 6, 0)
    accepted, _, rejected = cv2.aruco.ArucoDetector(one, parameters).detectMarkers(gray)
    quads = np.array([*accepted, *rejected], dtype=np.float64).reshape(-1, 4, 2)
    if len(quads) > _MAX_QUADS:  # a chequered cloth, not a card
        quads = quads[np.argsort(-quad_area(quads))[:_MAX_QUADS]]
    return quads


def _read(gray: NDArray[np.uint8], quads: NDArray[np.float64]) -> list[Marker]:
    """Those of the quadrilaterals that bear a code of the family."""
    if len(quads) == 0:
        return []
    border, inner, black, white = _modules(gray, quads)
    middle = ((black + white) / 2)[:, None]
    fit = (white - black >= MIN_CONTRAST) & ((border < middle).mean(axis=1) >= 0.85)
    signs = np.where(inner[fit] > middle[fit], 1.0, -1.0).astype(np.float32)
    agreement = np.einsum("nb,rib->nri", signs, signed_codes(), optimize=True)
    markers = []
    for quad, score in zip(quads[fit], agreement, strict=True):
        rotation, identity = np.unravel_index(int(score.argmax()), score.shape)
        wrong = round((36 - float(score[rotation, identity])) / 2)
        if wrong <= MAX_WRONG_BITS:
            markers.append(Marker(int(identity), np.roll(quad, int(rotation), axis=0), wrong))
    return markers


def _modules(
    gray: NDArray[np.uint8], quads: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Grey of the border (n, 28) and of the code (n, 36), and what is black and white (n,)."""
    cells = _sharpen(read_cells(gray, quads))
    ring = np.ones((MODULES, MODULES), bool)
    ring[1:-1, 1:-1] = False
    border, inner = cells[:, ring], cells[:, ~ring]
    return border, inner, median(border), quantile(np.sort(inner, axis=1), 0.85)


def count_wrong(
    gray: NDArray[np.uint8], quad: NDArray[np.float64]
) -> tuple[int, NDArray[np.int64]] | None:
    """How far the modules within a marker's corners (4, 2) are from being each marker's.

    Returns
    -------
    The number of the border's 28 modules that aren't black, and for every
    identity (4 * ``layout.MARKER_BASE``,) how many of its 36 bits are wrong.
    None where there is no contrast of black and white.
    """
    border, inner, black, white = _modules(gray, quad[None])
    if white[0] - black[0] < MIN_CONTRAST:
        return None
    middle = (black[0] + white[0]) / 2
    signs = np.where(inner[0] > middle, 1.0, -1.0)
    wrong = np.rint((36 - signed_codes()[0] @ signs) / 2).astype(np.int64)
    return int((border[0] >= middle).sum()), wrong


def read_cells(gray: NDArray[np.uint8], quads: NDArray[np.float64]) -> NDArray[np.float64]:
    """Mean grey of the modules, (n, 8, 8), from points about the middle of each."""
    points = _points()
    at = (_maps(quads).reshape(-1, 3) @ points).reshape(len(quads), 3, -1)
    at = (at[:, :2] / at[:, 2:]).astype(np.float32)
    values = cv2.remap(gray, at[:, 0], at[:, 1], cv2.INTER_LINEAR)
    whole = values.reshape(len(quads), _POINTS**2, -1).sum(axis=1, dtype=np.uint16)
    return np.asarray(whole / _POINTS**2).reshape(len(quads), MODULES, MODULES)


@cache
def _points() -> NDArray[np.float64]:
    """Points in a marker of side 1, homogeneous, (3, n): the first of every module, and so on."""
    inside = (np.arange(_POINTS) + 0.5) / _POINTS * 0.6 + 0.2
    t = (np.arange(MODULES) + inside[:, None]) / MODULES
    x = np.broadcast_to(t[None, :, None, :], (_POINTS, _POINTS, MODULES, MODULES))
    y = np.broadcast_to(t[:, None, :, None], x.shape)
    return np.stack([x, y, np.ones_like(x)]).reshape(3, -1)


def _maps(quads: NDArray[np.float64]) -> NDArray[np.float64]:
    """Homographies (n, 3, 3) of the unit square onto quadrilaterals (n, 4, 2)."""
    # Heckbert, Fundamentals of Texture Mapping and Image Warping (1989), 2.2.3.
    first, second, third, fourth = np.moveaxis(quads, 1, 0)
    along, across = second - third, fourth - third
    rest = first - second + third - fourth
    area = along[:, 0] * across[:, 1] - along[:, 1] * across[:, 0]
    area = np.where(area == 0, 1e-12, area)
    g = (rest[:, 0] * across[:, 1] - rest[:, 1] * across[:, 0]) / area
    h = (along[:, 0] * rest[:, 1] - along[:, 1] * rest[:, 0]) / area
    maps = np.empty((len(quads), 3, 3))
    maps[:, :2, 0] = second - first + g[:, None] * second
    maps[:, :2, 1] = fourth - first + h[:, None] * fourth
    maps[:, :2, 2] = first
    maps[:, 2] = np.stack([g, h, np.ones_like(g)], axis=1)
    return maps


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
        side = math.sqrt(float(quad_area(marker.corners_px[None])[0]))
        if all(
            marker.identity != k.identity
            or np.linalg.norm(centre - k.corners_px.mean(axis=0)) > side / 2
            for k in kept
        ):
            kept.append(marker)
    return kept


def quad_area(quads: NDArray[np.float64]) -> NDArray[np.float64]:
    """Areas (n,) in square pixels of quadrilaterals (n, 4, 2)."""
    d1, d2 = quads[:, 2] - quads[:, 0], quads[:, 3] - quads[:, 1]
    return np.asarray(np.abs(d1[:, 0] * d2[:, 1] - d1[:, 1] * d2[:, 0]) / 2)
