"""The bay -> BlotRegion: where the blot is, and what it and the paper look like.

Blood is redder than paper whatever the light's strength, so the ratio of red to green
finds the blot even where the light falls off. A smooth light field is fitted to the
blank paper around (`paper`) and carried under the blot; the blot's colour is its ratio
to that. Only the core counts: the rim of a soaked blot is darker or paler than the rest.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from cardreader.card import layout
from cardreader.core.order import median, quantile
from cardreader.core.refusal import Reason, Refusal
from cardreader.core.robust import half_central_spread_of_ordered
from cardreader.read.banding import EVEN, Banding
from cardreader.read.bay import (
    EDGE_MM,
    GRID_PX_PER_MM,
    SIDE_MM,
    along_mm,
    bands_over,
    log_light_of,
    rectify,
    redness_of,
    refuse,
    smooth,
    tile_means,
    tile_middles_mm,
    widened,
)
from cardreader.read.cardlight import card_light
from cardreader.read.locate import CardPose
from cardreader.read.masks import bulged, farthest_mm, filled, outline_mm
from cardreader.read.paper import PaperLight, fit_paper
from cardreader.read.photo import Photo
from cardreader.read.sample import at_top, lightest_prints
from cardreader.read.sheen import Drift, drift_of

BORDER_MM = 1.0
MIN_AREA_MM2 = 20.0
MIN_CORE_MM2 = 5.0
MIN_REDNESS = 0.25
"""Least ln(red/green) above the paper's that counts as a blot."""
MAX_FRAGMENTS = 0.15
MAX_HOLES = 0.03
_OUTSHINES = 0.05
"""Ln red of holes in a blot above the paper's that bare paper doesn't have."""
MAX_GLARE = 0.01
MAX_PALE = 0.05
_MOST_SHINES = 0.25
"""Share of the core beyond which paler places are blood and no lamp's image."""
_RIM = 0.5
"""Of the pixels' median depth within the core: paler places less deep lie along its edge."""
_ONE_PLACE = 0.5
"""Length of the mean direction from the middle: 0 all round, 1 on one side."""
MAX_DARKER = 0.2
MAX_PAPER_CLIPPED = 0.4
_TRIM = 0.1


@dataclass(frozen=True)
class BlotRegion:
    """A blot found in the bay, before any colour correction.

    Attributes
    ----------
    outline_mm : (K, 2)
        Closed outline on the card.
    area_mm2, core_area_mm2 : float
        Of the whole blot and of the part whose colour counts.
    centre_mm : (2,)
        Centre of the core.
    linear : (3,)
        Core's linear RGB in the core's mean light.
    covariance : (3, 3)
        Of ``linear``, from the spread over the core.
    paper_linear : (3,)
        Blank paper's linear RGB in the same light.
    paper_covariance : (3, 3)
        Of ``paper_linear``, from the fit of the light field.
    unevenness : float
        Robust standard deviation of ln reflectance (green, blue) over the core, as the
        phone renders it.
    texture : (3, 3)
        Covariance of ln reflectance over the core, grain smoothed away.
    paper_residual : float
        The same of blank paper about the light field.
    n_pixels : int
        Working-image pixels in the core.
    drift : Drift or None
        How ln reflectance changes across the core; None where it is too small to say.
    """

    outline_mm: NDArray[np.float64]
    area_mm2: float
    core_area_mm2: float
    centre_mm: NDArray[np.float64]
    linear: NDArray[np.float64]
    covariance: NDArray[np.float64]
    paper_linear: NDArray[np.float64]
    paper_covariance: NDArray[np.float64]
    unevenness: float
    texture: NDArray[np.float64]
    paper_residual: float
    n_pixels: int
    drift: Drift | None = None


@dataclass(frozen=True, eq=False)
class Bay:
    """The bay with the light on it taken off: what a blot is looked for in.

    Attributes
    ----------
    depth : (n, n, 3)
        ln of linear RGB against blank paper in the same light, bands off.
    rough : (n, n) bool
        Redder than the paper.
    paper : PaperLight
    bands : (n, n, 3) or (1, 1, 3)
        ln light that bands add.
    """

    depth: NDArray[np.float32]
    rough: NDArray[np.bool_]
    paper: PaperLight
    bands: NDArray[np.float32]


