"""The bay -> BlotRegion -> BlotColour: where the blot is and its colour against blank paper.

The bay is laid out square in card millimetres. Blood is redder than paper
whatever the light's strength, so the ratio of red to green finds the blot even
where the light falls off. A smooth light field is fitted to the blank paper
around and carried under the blot; the blot's colour is its ratio to that.

Only the core counts: the rim of a soaked blot is darker or paler than the rest.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache
from typing import Protocol

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from cardreader.card import layout
from cardreader.card.lot import Lot
from cardreader.colour.cielab import xyz_to_lab
from cardreader.core.refusal import Reason, Refusal
from cardreader.read.banding import EVEN, Banding
from cardreader.read.locate import CardPose
from cardreader.read.photo import Photo
from cardreader.read.sample import at_top

GRID_PX_PER_MM = 10
TILE_PX = 8
TILES = 29
SIDE_MM = TILES * TILE_PX / GRID_PX_PER_MM
"""Side of the part of the bay looked at; 0.9 mm inside its frame."""

BORDER_MM = 1.0
MIN_AREA_MM2 = 20.0
MIN_CORE_MM2 = 5.0
MIN_REDNESS = 0.25
"""Least ln(red/green) above the paper's that counts as a blot."""
MAX_FRAGMENTS = 0.15
MAX_HOLES = 0.03
MAX_UNEVENNESS = 0.12
MAX_PAPER_RESIDUAL = 0.035
MAX_PAPER_MARKS = 0.06
MAX_PAPER_BUMP = 0.012
"""Ln light from the middle to the sides: a lamp 20 cm above makes 0.007, vignetting as much."""
MAX_PAPER_TINT = 10.0
"""Distance in a*, b*; lightness is left out since the light on the bay decides it."""
MAX_GLARE = 0.01
MAX_PALE = 0.05
MAX_DARKER = 0.2
MAX_PAPER_CLIPPED = 0.4
MAX_TILE_CLIPPED = 0.3
MIN_BLANK = 0.2
MIN_BLANK_UNCLIPPED = 0.1
"""Shares of the bay without which the light on the paper isn't known all around the blot."""
_EDGE_MM = 0.8
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
        Robust standard deviation of ln reflectance (green, blue) over the core.
    paper_residual : float
        The same of blank paper about the light field.
    n_pixels : int
        Working-image pixels in the core.
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
    paper_residual: float
    n_pixels: int


@dataclass(frozen=True)
class BlotColour:
    """A blot's corrected colour against blank paper.

    Attributes
    ----------
    log_ratio : (3,)
        ln(XYZ of blot / XYZ of paper), D50.
    covariance : (3, 3)
        Of ``log_ratio``, from pixels and from the correction's doubt about tone
        and glare.
    lab, paper_lab : (3,)
        CIELAB, D50, 2 degree observer.
    outline_mm : (K, 2)
        Outline on the card; empty where no picture was segmented.
    area_mm2, unevenness : float
    n_pixels : int
    """

    log_ratio: NDArray[np.float64]
    covariance: NDArray[np.float64]
    lab: NDArray[np.float64]
    paper_lab: NDArray[np.float64]
    outline_mm: NDArray[np.float64]
    area_mm2: float
    unevenness: float
    n_pixels: int


class Correction(Protocol):
    """What is asked of a colour correction."""

    def xyz(self, linear: ArrayLike, at_mm: ArrayLike) -> NDArray[np.float64]:
        """XYZ D50 (N, 3) of linear RGB (N, 3) seen at card points (N, 2)."""
        ...

    def blood_xyz(self, linear: ArrayLike, at_mm: ArrayLike) -> NDArray[np.float64]:
        """The same for shades of blood, held against the card's ramp."""
        ...

    def log_ratio_covariance(self, linear: ArrayLike, reference: ArrayLike) -> NDArray[np.float64]:
        """Covariance (3, 3) of the ln XYZ ratio of two colours, from the correction's doubt."""
        ...


def _refuse(reason: Reason, detail: str) -> Refusal:
    return Refusal(reason, "blot", detail)


