"""Photos of one blot from two sides -> its colour without a reflection that moved.

A lamp's reflection lies elsewhere on the blot once the phone has moved; the blot does
not. The card's pose lays the bays over each other, and each photo's own colour
correction makes their colours comparable. Where they differ, the darker is the blot;
where they don't, the mean of them is.

A veil over the whole of the blot can't be told from a paler blot in one photo. In
two it shows as a difference, and as far as the two differ the colour is in doubt: a
shadow on the blot alone would look the same and make it too dark.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import cv2
import numpy as np
from numpy.typing import NDArray

from cardreader.card.lot import Lot
from cardreader.core.refusal import Reason, Refusal
from cardreader.read.banding import Banding
from cardreader.read.bay import GRID_PX_PER_MM, grid_mm, refuse, smooth
from cardreader.read.blot import BlotColour, Correction, region_colour, too_deep
from cardreader.read.locate import CardPose
from cardreader.read.photo import Photo
from cardreader.read.segment import Bay, look_at_bay, region_in

MAX_APART = 0.05
"""ln Y of the blot against paper between two photos, beyond which neither is believed: about
1.2 g/dL. Photos without a reflection differ by 0.01 or less (simulated, held-out phones)."""
_SAME = 0.03
"""ln light within which two photos of one place say the same, and are averaged."""
_INSET_MM = 1.0
"""Kept from the blot's edge where colours are compared."""
_MIN_SHARED_MM2 = 5.0
MIN_OVERLAP = 0.85
"""Of what two photos see of the blot, the share that both see, below which it isn't one blot, or
its paper was moved. Photos of one blot by two phones share 0.95 or more, and 0.86 on paper that
lies 0.5 mm above the print, seen from 30 degrees on either side; of 100 pairs of blots of one
volume 3 share as much (simulated)."""


@dataclass(frozen=True, eq=False)
class View:
    """One photo of the blot, as far as its colour correction."""

    photo: Photo
    pose: CardPose
    banding: Banding
    correction: Correction


def measure_same_blot(views: Sequence[View], lot: Lot) -> BlotColour | Refusal:
    """Colour of the one blot that all views show, as the first view's correction sees it.

    ValueError for fewer than two views. Refusals as ``measure_blot``, the first view's
    first; GLARE_ON_BLOT also where the views differ by more than ``MAX_APART``, and
    NOT_ONE_BLOT where they don't show one blot in one place.
    """
    if len(views) < 2:
        raise ValueError("one blot needs two photos or more")
    bays = []
    for view in views:
        bay = look_at_bay(view.photo, view.pose, view.banding)
        if isinstance(bay, Refusal):
            return bay
        bays.append(bay)
    least = _MIN_SHARED_MM2 * GRID_PX_PER_MM**2
    if min(bay.rough.sum() for bay in bays) < least:
        return refuse(Reason.BLOT_MISSING, f"a photo shows no blot of {_MIN_SHARED_MM2:g} mm2")
    shared, overlap = _shared(bays), _overlap(bays)
    if overlap < MIN_OVERLAP or shared.sum() < least:
        return refuse(Reason.NOT_ONE_BLOT, f"the blots overlap by {overlap:.2f} < {MIN_OVERLAP}")
    centre = grid_mm()[shared].mean(axis=0)
    colours, depths = [], []
    for view, bay in zip(views, bays, strict=True):
        middle = np.median(bay.depth[shared], axis=0).astype(float)
        colours.append(_log_ratio(middle, bay, view.correction, centre))
        depths.append(bay.depth + _to_first(middle, colours[-1], bays[0], views[0], centre))
    apart = np.ptp(np.stack(colours), axis=0)
    if apart[1] > MAX_APART:
        return refuse(
            Reason.GLARE_ON_BLOT,
            f"the blot differs from photo to photo by {apart[1]:.2f} > {MAX_APART} in ln Y",
        )
    bay = replace(bays[0], depth=_darker(depths), rough=_all_rough(bays))
    region = region_in(bay, views[0].pose)
    if isinstance(region, Refusal):
        return region
    # Views are laid over each other channel by channel, so a lost one spoils all.
    deep = too_deep(region.linear, region.centre_mm, views[0].correction)
    if deep is not None:
        return deep
    blot = region_colour(region, views[0].correction, lot)
    if isinstance(blot, Refusal):
        return blot
    # Either photo may be the one that is off.
    return replace(blot, covariance=blot.covariance + np.outer(apart, apart) / 4)


def _all_rough(bays: Sequence[Bay]) -> NDArray[np.bool_]:
    return np.asarray(np.logical_and.reduce([bay.rough for bay in bays]))


def _shared(bays: Sequence[Bay]) -> NDArray[np.bool_]:
    """Pixels well inside the blot in every view."""
    inside = cv2.distanceTransform(_all_rough(bays).astype(np.uint8), cv2.DIST_L2, 5)
    return np.asarray(inside > _INSET_MM * GRID_PX_PER_MM)


def _overlap(bays: Sequence[Bay]) -> float:
    """Of the two views least alike, what both see of the blot as a share of what either sees."""
    pairs = combinations([bay.rough for bay in bays], 2)
    return min(float((one & other).sum() / (one | other).sum()) for one, other in pairs)


def _log_ratio(
    depth: NDArray[np.float64], bay: Bay, correction: Correction, centre: NDArray[np.float64]
) -> NDArray[np.float64]:
    """ln(XYZ of blot / XYZ of paper), (3,), of a blot of that depth (3,) in a bay."""
    paper = np.exp(bay.paper.at(centre)[0])
    both = np.stack([np.exp(depth) * paper, paper])
    blot, blank = np.maximum(correction.best_xyz(both, np.tile(centre, (2, 1))), 1e-4)
    return np.asarray(np.log(blot / blank))


def _to_first(
    depth: NDArray[np.float64],
    colour: NDArray[np.float64],
    bay: Bay,
    view: View,
    centre: NDArray[np.float64],
) -> NDArray[np.float32]:
    """What to add to a view's depths (3,) so that the first view's correction sees its colour."""
    seen = _log_ratio(depth, bay, view.correction, centre)
    step = 1e-2
    slopes = [
        (_log_ratio(depth + step * axis, bay, view.correction, centre) - seen) / step
        for axis in np.eye(3)
    ]
    return np.linalg.solve(np.stack(slopes, axis=1), colour - seen).astype(np.float32)


def _darker(depths: Sequence[NDArray[np.float32]]) -> NDArray[np.float32]:
    """Of each place the darkest view, averaged with those that say the same."""
    stack = np.stack(depths)
    dark = np.stack([smooth(depth[..., 1] + depth[..., 2], 2.0) / 2 for depth in depths])
    counts = dark <= dark.min(axis=0) + _SAME
    weight = (counts / counts.sum(axis=0)).astype(np.float32)
    return np.asarray((stack * weight[..., None]).sum(axis=0))
