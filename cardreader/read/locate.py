"""Photo -> CardPose: where the card lies, how sharp it is, and which lot it is of.

Four square markers of a library's dictionary are found on a small grey copy,
their edges are then measured at working scale, and the sixteen corners fix one
homography and one lens term for the whole card. A drop of blood or dirt may hide
one marker from the search, and an edge from the measurement.

Coordinates: card millimetres as in ``layout``; pixels of the working image with
the centre of the upper left pixel at (0, 0), x to the right, y down.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from cardreader.card import layout
from cardreader.core.refusal import Reason, Refusal
from cardreader.read.blurredmarker import shows_blurred_marker
from cardreader.read.edges import Edges, line_beside, measure_edges
from cardreader.read.hiddenmarker import find_fourth
from cardreader.read.markers import MIN_CONTRAST, MODULES, Marker, find_markers
from cardreader.read.photo import Photo
from cardreader.read.posefit import apply_homography, fit_homography, fit_pose, frame, project
from cardreader.read.turned import shrunk, solid

DETECT_LONG_SIDE_PX = 1000
MIN_PX_PER_MM = 4.5
"""Below it JPEG and the sampling of whole pixels cost patches more than 1.5 % (test rig)."""
MAX_TILT_DEG = 60.0
MAX_RESIDUAL_MM = 0.12
"""Of the corners about a flat card; one arched by 5 mm leaves as much."""
MAX_BLUR_MM = 0.33
"""Standard deviation of the blur as measured. Samples keep 0.92 mm from the patch's
edge; from 0.35 on its surround shows in them (test rig)."""

MIN_SHARPNESS = 0.15
"""Share of the contrast in one pixel of the small copy, below which a picture is soft."""

_MORE_WINDOWS = (23, 11, 5)
"""For pictures in which the first look, over 23 pixels of the small copy, finds too little.
Real photos of 577 tags by others: 555 with 23 alone, 573 with all three."""
_BRIGHT = 200.0
"""What the brightest hundredth of a dark picture is brought to before markers are looked for.
The search's thresholds are in grey levels: at a quarter of the light it found 526 of those 577
tags, brightened 553, with all windows 572, and a second detector 576."""
_DARK = 140.0
"""Below it that hundredth makes a picture dark: others are searched as they are."""
_MOST_GAIN = 6.0
"""Beyond, the steps of the code values are as tall as the modules' contrast."""

DARKEST = 16
"""That hundredth below which the dark is to blame where no card, or only part of one, is made out
or it looks soft: good samples at a thirtieth of their code values have 7."""
_AS_IN_THE_DARK = (Reason.NO_CARD, Reason.CARD_PART_HIDDEN, Reason.BLURRED, Reason.CARD_BENT)

_LET_GO = 2
"""Corners that may be spoiled: those at the ends of one edge."""
_CLEARLY = 0.5
"""Part of the residual that may be left where a spoiled edge is blamed for it."""
_LET_GO_RESIDUAL = 0.84
"""Of the limit on the residual then: what bent cards leave with any one edge let go, at least."""

_SOFT_MM = 0.3
"""Blur from which the corners of a flat card are off by as much as a bent one's."""
_BESIDE_MM = 0.4
_CLIPPED_CODE = 253 / 255
_MANY_CLIPPED = 0.5
"""Of the white beside the markers' corners, clipped in a channel: it has run over the edges."""


@dataclass(frozen=True)
class CardPose:
    """Where the card lies in the working image.

    Attributes
    ----------
    homography : (3, 3)
        Card mm -> ideal pixels, before the lens term.
    lens : float
        Radial term: an ideal point at distance r of the image centre, r = 1 at
        the corner of the image, is seen at ``r (1 + lens r**2)``.
    image_size : (int, int)
        Width and height of the working image in pixels.
    lot_number : int
    px_per_mm : float
        Working pixels per mm at the middle of the bay, in the shorter direction.
    tilt_deg : float
        Between the card's normal and the line of sight, from foreshortening.
    residual_px : float
        Root mean square distance of the measured corners from the fitted ones.
    marker_corners_px : (4, 4, 2)
        Measured corners, ordered as ``layout.marker_corners_mm``; where a drop
        hides an edge, the fitted ones at its ends.
    sharpness : float
        Standard deviation of the blur in mm across the worse direction; smaller is sharper.
    """

    homography: NDArray[np.float64]
    lens: float
    image_size: tuple[int, int]
    lot_number: int
    px_per_mm: float
    tilt_deg: float
    residual_px: float
    marker_corners_px: NDArray[np.float64]
    sharpness: float

    def to_px(self, points_mm: ArrayLike) -> NDArray[np.float64]:
        """Pixels (..., 2) of card points (..., 2) in mm."""
        points = np.asarray(points_mm, dtype=np.float64)
        if points.shape[-1] != 2:
            raise ValueError(f"points of shape {points.shape}, not (..., 2)")
        return project(self.homography, self.lens, self.image_size, points)

    def to_mm(self, points_px: ArrayLike) -> NDArray[np.float64]:
        """Card points (..., 2) in mm of pixels (..., 2); undoes ``to_px``."""
        seen = np.asarray(points_px, dtype=np.float64)
        centre, radius = frame(self.image_size)
        d = (seen - centre) / radius
        u = d.copy()
        for _ in range(8):  # fixed point: the lens term is a few per cent
            u = d / (1.0 + self.lens * (u**2).sum(-1, keepdims=True))
        back = np.asarray(np.linalg.inv(self.homography), dtype=np.float64)
        return apply_homography(back, centre + radius * u)