def segment_blot(photo: Photo, pose: CardPose, banding: Banding = EVEN) -> BlotRegion | Refusal:
    """Find the blot in the bay and what it and the paper look like.

    Refusals: CLIPPED, BLOT_MISSING, BLOT_TOO_SMALL, BLOT_TOUCHES_BORDER,
    BLOT_UNEVEN, GLARE_ON_BLOT, SHADOW_EDGE, PAPER_NOT_BLANK.
    """
    bay = look_at_bay(photo, pose, banding)
    return bay if isinstance(bay, Refusal) else region_in(bay, pose)


def look_at_bay(photo: Photo, pose: CardPose, banding: Banding = EVEN) -> Bay | Refusal:
    """Lay the bay out square and take the light on its paper off.

    Bands of light are taken off first, as deep as white card shows them: paper is
    about as bright, and lies under the same part of the phone's tone curve.
    """
    encoded = rectify(photo, pose)
    bands = bands_over(banding)
    log_light = log_light_of(photo, encoded)
    if banding.found:
        log_light = log_light - bands
    rough = _red_area(log_light, _neutral_redness(photo, pose))
    if isinstance(rough, Refusal):
        return rough
    ends = at_top(photo, encoded)
    clipped: NDArray[np.bool_] = np.asarray(ends[..., 0] | ends[..., 1] | ends[..., 2])
    share = float((clipped & ~rough).sum() / max((~rough).sum(), 1))
    if share > MAX_PAPER_CLIPPED:
        return refuse(Reason.CLIPPED, f"{share:.0%} of the paper > {MAX_PAPER_CLIPPED:.0%}")
    paper = fit_paper(log_light, rough, clipped, lambda: card_light(photo, pose, banding))
    if isinstance(paper, Refusal):
        return paper
    return Bay(log_light - paper.field, rough, paper, bands)


def region_in(bay: Bay, pose: CardPose) -> BlotRegion | Refusal:
    """The blot in a bay."""
    mask = _blot_mask(bay.depth, bay.rough)
    if isinstance(mask, Refusal):
        return mask
    return _describe(pose, bay.paper, bay.depth, mask, bay.bands)


def _neutral_redness(photo: Photo, pose: CardPose) -> float:
    """Redness of the lightest printed neutrals: about that of white paper in this light."""
    at = np.rint(pose.to_px(layout.centres_mm()[lightest_prints()])).astype(int)
    height, width = photo.encoded.shape[:2]
    near = [
        photo.encoded[max(y - 1, 0) : y + 2, max(x - 1, 0) : x + 2].reshape(-1, 3)
        for x, y in at
        if 0 <= x < width and 0 <= y < height
    ]
    return float(median(redness_of(log_light_of(photo, np.concatenate(near)[None]))[0]))


def _red_area(log_light: NDArray[np.float32], neutral: float) -> NDArray[np.bool_] | Refusal:
    """Pixels redder than the paper, roughly, holes filled: split at the valley between the two."""
    redness = smooth(redness_of(log_light), 2.0)
    paper = float(quantile(np.sort(redness, axis=None), 0.1))
    scaled = np.clip((redness - paper) / 2.5 * 255, 0, 255).astype(np.uint8)
    _, mask = cv2.threshold(scaled, 0, 1, cv2.THRESH_BINARY | cv2.THRESH_OTSU)
    red: NDArray[np.bool_] = np.asarray(mask) > 0
    found = bool(red.mean() >= 2.0 / SIDE_MM**2)
    contrast = float(median(redness[red]) - median(redness[~red])) if found else 0.0
    if paper > neutral + MIN_REDNESS:
        return _no_white_paper(red, contrast)
    if not found:
        return refuse(Reason.BLOT_MISSING, "nothing redder than the paper")
    if contrast < MIN_REDNESS:
        return refuse(Reason.BLOT_MISSING, f"ln(red/green) only {contrast:.2f} above the paper's")
    return filled(red)


def _no_white_paper(red: NDArray[np.bool_], contrast: float) -> Refusal:
    """Why all of the window is red: a blot clear of the frame lies on paper that is pink."""
    if contrast >= MIN_REDNESS and not _reaches_frame(red):
        return refuse(Reason.PAPER_NOT_BLANK, "the paper around the blot is red itself")
    return refuse(Reason.BLOT_TOUCHES_BORDER, "no blank paper left in the window")


