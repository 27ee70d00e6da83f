"""Photo -> CardPose: where the card lies, how sharp it is, and which lot it is of.

Four square markers of a library's dictionary are found on a small grey copy,
their edges are then measured at working scale, and the sixteen corners fix one
homography and one lens term for the whole card.

Coordinates: card millimetres as in ``layout``; pixels of the working image with
the centre of the upper left pixel at (0, 0), x to the right, y down.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import least_squares

from cardreader import layout
from cardreader.photo import Photo
from cardreader.refusal import Reason, Refusal

DETECT_LONG_SIDE_PX = 1000
MIN_PX_PER_MM = 4.5
MAX_TILT_DEG = 60.0
MAX_RESIDUAL_MM = 0.12
MAX_BLUR_MM = 0.35
"""Standard deviation of the blur; patch samples keep 0.92 mm from the patch's edge."""

_LENS_PRIOR = 0.03
_CORNER_SD_PX = 0.2
_PROFILES = 24
_MODULES = 8


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
        Root mean square distance of the sixteen corners from the fitted ones.
    marker_corners_px : (4, 4, 2)
        Measured corners, ordered as ``layout.marker_corners_mm``.
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
        return _project(self.homography, self.lens, self.image_size, points)

    def to_mm(self, points_px: ArrayLike) -> NDArray[np.float64]:
        """Card points (..., 2) in mm of pixels (..., 2); undoes ``to_px``."""
        seen = np.asarray(points_px, dtype=np.float64)
        centre, radius = _frame(self.image_size)
        d = (seen - centre) / radius
        u = d.copy()
        for _ in range(8):  # fixed point: the lens term is a few per cent
            u = d / (1.0 + self.lens * (u**2).sum(-1, keepdims=True))
        return _apply(np.linalg.inv(self.homography), centre + radius * u)


def _frame(image_size: tuple[int, int]) -> tuple[NDArray[np.float64], float]:
    width, height = image_size
    return np.array([(width - 1) / 2, (height - 1) / 2]), math.hypot(width, height) / 2


def _apply(h: NDArray[np.float64], points: NDArray[np.float64]) -> NDArray[np.float64]:
    mapped = points @ h[:, :2].T + h[:, 2]
    return mapped[..., :2] / mapped[..., 2:]


def _project(
    h: NDArray[np.float64], lens: float, size: tuple[int, int], points: NDArray[np.float64]
) -> NDArray[np.float64]:
    ideal = _apply(h, points)
    if lens == 0.0:
        return ideal
    centre, radius = _frame(size)
    u = (ideal - centre) / radius
    return centre + radius * u * (1.0 + lens * (u**2).sum(-1, keepdims=True))


def locate(photo: Photo) -> CardPose | Refusal:
    """Find the card.

    Refusals: NO_CARD, CARD_PART_HIDDEN, TWO_CARDS, CARD_MIRRORED,
    CARD_TOO_SMALL, CARD_TOO_TILTED, CARD_BENT, BLURRED.
    """
    gray = cv2.cvtColor(photo.encoded, cv2.COLOR_RGB2GRAY)
    if gray.dtype != np.uint8:
        gray = cv2.convertScaleAbs(gray, alpha=255 / photo.white)
    found = _find_markers(gray)
    if isinstance(found, Refusal):
        return found
    corners, lot_number = found
    return _pose(gray, corners, lot_number)


def _refuse(reason: Reason, detail: str) -> Refusal:
    return Refusal(reason, "locate", detail)


def _find_markers(gray: NDArray[np.uint8]) -> tuple[NDArray[np.float64], int] | Refusal:
    """Rough marker corners (4, 4, 2) in working pixels and the lot number."""
    factor = min(1.0, DETECT_LONG_SIDE_PX / max(gray.shape))
    small = (
        gray
        if factor == 1.0
        else cv2.resize(gray, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA)
    )
    outcome = _sort_markers(*_detect(small, 1.0 / factor))
    if isinstance(outcome, Refusal) and outcome.reason is not Reason.TWO_CARDS and factor < 1.0:
        outcome = _sort_markers(*_detect(gray, 1.0))
    if isinstance(outcome, Refusal) and outcome.reason in (
        Reason.NO_CARD,
        Reason.CARD_PART_HIDDEN,
    ):
        mirrored, _ = _detect(np.ascontiguousarray(small[:, ::-1]), 1.0 / factor)
        if len(mirrored) >= 2:
            return _refuse(Reason.CARD_MIRRORED, f"{len(mirrored)} markers read in a mirror")
    return outcome


def _detect(image: NDArray[np.uint8], scale: float) -> tuple[list[int], NDArray[np.float64]]:
    """Marker identities and their corners (n, 4, 2), scaled by ``scale``."""
    parameters = cv2.aruco.DetectorParameters()
    parameters.minMarkerPerimeterRate = 0.02
    detector = cv2.aruco.ArucoDetector(
        cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11), parameters
    )
    corners, ids, _ = detector.detectMarkers(image)
    if ids is None or len(ids) == 0:
        return [], np.empty((0, 4, 2))
    quads = np.concatenate(corners).reshape(-1, 4, 2).astype(np.float64)
    # Pixel centres sit half a pixel inside; resizing maps pixel edges onto edges.
    return [int(i) for i in np.ravel(ids)], (quads + 0.5) * scale - 0.5