def locate(photo: Photo) -> CardPose | Refusal:
    """Find the card.

    Refusals: NO_CARD, CARD_PART_HIDDEN, TWO_CARDS, CARD_MIRRORED,
    CARD_TOO_SMALL, CARD_TOO_TILTED, CARD_BENT, BLURRED, CLIPPED, TOO_DARK.
    """
    found = _find_markers(photo)
    pose = found if isinstance(found, Refusal) else _pose(photo, found)
    return _truly(photo, found, pose) if isinstance(pose, Refusal) else pose


def _truly(photo: Photo, found: _Found | Refusal, refusal: Refusal) -> Refusal:
    """A refusal, unless the dark or a line about a marker only makes it look so."""
    if refusal.reason in _AS_IN_THE_DARK:
        small = _gray(photo, min(1.0, DETECT_LONG_SIDE_PX / max(photo.encoded.shape)))
        if (brightest := _brightest(small)) < DARKEST:
            return _refuse(Reason.TOO_DARK, f"brightest hundredth at {brightest} < {DARKEST}")
    as_by_a_line = refusal.reason in (Reason.CARD_BENT, Reason.BLURRED)
    if as_by_a_line and isinstance(found, _Found) and line_beside(photo, found.corners):
        return _refuse(Reason.CARD_PART_HIDDEN, "a line is drawn close about a marker")
    return refusal


@dataclass(frozen=True)
class _Found:
    """Rough marker corners (4, 4, 2) in working pixels; ``spoiled`` if one was foretold."""

    corners: NDArray[np.float64]
    lot_number: int
    spoiled: bool = False


def _refuse(reason: Reason, detail: str) -> Refusal:
    return Refusal(reason, "locate", detail)


def _find_markers(photo: Photo) -> _Found | Refusal:
    factor = min(1.0, DETECT_LONG_SIDE_PX / max(photo.encoded.shape))
    small = _brightened(_gray(photo, factor))
    tries = [_to_working(find_markers(small), 1.0 / factor)]
    outcome = _sort_markers(tries[-1])
    if isinstance(outcome, Refusal):
        if outcome.reason is Reason.TWO_CARDS:
            return outcome
        tries.append(find_markers(_brightened(_gray(photo, 1.0)), _MORE_WINDOWS))
        outcome = _sort_markers(tries[-1])
    if isinstance(outcome, Refusal) and outcome.reason is Reason.CARD_PART_HIDDEN:
        outcome = _with_fourth(photo, tries) or outcome
    if isinstance(outcome, Refusal) and outcome.reason in (
        Reason.NO_CARD,
        Reason.CARD_PART_HIDDEN,
    ):
        mirrored = find_markers(np.ascontiguousarray(small[:, ::-1]))
        if len(mirrored) >= 2:
            return _refuse(Reason.CARD_MIRRORED, f"{len(mirrored)} markers read in a mirror")
        sharpness = _sharpest(small)
        if sharpness < MIN_SHARPNESS:
            detail = f"{outcome.detail}; steepest step {sharpness:.2f} of the contrast"
            some = any(tries) or shows_blurred_marker(small)
            return _refuse(Reason.BLURRED if some else Reason.NO_CARD, detail)
    return outcome


