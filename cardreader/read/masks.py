"""Shapes of what is seen in the bay, as masks of its pixels laid out square."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from cardreader.card import layout
from cardreader.read.bay import GRID_PX_PER_MM, SIDE_MM, along_mm

Mask = NDArray[np.bool_]


def filled(mask: Mask) -> Mask:
    """A mask without holes."""
    pixels = mask.astype(np.uint8)
    contours, _ = cv2.findContours(pixels, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    return np.asarray(cv2.drawContours(pixels, contours, -1, 1, cv2.FILLED)) > 0


def bulged(mask: Mask) -> Mask:
    """A mask without the notches that a lamp's image leaves at the edge of a wet blot."""
    pixels = mask.astype(np.uint8)
    contours, _ = cv2.findContours(pixels, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    for contour in contours:
        cv2.fillConvexPoly(pixels, cv2.convexHull(contour), 1)
    return np.asarray(pixels) > 0


def farthest_mm(mask: Mask) -> float:
    """How far from the middle of the bay a mask goes, along either side."""
    seen = [np.flatnonzero(mask.any(axis=axis))[[0, -1]] for axis in (0, 1)]
    return float(np.abs(along_mm()[np.array(seen)]).max())


def outline_mm(mask: Mask) -> NDArray[np.float64]:
    """Outline of a mask's largest piece as corners on the card, (n, 2)."""
    contours, _ = cv2.findContours(mask.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    longest = max(contours, key=len)
    points = cv2.approxPolyDP(longest, 0.5, True).reshape(-1, 2).astype(np.float64)
    corner = np.array(layout.CENTRE_MM) - SIDE_MM / 2
    return np.asarray((points + 0.5) / GRID_PX_PER_MM + corner)
