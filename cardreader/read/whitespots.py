"""The unprinted card as a photo shows it, in spots where the corners of four patches meet.

They are all of one colour, so that they tell what the light does over the card.
"""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardreader.card import layout
from cardreader.core.order import median
from cardreader.read.locate import CardPose
from cardreader.read.photo import Photo

Array = NDArray[np.float64]

_SPOT_MM = 0.4
_SPOT_SAMPLES = 5
"""Side of the white spots looked at, half as wide as the gap between patches, and samples along it.

A blur of sd 0.3 mm brings less than 2 % of print to such a crossing of two gaps.
"""
_CLIPPED_CODE = 253 / 255
_DARKEST_SHARE = 0.5
"""Spots darker than this share of their median are covered, not card."""


@cache
def spots_mm() -> Array:
    """Middles (n, 2) of the white spots where four cells of the layout meet.

    Left out are those in the markers, and those that blotting paper may cover.
    """
    columns, rows = np.arange(layout.COLUMNS + 1) - 0.5, np.arange(layout.ROWS + 1) - 0.5
    spots = np.array([layout.cell_centre_mm(r, c) for r in rows for c in columns])
    markers = layout.marker_corners_mm().mean(axis=1)
    in_marker = np.abs(spots[:, None] - markers).max(axis=-1) < layout.MARKER_MM / 2
    off_bay = np.abs(spots - layout.CENTRE_MM).max(axis=1) - layout.BAY_MM / 2
    return np.asarray(spots[~in_marker.any(axis=1) & (off_bay > layout.PITCH_MM / 2)])


@cache
def _samples_mm() -> Array:
    """Sample points (n, k, 2) within the spots."""
    step = ((np.arange(_SPOT_SAMPLES) + 0.5) / _SPOT_SAMPLES - 0.5) * _SPOT_MM
    offset = np.stack(np.meshgrid(step, step), axis=-1).reshape(-1, 2)
    return spots_mm()[:, None] + offset


def light_of_spots(photo: Photo, pose: CardPose) -> Array:
    """Linear RGB (n, 3) of the spots of `spots_mm`, whatever lies on them."""
    return _seen_spots(photo, pose)[0]


def codes_of_spots(photo: Photo, pose: CardPose) -> Array:
    """Code values (n, 3) of the same spots: the median of each."""
    return median(np.moveaxis(_seen_spots(photo, pose)[1], 1, -1).astype(np.float64))


def _seen_spots(photo: Photo, pose: CardPose) -> tuple[Array, NDArray[Any]]:
    """The spots' linear RGB (n, 3), and the codes (n, k, 3) that it is the mean of, ascending."""
    at = np.rint(pose.to_px(_samples_mm())).astype(np.intp)
    height, width = photo.encoded.shape[:2]
    x, y = np.clip(at[..., 0], 0, width - 1), np.clip(at[..., 1], 0, height - 1)
    # The mean of the middle third, since a median of whole codes moves in steps.
    k = _SPOT_SAMPLES**2
    code = np.sort(photo.encoded[y, x], axis=1)[:, k // 3 : k - k // 3]
    tables = photo.tone_tables()
    light = np.stack([tables[c][code[..., c]] for c in range(3)], axis=-1).mean(
        axis=1, dtype=np.float64
    )
    return light, code


def white_spots(photo: Photo, pose: CardPose) -> tuple[Array, Array]:
    """Spots in view, bare and not clipped: where (m, 2) on the card, and ln nominal RGB (m, 3)."""
    light, code = _seen_spots(photo, pose)
    good = (code[:, -1] < round(_CLIPPED_CODE * photo.white)).all(axis=1)
    good &= (light > _DARKEST_SHARE * median(light.T)).all(axis=1)
    return spots_mm()[good], np.log(np.maximum(light[good], 1e-4))