def _sharpest(gray: NDArray[np.uint8]) -> float:
    """Steepest step from pixel to pixel as a share of the picture's contrast.

    In the direction in which it is least, since a shaken picture stays sharp
    across the movement. A picture without contrast counts as sharp: nothing
    can be said.
    """
    calm = np.asarray(cv2.GaussianBlur(gray, (0, 0), 0.8), dtype=np.float32)
    low, high = np.percentile(calm[::4, ::4], (2, 98))
    if high - low < 2 * MIN_CONTRAST:
        return 1.0
    steps = (
        calm[:, 1:] - calm[:, :-1],
        calm[1:] - calm[:-1],
        (calm[1:, 1:] - calm[:-1, :-1]) / math.sqrt(2),
        (calm[1:, :-1] - calm[:-1, 1:]) / math.sqrt(2),
    )
    return min(float(np.percentile(np.abs(s[::2, ::2]), 99.8)) for s in steps) / float(high - low)


def _gray(photo: Photo, factor: float) -> NDArray[np.uint8]:
    """The green channel, 8 bit: markers are black and white, and one channel is quicker."""
    green = solid(photo.green) if factor == 1.0 else shrunk(photo.green, factor)
    return np.asarray(green if green.dtype == np.uint8 else green // 256, dtype=np.uint8)


def _brightened(gray: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """A dark picture made brighter, any other as it is."""
    brightest = _brightest(gray)
    if brightest >= _DARK:
        return gray
    gain = min(_BRIGHT / max(brightest, 1), _MOST_GAIN)
    return np.asarray(cv2.convertScaleAbs(gray, alpha=gain), dtype=np.uint8)


def _brightest(gray: NDArray[np.uint8]) -> int:
    """Grey level that all but the brightest hundredth of a picture keep to."""
    counts = np.bincount(gray[::4, ::4].ravel(), minlength=256)
    return int(np.searchsorted(np.cumsum(counts), 0.99 * counts.sum()))


def _to_working(markers: list[Marker], scale: float) -> list[Marker]:
    """Markers found on a smaller copy, in working pixels."""
    # Resizing maps pixel edges onto edges; centres sit half a pixel inside.
    return [replace(m, corners_px=(m.corners_px + 0.5) * scale - 0.5) for m in markers]


def _with_fourth(photo: Photo, tries: list[list[Marker]]) -> _Found | None:
    """Three markers and the fourth under its drop, by the last try that saw three."""
    for markers in reversed(tries):
        if len(markers) == 3 and len({m.identity // layout.MARKER_BASE for m in markers}) == 3:
            fourth = find_fourth(photo, _brightened(_gray(photo, 1.0)), markers)
            if fourth is None:
                continue
            found = _sort_markers([*markers, fourth])
            return replace(found, spoiled=True) if isinstance(found, _Found) else None
    return None


def _sort_markers(markers: list[Marker]) -> _Found | Refusal:
    by_corner: dict[int, Marker] = {}
    for marker in markers:
        corner = marker.identity // layout.MARKER_BASE
        if corner in by_corner:
            return _refuse(Reason.TWO_CARDS, f"{len(markers)} markers, one corner seen twice")
        by_corner[corner] = marker
    if not by_corner:
        return _refuse(Reason.NO_CARD, "no marker found")
    if len(by_corner) < 4:
        return _refuse(Reason.CARD_PART_HIDDEN, f"{len(by_corner)} of 4 markers found")
    i0, i1, i2, i3 = (by_corner[c].identity for c in range(4))
    number = layout.lot_number((i0, i1, i2, i3))
    if number is None:
        return _refuse(Reason.CARD_PART_HIDDEN, "the markers' check digit fails")
    return _Found(np.stack([by_corner[c].corners_px for c in range(4)]), number)


def _pose(photo: Photo, found: _Found) -> CardPose | Refusal:
    model = layout.marker_corners_mm()
    rough = fit_homography(model.reshape(-1, 2), found.corners.reshape(-1, 2))
    px_per_mm, tilt_deg = _scale_and_tilt(rough)
    if tilt_deg > MAX_TILT_DEG:
        return _refuse(Reason.CARD_TOO_TILTED, f"{tilt_deg:.0f} deg > {MAX_TILT_DEG:.0f}")
    if px_per_mm < MIN_PX_PER_MM:
        return _refuse(Reason.CARD_TOO_SMALL, f"{px_per_mm:.1f} px/mm < {MIN_PX_PER_MM}")
    if found.spoiled:
        return _fitted(photo, found, measure_edges(photo, found.corners, spoiled=True))
    edges = measure_edges(photo, found.corners)
    pose = _fitted(photo, found, edges)
    bent = isinstance(pose, Refusal) and pose.reason is Reason.CARD_BENT
    if edges is None or bent or (edges.uneven and isinstance(pose, CardPose)):
        pose = _mended(photo, found, pose) or pose
    if isinstance(pose, Refusal) and pose.reason is Reason.CARD_BENT and edges is not None:
        return replace(pose, reason=_why_bent(photo, rough, edges))
    return pose


def _why_bent(photo: Photo, rough: NDArray[np.float64], edges: Edges) -> Reason:
    """CARD_BENT, unless edges so soft, or white so bright that it runs over them, are off alone."""
    if edges.blur * layout.MARKER_MM / MODULES > _SOFT_MM:
        return Reason.BLURRED
    corners = layout.marker_corners_mm()
    middles = corners.mean(axis=1, keepdims=True)
    white = middles + (corners - middles) * (1 + 2 * _BESIDE_MM / layout.MARKER_MM)
    at = np.rint(apply_homography(rough, white.reshape(-1, 2))).astype(int)
    height, width = photo.encoded.shape[:2]
    x, y = np.clip(at[:, 0], 0, width - 1), np.clip(at[:, 1], 0, height - 1)
    clipped = (photo.encoded[y, x] >= round(_CLIPPED_CODE * photo.white)).any(axis=-1)
    return Reason.CLIPPED if clipped.mean() > _MANY_CLIPPED else Reason.CARD_BENT


def _mended(photo: Photo, found: _Found, plain: CardPose | Refusal) -> CardPose | None:
    """A pose by edges of which one was spoiled, if it is clearly the better one."""
    mended = _fitted(photo, found, measure_edges(photo, found.corners, spoiled=True))
    if isinstance(mended, Refusal):
        return None
    return mended if clearly_better(mended, plain) else None


def clearly_better(mended: CardPose, plain: CardPose | Refusal) -> bool:
    """Whether a pose with one edge let go leaves so much less that the edge is to blame.

    Held against the pose with all edges, or against the limit where there is none.
    """
    most = MAX_RESIDUAL_MM
    if isinstance(plain, CardPose):
        most = plain.residual_px / plain.px_per_mm
    return mended.residual_px / mended.px_per_mm < _CLEARLY * most


def _fitted(photo: Photo, found: _Found, edges: Edges | None) -> CardPose | Refusal:
    """Pose by exact corners, of which one edge's may be let go.

    With an edge go the two corners it ends in. The marker's other two stay, so
    that a card bent in that corner is still seen to be.
    """
    size = (photo.encoded.shape[1], photo.encoded.shape[0])
    if edges is None:
        return _refuse(Reason.BLURRED, "marker edges can't be made out")
    if (~edges.clear).sum() > _LET_GO:
        return _refuse(
            Reason.CARD_PART_HIDDEN, f"{(~edges.clear).sum()} of 16 corners can't be made out"
        )
    blur_mm = edges.blur * layout.MARKER_MM / MODULES
    if blur_mm > MAX_BLUR_MM:
        return _refuse(Reason.BLURRED, f"blur of {blur_mm:.2f} mm > {MAX_BLUR_MM}")
    model = layout.marker_corners_mm()
    h, lens = fit_pose(model[edges.clear], edges.corners[edges.clear], size)
    px_per_mm, tilt_deg = _scale_and_tilt(h)
    fitted = project(h, lens, size, model)
    error = (fitted - edges.corners)[edges.clear]
    residual = float(np.sqrt((error**2).sum(-1).mean()))
    limit = MAX_RESIDUAL_MM * (1.0 if edges.clear.all() else _LET_GO_RESIDUAL)
    if residual / px_per_mm > limit:
        return _refuse(
            Reason.CARD_BENT, f"corners off by {residual / px_per_mm:.2f} mm > {limit:.2f}"
        )
    corners = np.where(edges.clear[..., None], edges.corners, fitted)
    return CardPose(
        h, lens, size, found.lot_number, px_per_mm, tilt_deg, residual, corners, blur_mm
    )


def _scale_and_tilt(h: NDArray[np.float64]) -> tuple[float, float]:
    """Px per mm in the shorter direction at the middle of the bay, and tilt in degrees."""
    x, y = layout.CENTRE_MM
    w = h @ np.array([x, y, 1.0])
    jacobian = (h[:2, :2] - np.outer(w[:2] / w[2], h[2, :2])) / w[2]
    longer, shorter = np.linalg.svd(jacobian, compute_uv=False)
    return float(shorter), math.degrees(math.acos(min(1.0, shorter / longer)))