def _blot_mask(depth: NDArray[np.float32], rough: NDArray[np.bool_]) -> NDArray[np.bool_] | Refusal:
    """The blot's pixels: half as deep as its middle or deeper, one piece, no holes.

    What is as dark away from all that is red is a hair or ink on the paper.
    """
    dark = smooth(depth[..., 1] + depth[..., 2], 1.0) / 2
    middle = float(median(dark[rough]))
    edge = math.log((1.0 + math.exp(middle)) / 2.0)
    pixels = ((dark < edge) & widened(bulged(rough))).astype(np.uint8)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(pixels, connectivity=8)
    if count < 2:
        return refuse(Reason.BLOT_MISSING, "nothing darker than the paper")
    areas = stats[1:, cv2.CC_STAT_AREA] / GRID_PX_PER_MM**2
    largest = int(areas.argmax())
    area = float(areas[largest])
    if area < MIN_AREA_MM2:
        return refuse(Reason.BLOT_TOO_SMALL, f"{area:.0f} mm2 < {MIN_AREA_MM2:.0f}")
    others = float(areas[areas > 0.3].sum() - area) / area
    piece: NDArray[np.bool_] = np.asarray(labels) == largest + 1
    if others > MAX_FRAGMENTS:
        rest = (pixels > 0) & ~piece
        if _reaches_frame(rest):
            # A finger, or a blot that runs over the edge: another blot would be no help.
            return refuse(Reason.BLOT_TOUCHES_BORDER, "something else as dark reaches the frame")
        return refuse(
            Reason.BLOT_UNEVEN, f"fragments of {others:.0%} of the blot > {MAX_FRAGMENTS:.0%}"
        )
    whole = filled(piece)
    holes = 1.0 - float(piece.sum()) / float(whole.sum())
    if holes > MAX_HOLES:
        why = Reason.GLARE_ON_BLOT if _outshines(depth, whole & ~piece) else Reason.BLOT_UNEVEN
        return refuse(why, f"holes of {holes:.0%} of the blot > {MAX_HOLES:.0%}")
    rim = farthest_mm(whole)
    if rim > layout.BAY_MM / 2 - BORDER_MM:
        return refuse(
            Reason.BLOT_TOUCHES_BORDER,
            f"{layout.BAY_MM / 2 - rim:.1f} mm from the frame < {BORDER_MM}",
        )
    return whole


def _outshines(depth: NDArray[np.float32], holes: NDArray[np.bool_]) -> bool:
    """Whether holes of a blot send more red back than bare paper could: a lamp's reflection."""
    return float(median(depth[..., 0][holes])) > _OUTSHINES


def _reaches_frame(mask: NDArray[np.bool_]) -> bool:
    """Whether any of a mask lies nearer to the frame than a blot may."""
    return farthest_mm(mask) > layout.BAY_MM / 2 - BORDER_MM


def _describe(
    pose: CardPose,
    paper: PaperLight,
    depth: NDArray[np.float32],
    mask: NDArray[np.bool_],
    bands: NDArray[np.float32],
) -> BlotRegion | Refusal:
    inside = cv2.distanceTransform(mask.astype(np.uint8), cv2.DIST_L2, 5) / GRID_PX_PER_MM
    margin = min(max(0.25 * float(inside.max()), EDGE_MM), 1.5)
    core = np.asarray(inside > margin)
    core_area = float(core.sum()) / GRID_PX_PER_MM**2
    if core_area < MIN_CORE_MM2:
        return refuse(Reason.BLOT_UNEVEN, f"core of {core_area:.1f} mm2 < {MIN_CORE_MM2:.0f}")
    ratio = np.exp(depth)
    calm = _within(smooth(depth, 2.0), core)
    depths = np.sort((calm[1] + calm[2]) / 2)
    inner = _within(ratio, core)
    ordered = np.sort(inner, axis=1)
    refusal = _pale_or_shining(inner, ordered, depths, lambda: _Places.of(core, inside))
    if refusal is not None:
        return refusal
    covered = tile_means(core.astype(np.float32)) > 0.99
    mean_ratio, covariance = _mean_ratio(ratio, ordered, covered)
    weights = np.stack([core.sum(axis=0), core.sum(axis=1)])
    centre = weights @ along_mm() / core.sum() + np.array(layout.CENTRE_MM)
    log_paper, log_paper_covariance = paper.at(centre)
    # Bands are less deep in paper than in blood, where the tone curve is steeper. In
    # the core's mean light, bands and all, that makes no difference to the ratio.
    if bands.shape == depth.shape:
        log_paper = log_paper + bands[core].mean(axis=0, dtype=np.float64)
    paper_linear = np.exp(log_paper)
    scale = np.diag(paper_linear)
    return BlotRegion(
        outline_mm=outline_mm(mask),
        area_mm2=float(mask.sum()) / GRID_PX_PER_MM**2,
        core_area_mm2=core_area,
        centre_mm=centre,
        linear=mean_ratio * paper_linear,
        covariance=scale @ covariance @ scale,
        paper_linear=paper_linear,
        paper_covariance=scale @ log_paper_covariance @ scale,
        unevenness=half_central_spread_of_ordered(depths),
        texture=np.cov(calm),
        paper_residual=paper.residual,
        n_pixels=round(core_area * pose.px_per_mm**2),
        drift=drift_of(tile_means(depth)[covered], tile_middles_mm()[covered]),
    )


