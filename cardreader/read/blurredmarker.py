"""Whether a picture without a readable marker shows one out of focus, or shaken.

A picture that is soft all over may be of a card or of anything else: of 217
photographs by others without a card, 45 are. Only where a marker lies in it is
'blurred' what is wrong with it.
"""

from __future__ import annotations

import math
from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

from cardreader.card import layout
from cardreader.read.markers import MODULES, propose, read_cells, signed_codes

MIN_LIKENESS = 0.96
"""Correlation of a quadrilateral's 36 modules with a soft code. Of those 45 pictures the
most alike has 0.952."""
MIN_LIKENESS_OF_TWO = 0.925
"""The same of two quadrilaterals that are like markers of different corners; 0.913. Of drawn
cards blurred by 0.7 to 1 mm or shaken by 1.8 mm all but one in 24 are seen by these two;
shaken by more few are, and no more is known of them than that no card was found."""
_BLURS = (0.35, 0.7, 1.05)
_SHAKES = (1.5, 2.5)
"""Modules. Beyond, codes run together."""
_SCALES = (1.0, 0.5, 0.25)
"""Of the small copy: an outline that is too soft at one is found at another."""
_MIN_CONTRAST = 8.0
"""Grey levels, root mean square, of the modules about their mean."""
_FINE = 4
_SURROUND = 3


def shows_blurred_marker(gray: NDArray[np.uint8]) -> bool:
    """Whether dark quadrilaterals of an 8-bit grey image (H, W) are markers out of focus."""
    alike = np.zeros(4)
    for scale in _SCALES:
        small = cv2.resize(gray, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
        np.maximum(alike, _likeness(np.asarray(small, dtype=np.uint8)), out=alike)
    second, first = np.sort(alike)[-2:]
    return bool(first >= MIN_LIKENESS or second >= MIN_LIKENESS_OF_TWO)


def _likeness(gray: NDArray[np.uint8]) -> NDArray[np.float64]:
    """Of each corner of the card, the greatest correlation with any of its codes, (4,)."""
    alike = np.zeros(4)
    quads = propose(gray, 23)
    if len(quads) == 0:
        return alike
    cells = read_cells(gray, quads)[:, 1:-1, 1:-1].reshape(len(quads), -1)
    cells -= cells.mean(axis=1, keepdims=True)
    size = np.linalg.norm(cells, axis=1, keepdims=True)
    seen = size[:, 0] >= _MIN_CONTRAST * (MODULES - 2)
    codes, corner = _soft_codes()
    scores = (cells[seen] / size[seen]).astype(np.float32) @ codes
    # A quadrilateral speaks for one corner only: the one whose code it is most like.
    np.maximum.at(alike, corner[scores.argmax(axis=1)], scores.max(axis=1))
    return alike


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
