"""Whether a picture without a readable marker shows one out of focus, or shaken.

A picture that is soft all over may be of a card or of anything else: of 217
photographs by others without a card, 45 are. Only where a marker lies in it is
'blurred' what is wrong with it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache
from itertools import combinations

import cv2
import numpy as np
from numpy.typing import NDArray

from cardreader.card import layout
from cardreader.read.markers import MODULES, propose, quad_area, read_cells, signed_codes

MIN_LIKENESS = 0.96
"""Correlation of a quadrilateral's 36 modules with a soft code. Of those 45 pictures the
most alike has 0.952."""
MIN_LIKENESS_OF_TWO = 0.925
"""The same of two quadrilaterals that are like markers of different corners; 0.913. Of drawn
cards blurred by 0.7 to 1 mm or shaken by 1.8 mm all but one in 24 are seen by these two;
shaken by more few are, and no more is known of them than that no card was found."""
_AS_LARGE = 2.0
"""How many times as large one of the two may be: cards tilted by 60 degrees, 16 cm away, 1.9."""
_AS_FAR = 1.6
"""How many times nearer or further apart, in sides, they may be than on the card; the same cards
1.54. Two patches of a texture that are like markers seldom lie so."""
_BLURS = (0.35, 0.7, 1.05)
_SHAKES = (1.5, 2.5)
"""Modules. Beyond, codes run together."""
_SCALES = (1.0, 0.5, 0.25)
"""Of the small copy: an outline that is too soft at one is found at another."""
_MIN_CONTRAST = 8.0
"""Grey levels, root mean square, of the modules about their mean."""
_FINE = 4
_SURROUND = 3


@dataclass(frozen=True)
class _Alike:
    """Of each corner of the card (4,) the quadrilateral most like its marker: the correlation
    with any of its codes, and middle (4, 2) and side (4,) in pixels.
    """

    likeness: NDArray[np.float64]
    middle_px: NDArray[np.float64]
    side_px: NDArray[np.float64]


def shows_blurred_marker(gray: NDArray[np.uint8]) -> bool:
    """Whether dark quadrilaterals of an 8-bit grey image (H, W) are markers out of focus."""
    at_scales = [_alike(gray, scale) for scale in _SCALES]
    likeness = np.stack([alike.likeness for alike in at_scales])
    if likeness.max() >= MIN_LIKENESS:
        return True
    best, corner = likeness.argmax(axis=0), np.arange(4)
    middle_px = np.stack([alike.middle_px for alike in at_scales])[best, corner]
    side_px = np.stack([alike.side_px for alike in at_scales])[best, corner]
    pairs = combinations(np.flatnonzero(likeness.max(axis=0) >= MIN_LIKENESS_OF_TWO), 2)
    return any(_as_on_a_card(np.array(pair), middle_px, side_px) for pair in pairs)


def _as_on_a_card(
    pair: NDArray[np.intp], middle_px: NDArray[np.float64], side_px: NDArray[np.float64]
) -> bool:
    """Whether markers of two corners are as large, and as far apart, as those of one card."""
    on_card = layout.marker_corners_mm().mean(axis=1)[pair]
    apart = np.linalg.norm(np.subtract(*on_card)) / layout.MARKER_MM
    small, large = np.sort(side_px[pair])
    seen = np.linalg.norm(np.subtract(*middle_px[pair])) / math.sqrt(small * large)
    return bool(large <= _AS_LARGE * small and abs(math.log(seen / apart)) <= math.log(_AS_FAR))


def _alike(gray: NDArray[np.uint8], scale: float) -> _Alike:
    """What is most like the markers in a copy of that scale."""
    found = _Alike(np.zeros(4), np.zeros((4, 2)), np.ones(4))
    resized = cv2.resize(gray, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    small = np.asarray(resized, dtype=np.uint8)
    quads = propose(small, 23)
    if len(quads) == 0:
        return found
    cells = read_cells(small, quads)[:, 1:-1, 1:-1].reshape(len(quads), -1)
    cells -= cells.mean(axis=1, keepdims=True)
    size = np.linalg.norm(cells, axis=1, keepdims=True)
    seen = size[:, 0] >= _MIN_CONTRAST * (MODULES - 2)
    cells, quads = cells[seen] / size[seen], quads[seen] / scale
    codes, corner = _soft_codes()
    scores = cells.astype(np.float32) @ codes
    for score, its_corner, quad in zip(
        scores.max(axis=1, initial=0.0), corner[scores.argmax(axis=1)], quads, strict=True
    ):
        # A quadrilateral speaks for one corner only: the one whose code it is most like.
        if score > found.likeness[its_corner]:
            found.likeness[its_corner] = score
            found.middle_px[its_corner] = quad.mean(axis=0)
            found.side_px[its_corner] = math.sqrt(float(quad_area(quad[None])[0]))
    return found


@cache
def _soft_codes() -> tuple[NDArray[np.float32], NDArray[np.int64]]:
    """Every code, turn and blur as a column of mean 0 and length 1, (36, n), and its corner."""
    codes = signed_codes()
    n, edge = MODULES + 2 * _SURROUND, _SURROUND + 1
    tiles = np.ones((codes.shape[0] * codes.shape[1], n, n), np.float32)
    tiles[:, _SURROUND:-_SURROUND, _SURROUND:-_SURROUND] = -1.0
    tiles[:, edge:-edge, edge:-edge] = codes.reshape(-1, MODULES - 2, MODULES - 2)
    flat = tiles.reshape(len(tiles), n * n)
    columns = np.concatenate([_seen_through(k) @ flat.T for k in _kernels()], axis=1)
    columns -= columns.mean(axis=0)
    columns /= np.linalg.norm(columns, axis=0)
    identity = np.tile(np.arange(codes.shape[1]), codes.shape[0] * len(_kernels()))
    return np.ascontiguousarray(columns, dtype=np.float32), identity // layout.MARKER_BASE


def _kernels() -> list[NDArray[np.float32]]:
    """Blurs out of focus and shaken four ways, in fine steps of a module."""
    half = math.ceil(3 * max(_BLURS) * _FINE)
    at = np.arange(-half, half + 1)
    kernels = []
    for sd in _BLURS:
        bell = np.exp(-0.5 * (at / (sd * _FINE)) ** 2)
        kernels.append(np.outer(bell, bell))
    for length in _SHAKES:
        for angle in np.radians((0, 45, 90, 135)):
            along = at[None, :] * np.cos(angle) + at[:, None] * np.sin(angle)
            across = at[:, None] * np.cos(angle) - at[None, :] * np.sin(angle)
            kernels.append((abs(along) <= length * _FINE / 2) & (abs(across) <= 0.75))
    return [np.asarray(k / k.sum(), dtype=np.float32) for k in kernels]


def _seen_through(kernel: NDArray[np.float32]) -> NDArray[np.float32]:
    """What a blur makes of a marker's inner modules: (36, all modules and the surround)."""
    n, edge = MODULES + 2 * _SURROUND, _SURROUND + 1
    rows = []
    for k in range(n * n):
        one = np.zeros((n, n), np.float32)
        one[divmod(k, n)] = 1.0
        fine = np.repeat(np.repeat(one, _FINE, axis=0), _FINE, axis=1)
        soft = cv2.filter2D(fine, -1, kernel).reshape(n, _FINE, n, _FINE).mean(axis=(1, 3))
        rows.append(soft[edge:-edge, edge:-edge].ravel())
    return np.stack(rows, axis=1)