def _within(image: NDArray[np.float32], mask: NDArray[np.bool_]) -> NDArray[np.float32]:
    """Values of an image (n, n, 3) where a mask (n, n) is, channel first: (3, k)."""
    inside = image.reshape(-1, 3).compress(mask.ravel(), axis=0)
    return np.ascontiguousarray(inside.T)


@dataclass(frozen=True, eq=False)
class _Places:
    """Where the k pixels of a core lie: ``deep`` (k,) mm within it, and the direction ``way``
    (2, k) from its middle, of length 1.
    """

    deep: NDArray[np.float64]
    way: NDArray[np.float64]

    @classmethod
    def of(cls, core: NDArray[np.bool_], inside: NDArray[np.float64]) -> _Places:
        """Of a core (n, n), with how far (n, n) each pixel lies inside the blot."""
        off = np.stack(np.nonzero(core)).astype(np.float64)
        off -= off.mean(axis=1, keepdims=True)
        deep = inside[core]
        return cls(deep - deep.min(), off / np.maximum(np.hypot(*off), 1.0))

    def is_rim(self, some: NDArray[np.bool_]) -> bool:
        """Whether some (k,) of the pixels lie all round the edge, and not in one place."""
        near = float(median(self.deep[some])) < _RIM * float(median(self.deep))
        return near and float(np.hypot(*self.way[:, some].mean(axis=1))) < _ONE_PLACE


def _pale_or_shining(
    ratio: NDArray[np.float32],
    ordered: NDArray[np.float32],
    depths: NDArray[np.float32],
    places: Callable[[], _Places],
) -> Refusal | None:
    """Refuse a core of which a part shines or is bare.

    ``ratio`` (3, k) is to the paper, ``ordered`` (3, k) the same sorted by channel,
    ``depths`` (k,) its smoothed log in green and blue, in ascending order; ``places`` is asked
    for where a part shines alone.

    Reflected light is added to all channels and only brightens, in one place.
    Clots and a thin or streaky soak go both ways about the middle; blood that spirit or water
    thinned is pale all round the edge, and of two blots grown together one is paler.
    """
    dark, middle, bright = (quantile(depths, share) for share in (0.01, 0.5, 0.99))
    red, green, blue = ratio - ordered[:, ordered.shape[1] // 2, None]
    shine = (np.minimum(green, blue) > 0.06) & (red > 0.6 * green)
    share = float(shine.mean())
    if middle - dark < MAX_DARKER and bright - middle > middle - dark and share > MAX_GLARE:
        if share > _MOST_SHINES or places().is_rim(shine):
            return refuse(Reason.BLOT_UNEVEN, f"{share:.1%} of the core is pale > {MAX_GLARE:.0%}")
        return refuse(Reason.GLARE_ON_BLOT, f"{share:.1%} of the core shines > {MAX_GLARE:.0%}")
    if share > MAX_PALE:
        return refuse(Reason.BLOT_UNEVEN, f"{share:.1%} pale > {MAX_PALE:.0%}")
    return None


def _mean_ratio(
    ratio: NDArray[np.float32], ordered: NDArray[np.float32], covered: NDArray[np.bool_]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Trimmed mean (3,) over the core and its covariance (3, 3) from means of the tiles in it."""
    n = ordered.shape[1]
    cut = int(_TRIM * n)
    mean = ordered[:, cut : n - cut].mean(axis=1, dtype=np.float64)
    tiles = tile_means(ratio)[covered]
    if len(tiles) < 4:
        return mean, np.cov(ordered) / 4
    return mean, np.cov(tiles.T) / len(tiles)
