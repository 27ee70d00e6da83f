"""Three markers of a card -> the fourth, which a drop of blood or dirt has spoiled.

Three markers say where the fourth must be, and their digits what it must say.
It is taken for seen when the print in that place says so, drop or no drop.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from cardreader.card import layout
from cardreader.read.edges import measure_edges
from cardreader.read.markers import MODULES, Marker, count_wrong, quad_area
from cardreader.read.photo import Photo
from cardreader.read.posefit import fit_pose, project

MAX_WRONG_MODULES = 6
"""Of the 64, border included. A drop of 4.4 mm leaves at most 6 (simulated photos)."""
MIN_LEAD = 3
"""Fewer wrong bits than any other digit that this corner could bear."""
MAX_APART = 0.15
"""Modules, root mean square, by which three markers may miss one flat card."""
_SURROUND = 0.5
"""Modules of white around the marker that must lie in the picture with it."""


def find_fourth(photo: Photo, gray: NDArray[np.uint8], three: list[Marker]) -> Marker | None:
    """The marker that is missing, or None where the print doesn't bear it out.

    The digit no longer comes from a code within 2 bits and a check digit, but
    is foretold by the check digit and borne out by 64 modules. What might pass
    wrongly, as counted over all pairs of codes of one corner:

    - A random pattern in place of the marker: 6 or fewer of 64 modules wrong
      by chance, 4.5e-12.
    - The marker of another digit, seen clean: never, codes differ in 11 bits.
    - The marker of another digit under a dark round drop anywhere on it: none
      up to 3 mm across, 4e-8 at 4 mm, 9e-7 at 5 mm. And another digit is
      foretold only if one of three markers within 2 bits was misread.

    Parameters
    ----------
    gray : (H, W) uint8
        The photo's green at working scale.
    three : list of Marker
        Of three different corners, their corners in working pixels.
    """
    quad = _foretell(photo, three)
    if quad is None or not lies_within(quad, gray.shape):
        return None
    seen = count_wrong(gray, quad)
    if seen is None:
        return None
    border, bits = seen
    identity = layout.fourth_id([m.identity for m in three])
    corner = identity // layout.MARKER_BASE
    rivals = np.delete(bits, identity)[
        corner * layout.MARKER_BASE : (corner + 1) * layout.MARKER_BASE - 1
    ]
    wrong = int(bits[identity])
    if border + wrong > MAX_WRONG_MODULES or int(rivals.min()) - wrong < MIN_LEAD:
        return None
    return Marker(identity, quad, wrong)


def _foretell(photo: Photo, three: list[Marker]) -> NDArray[np.float64] | None:
    """Corners (4, 2) in px of the missing marker; None where three don't lie on one card."""
    corners = [m.identity // layout.MARKER_BASE for m in three]
    (missing,) = {0, 1, 2, 3} - set(corners)
    rough = np.stack([m.corners_px for m in three])
    edges = measure_edges(photo, rough, spoiled=True)
    if edges is None:
        return None
    size = (photo.encoded.shape[1], photo.encoded.shape[0])
    model = layout.marker_corners_mm()
    known, seen = model[corners][edges.clear], edges.corners[edges.clear]
    if edges.clear.sum(axis=1).min() < 2:
        return None
    h, lens = fit_pose(known, seen, size)
    apart = project(h, lens, size, known) - seen
    module = math.sqrt(float(quad_area(rough).mean())) / MODULES
    if math.sqrt(float((apart**2).sum(axis=-1).mean())) > MAX_APART * module:
        return None
    return project(h, lens, size, model[missing])


def lies_within(quad: NDArray[np.float64], shape: tuple[int, ...]) -> bool:
    """Whether a marker lies in the picture with some of its surround."""
    wide = quad + (quad - quad.mean(axis=0)) * (2 * _SURROUND / MODULES)
    height, width = shape[:2]
    return bool((wide >= 0).all() and (wide <= np.array([width - 1, height - 1])).all())