def _sort_markers(
    ids: list[int], quads: NDArray[np.float64]
) -> tuple[NDArray[np.float64], int] | Refusal:
    if not ids:
        return _refuse(Reason.NO_CARD, "no marker found")
    by_corner: dict[int, list[int]] = {}
    for n, i in enumerate(ids):
        if i < 4 * layout.MARKER_BASE:
            by_corner.setdefault(i // layout.MARKER_BASE, []).append(n)
    if any(len(n) > 1 for n in by_corner.values()):
        return _refuse(Reason.TWO_CARDS, f"{len(ids)} markers, one corner seen twice")
    if not by_corner:
        return _refuse(Reason.NO_CARD, "no marker of a card found")
    if len(by_corner) < 4:
        return _refuse(Reason.CARD_PART_HIDDEN, f"{len(by_corner)} of 4 markers found")
    order = [by_corner[c][0] for c in range(4)]
    i0, i1, i2, i3 = (ids[n] for n in order)
    number = layout.lot_number((i0, i1, i2, i3))
    if number is None:
        return _refuse(Reason.CARD_PART_HIDDEN, "the markers' check digit fails")
    return quads[order], number


def _pose(
    gray: NDArray[np.uint8], rough: NDArray[np.float64], lot_number: int
) -> CardPose | Refusal:
    size = (gray.shape[1], gray.shape[0])
    h, lens = _fit(rough, size)
    px_per_mm, tilt_deg = _scale_and_tilt(h)
    if tilt_deg > MAX_TILT_DEG:
        return _refuse(Reason.CARD_TOO_TILTED, f"{tilt_deg:.0f} deg > {MAX_TILT_DEG:.0f}")
    if px_per_mm < MIN_PX_PER_MM:
        return _refuse(Reason.CARD_TOO_SMALL, f"{px_per_mm:.1f} px/mm < {MIN_PX_PER_MM}")
    measured = _measure_edges(gray, rough, px_per_mm)
    if measured is None:
        return _refuse(Reason.BLURRED, "marker edges can't be made out")
    corners, blur_px = measured
    blur_mm = blur_px / px_per_mm
    if blur_mm > MAX_BLUR_MM:
        return _refuse(Reason.BLURRED, f"blur of {blur_mm:.2f} mm > {MAX_BLUR_MM}")
    h, lens = _fit(corners, size)
    px_per_mm, tilt_deg = _scale_and_tilt(h)
    error = _project(h, lens, size, layout.marker_corners_mm()) - corners
    residual = float(np.sqrt((error**2).sum(-1).mean()))
    if residual / px_per_mm > MAX_RESIDUAL_MM:
        return _refuse(
            Reason.CARD_BENT,
            f"corners off by {residual / px_per_mm:.2f} mm > {MAX_RESIDUAL_MM}",
        )
    return CardPose(h, lens, size, lot_number, px_per_mm, tilt_deg, residual, corners, blur_mm)


def _fit(corners: NDArray[np.float64], size: tuple[int, int]) -> tuple[NDArray[np.float64], float]:
    """Homography and lens term that bring the sixteen model corners onto ``corners``."""
    model = layout.marker_corners_mm().reshape(-1, 2)
    seen = corners.reshape(-1, 2)
    start, _ = cv2.findHomography(model, seen, 0)
    scale = np.abs(start).max(axis=1, keepdims=True)

    def residuals(p: NDArray[np.float64]) -> NDArray[np.float64]:
        h = np.append(p[:8], 1.0).reshape(3, 3) * scale
        error = (_project(h, p[8], size, model) - seen).ravel()
        # A lens term the corners don't ask for stays at nothing.
        return np.append(error, p[8] / _LENS_PRIOR * _CORNER_SD_PX)

    start = start / scale
    start = start / start[2, 2]
    scale = scale * np.ones((3, 1))
    fit = least_squares(residuals, np.append(start.ravel()[:8], 0.0), method="lm", x_scale="jac")
    h = np.append(fit.x[:8], 1.0).reshape(3, 3) * scale
    return h / h[2, 2], float(fit.x[8])


def _scale_and_tilt(h: NDArray[np.float64]) -> tuple[float, float]:
    """Px per mm in the shorter direction at the middle of the bay, and tilt in degrees."""
    x, y = layout.CENTRE_MM
    w = h @ np.array([x, y, 1.0])
    jacobian = (h[:2, :2] - np.outer(w[:2] / w[2], h[2, :2])) / w[2]
    longer, shorter = np.linalg.svd(jacobian, compute_uv=False)
    return float(shorter), math.degrees(math.acos(min(1.0, shorter / longer)))


def _measure_edges(
    gray: NDArray[np.uint8], rough: NDArray[np.float64], px_per_mm: float
) -> tuple[NDArray[np.float64], float] | None:
    """Marker corners (4, 4, 2) from lines fitted to the edges, and blur sd in px.

    Each of the sixteen edges is crossed by short profiles from the black border
    into the white surround; the middle of the step on every profile gives the
    line, two lines give a corner.
    """
    module_px = layout.MARKER_MM / _MODULES * px_per_mm
    reach = max(2.5, 0.8 * module_px)
    start = rough.reshape(16, 2)
    stop = np.roll(rough, -1, axis=1).reshape(16, 2)
    along = stop - start
    length = np.linalg.norm(along, axis=1, keepdims=True)
    along = along / length
    outward = np.stack([along[:, 1], -along[:, 0]], axis=1)
    steps = 2 * math.ceil(reach / 0.5) + 1
    t = np.linspace(0.12, 0.88, _PROFILES)
    offsets = np.linspace(-reach, reach, steps)
    at = (
        start[:, None, None]
        + (along * length)[:, None, None] * t[None, :, None, None]
        + outward[:, None, None] * offsets[None, None, :, None]
    )
    flat = at.reshape(16 * _PROFILES, steps, 2).astype(np.float32)
    profiles = cv2.remap(gray, flat, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    profiles = profiles.reshape(16, _PROFILES, steps).astype(np.float64)
    rise = np.clip(np.gradient(profiles, offsets, axis=-1), 0.0, None)
    # Of all the rises on a profile only the one nearest the expected edge counts.
    rise *= np.exp(-0.5 * (offsets / (0.6 * reach)) ** 2)
    weight = rise.sum(-1)
    if (np.median(weight, axis=1) < 4.0).any():
        return None
    where = (rise * offsets).sum(-1) / np.maximum(weight, 1e-9)
    lines = [_line(t * n, w, g) for n, w, g in zip(length[:, 0], where, weight, strict=True)]
    corners = np.empty((16, 2))
    for marker in range(4):
        for side in range(4):
            k, before = 4 * marker + side, 4 * marker + (side - 1) % 4
            corners[k] = _cross(
                *_lift(lines[before], start[before], along[before], outward[before]),
                *_lift(lines[k], start[k], along[k], outward[k]),
            )
    return corners.reshape(4, 4, 2), _blur(profiles, offsets, lines, t * length, along)


def _line(
    s: NDArray[np.float64], where: NDArray[np.float64], weight: NDArray[np.float64]
) -> tuple[float, float]:
    """Robust straight line ``where = a + b s``: profiles off the line are dropped."""
    keep = weight > 0.3 * np.median(weight)
    b, a = np.polyfit(s[keep], where[keep], 1)
    error = np.abs(where - a - b * s)
    keep &= error <= max(2.5 * 1.4826 * float(np.median(error[keep])), 0.05)
    if keep.sum() >= 4:
        b, a = np.polyfit(s[keep], where[keep], 1)
    return float(a), float(b)


def _lift(
    line: tuple[float, float],
    start: NDArray[np.float64],
    along: NDArray[np.float64],
    outward: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    a, b = line
    return start + a * outward, along + b * outward


def _cross(
    p: NDArray[np.float64],
    u: NDArray[np.float64],
    q: NDArray[np.float64],
    v: NDArray[np.float64],
) -> NDArray[np.float64]:
    s, _ = np.linalg.solve(np.stack([u, -v], axis=1), q - p)
    crossing: NDArray[np.float64] = p + s * u
    return crossing


def _blur(
    profiles: NDArray[np.float64],
    offsets: NDArray[np.float64],
    lines: list[tuple[float, float]],
    s: NDArray[np.float64],
    along: NDArray[np.float64],
) -> float:
    """Blur sd in px, the worse of the two edge directions.

    The profiles of an edge are laid over each other on the fitted line; half of
    the distance over which the mean step climbs from 16 % to 84 % is one sd.
    """
    widths = []
    for edge, (a, b) in enumerate(lines):
        shift = offsets[None, :] - (a + b * s[edge])[:, None]
        grid = np.linspace(offsets[0] * 0.9, offsets[-1] * 0.9, 61)
        step = np.mean(
            [np.interp(grid, x, y) for x, y in zip(shift, profiles[edge], strict=True)], axis=0
        )
        step = np.maximum.accumulate(step)
        low, high = step[0], step[-1]
        if high - low < 8.0:
            widths.append(float(offsets[-1]))
            continue
        level = (step - low) / (high - low)
        x16, x84 = np.interp((0.16, 0.84), level, grid)
        widths.append(float(x84 - x16) / 2)
    width = np.array(widths)
    upright = np.abs(along[:, 1]) > np.abs(along[:, 0])
    groups = [width[upright], width[~upright]]
    return float(max(np.median(g) for g in groups if len(g)))