def segment_blot(photo: Photo, pose: CardPose, banding: Banding = EVEN) -> BlotRegion | Refusal:
    """Find the blot in the bay and what it and the paper look like.

    Bands of light are taken off first, as deep as white card shows them: paper is
    about as bright, and lies under the same part of the phone's tone curve.

    Refusals: CLIPPED, BLOT_MISSING, BLOT_TOO_SMALL, BLOT_TOUCHES_BORDER,
    BLOT_UNEVEN, GLARE_ON_BLOT, SHADOW_EDGE, PAPER_NOT_BLANK.
    """
    encoded = _rectify(photo, pose)
    bands = _bands(banding)
    log_light = _log_light(photo, encoded) - bands
    rough = _red_area(log_light, _neutral_redness(photo, pose))
    if isinstance(rough, Refusal):
        return rough
    ends = at_top(photo, encoded)
    clipped: NDArray[np.bool_] = np.asarray(ends[..., 0] | ends[..., 1] | ends[..., 2])
    share = float((clipped & ~rough).sum() / max((~rough).sum(), 1))
    if share > MAX_PAPER_CLIPPED:
        return _refuse(Reason.CLIPPED, f"{share:.0%} of the paper > {MAX_PAPER_CLIPPED:.0%}")
    paper = _fit_paper(log_light, rough, clipped)
    if isinstance(paper, Refusal):
        return paper
    depth = log_light - paper.field
    mask = _blot_mask(depth, rough)
    if isinstance(mask, Refusal):
        return mask
    return _describe(pose, paper, depth, mask, bands)


@cache
def _grid_mm() -> NDArray[np.float64]:
    """Centres of the grid's pixels on the card, (n, n, 2)."""
    t = _along_mm()
    return np.stack(np.meshgrid(t, t), axis=-1) + np.array(layout.CENTRE_MM)


def _along_mm() -> NDArray[np.float64]:
    """Centres of the grid's pixels along a side, from the middle of the bay, (n,)."""
    return (np.arange(TILES * TILE_PX) + 0.5) / GRID_PX_PER_MM - SIDE_MM / 2


def _bands(banding: Banding) -> NDArray[np.float32]:
    """What bands add to ln light, (n, n, 3), or (1, 1, 3) where there are none."""
    at_mm = _grid_mm() if banding.found else _grid_mm()[:1, :1]
    return banding.log_light(at_mm).astype(np.float32)


def _rectify(photo: Photo, pose: CardPose) -> NDArray[np.uint8] | NDArray[np.uint16]:
    at = pose.to_px(_grid_mm()).astype(np.float32)
    seen = cv2.remap(
        photo.encoded, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    return np.asarray(seen, dtype=photo.encoded.dtype)


def _log_light(photo: Photo, encoded: NDArray[np.generic]) -> NDArray[np.float32]:
    """Natural log of linear light, (..., 3), floored well below any paper or blood."""
    tables = photo.tone_tables()
    light = np.stack([tables[c][encoded[..., c]] for c in range(3)], axis=-1)
    # Over the photo's own primaries, as the patches are sampled.
    return np.log(np.maximum(light, 1e-4)).astype(np.float32)


def _smooth(image: NDArray[np.float32], sd_px: float) -> NDArray[np.float32]:
    return np.asarray(cv2.GaussianBlur(image, (0, 0), sd_px), dtype=np.float32)


def _redness(log_light: NDArray[np.float32]) -> NDArray[np.float32]:
    return np.asarray(log_light[..., 0] - log_light[..., 1])


def _neutral_redness(photo: Photo, pose: CardPose) -> float:
    """Redness of the lightest printed neutrals: about that of white paper in this light."""
    centres = [(c.x_mm, c.y_mm) for c in layout.cells() if c.shade in ("N11", "N12")]
    at = np.rint(pose.to_px(centres)).astype(int)
    height, width = photo.encoded.shape[:2]
    near = [
        photo.encoded[max(y - 1, 0) : y + 2, max(x - 1, 0) : x + 2].reshape(-1, 3)
        for x, y in at
        if 0 <= x < width and 0 <= y < height
    ]
    return float(np.median(_redness(_log_light(photo, np.concatenate(near)))))


def _red_area(log_light: NDArray[np.float32], neutral: float) -> NDArray[np.bool_] | Refusal:
    """Pixels redder than the paper, roughly, holes filled: split at the valley between the two."""
    redness = _smooth(_redness(log_light), 2.0)
    paper = float(np.percentile(redness, 10))
    if paper > neutral + MIN_REDNESS:
        return _refuse(Reason.BLOT_TOUCHES_BORDER, "no blank paper left in the window")
    scaled = np.clip((redness - paper) / 2.5 * 255, 0, 255).astype(np.uint8)
    _, mask = cv2.threshold(scaled, 0, 1, cv2.THRESH_BINARY | cv2.THRESH_OTSU)
    red: NDArray[np.bool_] = np.asarray(mask) > 0
    if red.mean() < 2.0 / SIDE_MM**2:
        return _refuse(Reason.BLOT_MISSING, "nothing redder than the paper")
    contrast = float(np.median(redness[red]) - np.median(redness[~red]))
    if contrast < MIN_REDNESS:
        return _refuse(Reason.BLOT_MISSING, f"ln(red/green) only {contrast:.2f} above the paper's")
    return _filled(red)


def _filled(mask: NDArray[np.bool_]) -> NDArray[np.bool_]:
    pixels = mask.astype(np.uint8)
    contours, _ = cv2.findContours(pixels, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    return np.asarray(cv2.drawContours(pixels, contours, -1, 1, cv2.FILLED)) > 0


@dataclass(frozen=True)
class _Paper:
    """Light field on blank paper: ``field`` (n, n, 3) in ln linear RGB, and its fit."""

    field: NDArray[np.float32]
    coefficients: NDArray[np.float64]
    unscaled: NDArray[np.float64]
    tile_covariance: NDArray[np.float64]
    residual: float

    def at(self, centre_mm: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Ln light (3,) at a card point and its covariance (3, 3)."""
        x = _terms((centre_mm - np.array(layout.CENTRE_MM))[None] / (SIDE_MM / 2))[0]
        return x @ self.coefficients, float(x @ self.unscaled @ x) * self.tile_covariance


def _terms(xy: NDArray[np.float64]) -> NDArray[np.float64]:
    """Quadratic in x and y, each -1..1 over the bay: (..., 6)."""
    x, y = xy[..., 0], xy[..., 1]
    return np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=-1)


@cache
def _tile_terms() -> NDArray[np.float64]:
    t = (np.arange(TILES) + 0.5) / TILES * 2 - 1
    return _terms(np.stack(np.meshgrid(t, t), axis=-1)).reshape(-1, 6)


@cache
def _pixel_terms() -> NDArray[np.float32]:
    t = (np.arange(TILES * TILE_PX) + 0.5) / (TILES * TILE_PX) * 2 - 1
    return _terms(np.stack(np.meshgrid(t, t), axis=-1)).astype(np.float32)


def _tile_means(image: NDArray[np.float32]) -> NDArray[np.float64]:
    """Means over the tiles, (TILES**2, ...)."""
    means = cv2.resize(image, (TILES, TILES), interpolation=cv2.INTER_AREA)
    return np.asarray(means, dtype=np.float64).reshape(TILES**2, *image.shape[2:])


def _fit_paper(
    log_light: NDArray[np.float32], rough: NDArray[np.bool_], clipped: NDArray[np.bool_]
) -> _Paper | Refusal:
    """Fit the light field to tiles of blank paper and judge what it leaves over."""
    wide = 2 * round(_EDGE_MM * GRID_PX_PER_MM) + 1
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (wide, wide))
    near_blot = np.asarray(cv2.dilate(rough.astype(np.uint8), kernel), dtype=np.float32)
    blank = _tile_means(near_blot) == 0
    if blank.mean() < MIN_BLANK:
        return _refuse(
            Reason.BLOT_TOUCHES_BORDER, f"only {blank.mean():.0%} of the bay is blank paper"
        )
    blank &= _tile_means(clipped.astype(np.float32)) <= MAX_TILE_CLIPPED
    if blank.mean() < MIN_BLANK_UNCLIPPED:
        return _refuse(
            Reason.CLIPPED, f"only {blank.mean():.0%} of the bay is paper that isn't clipped"
        )
    tiles = _tile_means(log_light)[blank]
    terms = _tile_terms()[blank]
    weight = np.ones(len(tiles))
    for _ in range(4):
        root = np.sqrt(weight)[:, None]
        coefficients, *_ = np.linalg.lstsq(terms * root, tiles * root, rcond=None)
        rest = tiles - terms @ coefficients
        size = np.abs(rest).max(axis=1)
        scale = max(1.4826 * float(np.median(size)), 0.003)
        weight = 1.0 / np.maximum(1.0, size / (2.0 * scale))
    for verdict in (_judge_paper(rest), _judge_bump(coefficients)):
        if verdict is not None:
            return verdict
    degrees = max(len(tiles) - terms.shape[1], 1)
    return _Paper(
        field=(_pixel_terms() @ coefficients.astype(np.float32)),
        coefficients=coefficients,
        unscaled=np.linalg.inv((terms * weight[:, None]).T @ terms),
        tile_covariance=(rest * weight[:, None]).T @ rest / degrees,
        residual=_spread(rest.mean(axis=1)),
    )


def _spread(values: NDArray[np.floating]) -> float:
    """Robust standard deviation: half of the middle 68 %."""
    low, high = np.quantile(values, (0.1587, 0.8413))
    return float(high - low) / 2


def _judge_paper(rest: NDArray[np.float64]) -> Refusal | None:
    """Blank paper in even light leaves nothing but noise about a smooth field."""
    grey = rest.mean(axis=1)
    colour = rest[:, 0] - rest[:, 1]
    off = float(np.sqrt((grey**2).mean()))
    marked = float((np.abs(colour) > 0.08).mean())
    if marked > MAX_PAPER_MARKS:
        return _refuse(
            Reason.PAPER_NOT_BLANK, f"{marked:.0%} of the paper is stained > {MAX_PAPER_MARKS:.0%}"
        )
    if off > MAX_PAPER_RESIDUAL:
        return _refuse(
            Reason.SHADOW_EDGE, f"light on the paper uneven by {off:.3f} > {MAX_PAPER_RESIDUAL}"
        )
    return None


def _judge_bump(coefficients: NDArray[np.float64]) -> Refusal | None:
    """Light that peaks within the bay is a reflection: a lamp's own falls off more slowly.

    On paper a wide weak reflection passes for brighter light; on the blot it
    is several times what the blot itself sends back.
    """
    bump = -float(coefficients[[3, 5]].mean())
    if bump > MAX_PAPER_BUMP:
        return _refuse(
            Reason.GLARE_ON_BLOT, f"light on the paper peaks by {bump:.3f} > {MAX_PAPER_BUMP}"
        )
    return None


def _blot_mask(depth: NDArray[np.float32], rough: NDArray[np.bool_]) -> NDArray[np.bool_] | Refusal:
    """The blot's pixels: half as deep as its middle or deeper, one piece, no holes."""
    dark = _smooth(depth[..., 1] + depth[..., 2], 1.0) / 2
    middle = float(np.median(dark[rough]))
    edge = math.log((1.0 + math.exp(middle)) / 2.0)
    pixels = (dark < edge).astype(np.uint8)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(pixels, connectivity=8)
    if count < 2:
        return _refuse(Reason.BLOT_MISSING, "nothing darker than the paper")
    areas = stats[1:, cv2.CC_STAT_AREA] / GRID_PX_PER_MM**2
    largest = int(areas.argmax())
    area = float(areas[largest])
    if area < MIN_AREA_MM2:
        return _refuse(Reason.BLOT_TOO_SMALL, f"{area:.0f} mm2 < {MIN_AREA_MM2:.0f}")
    others = float(areas[areas > 0.3].sum() - area) / area
    if others > MAX_FRAGMENTS:
        return _refuse(
            Reason.BLOT_UNEVEN, f"fragments of {others:.0%} of the blot > {MAX_FRAGMENTS:.0%}"
        )
    piece: NDArray[np.bool_] = np.asarray(labels) == largest + 1
    whole = _filled(piece)
    holes = 1.0 - float(piece.sum()) / float(whole.sum())
    if holes > MAX_HOLES:
        return _refuse(Reason.BLOT_UNEVEN, f"holes of {holes:.0%} of the blot > {MAX_HOLES:.0%}")
    rim = _farthest_mm(whole)
    if rim > layout.BAY_MM / 2 - BORDER_MM:
        return _refuse(
            Reason.BLOT_TOUCHES_BORDER,
            f"{layout.BAY_MM / 2 - rim:.1f} mm from the frame < {BORDER_MM}",
        )
    return whole


def _farthest_mm(mask: NDArray[np.bool_]) -> float:
    """How far from the middle of the bay a mask goes, along either side."""
    seen = [np.flatnonzero(mask.any(axis=axis))[[0, -1]] for axis in (0, 1)]
    return float(np.abs(_along_mm()[np.array(seen)]).max())


def _describe(
    pose: CardPose,
    paper: _Paper,
    depth: NDArray[np.float32],
    mask: NDArray[np.bool_],
    bands: NDArray[np.float32],
) -> BlotRegion | Refusal:
    inside = cv2.distanceTransform(mask.astype(np.uint8), cv2.DIST_L2, 5) / GRID_PX_PER_MM
    margin = min(max(0.25 * float(inside.max()), _EDGE_MM), 1.5)
    core = np.asarray(inside > margin)
    core_area = float(core.sum()) / GRID_PX_PER_MM**2
    if core_area < MIN_CORE_MM2:
        return _refuse(Reason.BLOT_UNEVEN, f"core of {core_area:.1f} mm2 < {MIN_CORE_MM2:.0f}")
    ratio = np.exp(depth)
    smooth = _smooth(depth, 2.0)[core]
    depths = smooth[:, 1:].mean(axis=1)
    inner = ratio[core]
    ordered = np.sort(inner.T.copy(), axis=1)
    verdict = _judge_core(inner, ordered, depths)
    if verdict is not None:
        return verdict
    mean_ratio, covariance = _mean_ratio(ratio, ordered, core)
    weights = np.stack([core.sum(axis=0), core.sum(axis=1)])
    centre = weights @ _along_mm() / core.sum() + np.array(layout.CENTRE_MM)
    log_paper, log_paper_covariance = paper.at(centre)
    # Bands are less deep in paper than in blood, where the tone curve is steeper. In
    # the core's mean light, bands and all, that makes no difference to the ratio.
    over_core = np.broadcast_to(bands, depth.shape)[core].mean(axis=0, dtype=np.float64)
    paper_linear = np.exp(log_paper + over_core)
    scale = np.diag(paper_linear)
    return BlotRegion(
        outline_mm=_outline_mm(mask),
        area_mm2=float(mask.sum()) / GRID_PX_PER_MM**2,
        core_area_mm2=core_area,
        centre_mm=centre,
        linear=mean_ratio * paper_linear,
        covariance=scale @ covariance @ scale,
        paper_linear=paper_linear,
        paper_covariance=scale @ log_paper_covariance @ scale,
        unevenness=_spread(depths),
        paper_residual=paper.residual,
        n_pixels=round(core_area * pose.px_per_mm**2),
    )


def _judge_core(
    ratio: NDArray[np.float32], ordered: NDArray[np.float32], depths: NDArray[np.float32]
) -> Refusal | None:
    """Refuse a core of several colours.

    ``ratio`` (k, 3) is to the paper, ``ordered`` (3, k) the same sorted by channel,
    ``depths`` (k,) its smoothed log in green and blue.

    Reflected light is added to all channels and only brightens, in one place.
    Clots and a thin or streaky soak go both ways about the middle.
    """
    dark, middle, bright = np.quantile(depths, (0.01, 0.5, 0.99))
    more = ratio - ordered[:, ordered.shape[1] // 2]
    shine = (more[:, 1:].min(axis=1) > 0.06) & (more[:, 0] > 0.6 * more[:, 1])
    unevenness = _spread(depths)
    if middle - dark < MAX_DARKER and bright - middle > middle - dark and shine.mean() > MAX_GLARE:
        return _refuse(
            Reason.GLARE_ON_BLOT, f"{shine.mean():.1%} of the core shines > {MAX_GLARE:.0%}"
        )
    if unevenness > MAX_UNEVENNESS or shine.mean() > MAX_PALE:
        return _refuse(
            Reason.BLOT_UNEVEN,
            f"spread of {unevenness:.3f} (limit {MAX_UNEVENNESS}), "
            f"{shine.mean():.1%} pale (limit {MAX_PALE:.0%})",
        )
    return None


def _mean_ratio(
    ratio: NDArray[np.float32], ordered: NDArray[np.float32], core: NDArray[np.bool_]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Trimmed mean (3,) over the core and its covariance (3, 3) from tile means."""
    n = ordered.shape[1]
    cut = int(_TRIM * n)
    mean = ordered[:, cut : n - cut].mean(axis=1, dtype=np.float64)
    covered = _tile_means(core.astype(np.float32)) > 0.99
    tiles = _tile_means(ratio)[covered]
    if len(tiles) < 4:
        return mean, np.cov(ordered) / 4
    return mean, np.cov(tiles.T) / len(tiles)


def _outline_mm(mask: NDArray[np.bool_]) -> NDArray[np.float64]:
    contours, _ = cv2.findContours(mask.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    longest = max(contours, key=len)
    points = cv2.approxPolyDP(longest, 0.5, True).reshape(-1, 2).astype(np.float64)
    corner = np.array(layout.CENTRE_MM) - SIDE_MM / 2
    return np.asarray((points + 0.5) / GRID_PX_PER_MM + corner)


def measure_blot(
    photo: Photo, pose: CardPose, correction: Correction, lot: Lot, banding: Banding = EVEN
) -> BlotColour | Refusal:
    """Segment the blot and correct its colour.

    Refusals as ``segment_blot``, and PAPER_NOT_BLANK for paper of another tint
    than the lot's.
    """
    region = segment_blot(photo, pose, banding)
    if isinstance(region, Refusal):
        return region
    made = blot_colour(
        region.linear,
        region.paper_linear,
        region.covariance,
        region.centre_mm,
        correction,
        paper_covariance=region.paper_covariance,
        outline_mm=region.outline_mm,
        area_mm2=region.area_mm2,
        unevenness=region.unevenness,
        n_pixels=region.n_pixels,
    )
    tint = float(np.linalg.norm((made.paper_lab - lot.paper_lab)[1:]))
    if tint > MAX_PAPER_TINT:
        return _refuse(
            Reason.PAPER_NOT_BLANK,
            f"paper's a*, b* {tint:.1f} from the lot's blank paper > {MAX_PAPER_TINT:.0f}",
        )
    return made


def blot_colour(
    region_rgb: ArrayLike,
    paper_rgb: ArrayLike,
    covariance: ArrayLike,
    centre_mm: ArrayLike,
    correction: Correction,
    *,
    paper_covariance: ArrayLike | None = None,
    outline_mm: ArrayLike = (),
    area_mm2: float = 0.0,
    unevenness: float = 0.0,
    n_pixels: int = 0,
) -> BlotColour:
    """Corrected colour of a blot from its and the paper's linear RGB; needs no picture.

    Parameters
    ----------
    region_rgb, paper_rgb : (3,)
        Linear RGB of blot and blank paper in the same light.
    covariance, paper_covariance : (3, 3)
        Of the two; None leaves the paper without error.
    centre_mm : (2,)
        Where on the card that light falls.
    correction : Correction
    """
    rgb = np.stack([np.asarray(region_rgb, float), np.asarray(paper_rgb, float)])
    if rgb.shape != (2, 3):
        raise ValueError(f"colours of shape {rgb.shape[1:]}, not (3,)")
    at = np.broadcast_to(np.asarray(centre_mm, float), (2, 2))
    xyz = np.vstack([correction.blood_xyz(rgb[:1], at[:1]), correction.xyz(rgb[1:], at[1:])])
    xyz = np.maximum(xyz, 1e-4)
    blot_covariance = _log_covariance(rgb[0], covariance, at[0], correction)
    if paper_covariance is not None:
        blot_covariance += _log_covariance(rgb[1], paper_covariance, at[1], correction)
    blot_covariance += correction.log_ratio_covariance(rgb[0], rgb[1])
    lab = xyz_to_lab(xyz)
    return BlotColour(
        log_ratio=np.log(xyz[0] / xyz[1]),
        covariance=blot_covariance,
        lab=lab[0],
        paper_lab=lab[1],
        outline_mm=np.asarray(outline_mm, float).reshape(-1, 2),
        area_mm2=area_mm2,
        unevenness=unevenness,
        n_pixels=n_pixels,
    )


def _log_covariance(
    rgb: NDArray[np.float64],
    covariance: ArrayLike,
    at_mm: NDArray[np.float64],
    correction: Correction,
) -> NDArray[np.float64]:
    """Carry the covariance of a linear RGB to ln XYZ, (3, 3), by central differences."""
    step = np.maximum(np.abs(rgb), 1e-3) * 1e-3
    points = np.concatenate([rgb + np.diag(step), rgb - np.diag(step)])
    log_xyz = np.log(np.maximum(correction.xyz(points, np.tile(at_mm, (6, 1))), 1e-4))
    jacobian = ((log_xyz[:3] - log_xyz[3:]) / (2 * step[:, None])).T
    return np.asarray(jacobian @ np.asarray(covariance, float) @ jacobian.T)
