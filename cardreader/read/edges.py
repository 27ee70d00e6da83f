"""Rough corners of markers -> exact ones, from lines fitted to the edges, and the blur."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cardreader.core.order import median
from cardreader.core.robust import CENTRAL_68, median_sd
from cardreader.read.consensusline import agreed_line
from cardreader.read.markers import MODULES, quad_area
from cardreader.read.photo import Photo
from cardreader.read.turned import between

_REACH = 0.8
"""Half length of a profile in modules; the border is one wide, the surround a little less."""
_CLOSE = 0.45
"""The same where a line is drawn about the markers, 0.5 mm from them or further."""
_DROP = 0.2
"""Of an edge's contrast, by which the surround darkens again at a profile's end. Edges of
photos without a line keep 0.05, soiled ones 0.06; a pen line 0.8 mm off leaves 0.4 and more."""
_RISE = 0.25
"""The same by which it brightens on in a profile's last quarter, where the cut edge of a sleeve
glints. Blur leaves 0.2 at most; such an edge 0.9 to 1.2 mm off 0.15 to 0.41."""
_FALL = 0.4
"""Of the contrast, by which profiles fall again on their way out at four edges or more, where a
line about a marker is to blame if its edges can't be measured. Lines that begin 0.2 or 0.3 mm off
leave 0.6 and more, hard photos without any 0.2 at most."""
_CLIPPED = 1.3
"""What short profiles make of a blur at the limit: they end before the rise does."""
_MOVED = 0.12
_PROFILES = 24
_MAX_STEPS = 24
_BINS = 33
_OFF = 0.04
"""Of the reach: as far as a good profile may lie off its line; unspoiled ones keep 0.02."""
_AGREED = 0.4
"""Share of an edge's profiles that must agree; along the rim of a drop of 4.4 mm 0.25 do."""


@dataclass(frozen=True)
class Edges:
    """What the edges of m markers say.

    Attributes
    ----------
    corners : (m, 4, 2)
        Exact corners in pixels, clockwise.
    clear : (m, 4) bool
        Whether both edges that meet in a corner were made out; the corner means nothing if not.
    blur : float
        Standard deviation in modules across the worse of the two edge directions.
    uneven : bool
        Profiles of one edge lie further off their line than those of the others
        do, as under a drop: noise and blur are the same for all.
    """

    corners: NDArray[np.float64]
    clear: NDArray[np.bool_]
    blur: float
    uneven: bool


def measure_edges(photo: Photo, rough: NDArray[np.float64], spoiled: bool = False) -> Edges | None:
    """Exact corners from lines fitted to the edges, and the blur.

    Each edge is crossed by short profiles from the black border into the white
    surround, in linear light, where a blur leaves the middle of a step in
    place. The middles give the line, two lines give a corner.

    Parameters
    ----------
    rough : (m, 4, 2)
        Corners good to about a third of a module, clockwise.
    spoiled : bool
        Something may lie on an edge. An uneven one then gets the line that most
        of its profiles agree on, or isn't clear if too few do. Not for good
        photos: much blur makes edges uneven too, and the whole of them is better.

    Returns
    -------
    None when nothing can be made out, or any one edge unless ``spoiled``.
    """
    measured = _measure(photo, rough, spoiled)
    if measured is None:
        return None
    corners = np.where(measured.clear[..., None], measured.corners, rough)
    moved = np.linalg.norm(corners - rough, axis=-1).max()
    if moved > _MOVED * math.sqrt(float(quad_area(rough).min())) / MODULES:
        # Profiles laid that far off may have reached into the code; now they don't.
        measured = _measure(photo, corners, spoiled)
    if measured is None:
        return None
    return Edges(measured.corners, measured.clear, _blur(measured), measured.uneven)


def line_beside(photo: Photo, rough: NDArray[np.float64]) -> bool:
    """Whether a line is drawn about a marker so close that it is taken for its edge."""
    profile = median(np.moveaxis(_lay(photo, rough, _REACH).profiles, 1, -1))
    profile = profile[:, profile.shape[1] // 5 :]  # of a soft marker the code reaches into it
    falls = (np.maximum.accumulate(profile, axis=-1) - profile).max(axis=-1)
    return bool(np.sort(falls / np.maximum(np.ptp(profile, axis=-1), 1e-6))[-4] > _FALL)


@dataclass(frozen=True, eq=False)
class _Measured:
    """Corners as in `Edges`, and the profiles (n, p, k) of n clear edges that tell the blur.

    ``across`` (n, p, k) is how far each sample lies off its line, in ``far`` of a module;
    ``along`` (n, 2) the edges' directions.
    """

    corners: NDArray[np.float64]
    clear: NDArray[np.bool_]
    uneven: bool
    profiles: NDArray[np.float64]
    across: NDArray[np.float64]
    along: NDArray[np.float64]
    far: float


def _measure(
    photo: Photo, rough: NDArray[np.float64], spoiled: bool, far: float = _REACH
) -> _Measured | None:
    laid = _lay(photo, rough, far)
    profiles, steps, s, reach = laid.profiles, laid.steps, laid.s, laid.reach
    if far > _CLOSE and _lined(profiles):
        return _measure(photo, rough, spoiled, _CLOSE)
    lines = _fit_lines(profiles, steps, s, spoiled)
    if lines is None:
        return None
    a, b, clear, uneven = lines
    along = laid.along
    origin = laid.start + a[:, None] * reach * laid.outward
    direction = along + b[:, None] * reach * laid.outward
    before = np.arange(len(reach)).reshape(-1, 4)[:, [3, 0, 1, 2]].ravel()
    corners = _cross(origin[before], direction[before], origin, direction)
    across = steps - (a[:, None] + b[:, None] * s)[..., None]
    both = (clear & clear[before]).reshape(-1, 4)
    if not clear.all():
        profiles, across, along = profiles[clear], across[clear], along[clear]
    return _Measured(corners.reshape(-1, 4, 2), both, uneven, profiles, across, along, far)


@dataclass(frozen=True, eq=False)
class _Laid:
    """Profiles (n, p, k) laid across n edges, and where.

    ``steps`` (k,) is how far each sample lies outside, in ``reach`` (n, 1) pixels; ``s`` (n, p)
    how far each profile lies along its edge from ``start`` (n, 2), in pixels; ``along`` and
    ``outward`` (n, 2) are the edges' directions.
    """

    profiles: NDArray[np.float64]
    steps: NDArray[np.float64]
    s: NDArray[np.float64]
    reach: NDArray[np.float64]
    start: NDArray[np.float64]
    along: NDArray[np.float64]
    outward: NDArray[np.float64]


def _lay(photo: Photo, rough: NDArray[np.float64], far: float) -> _Laid:
    n = 4 * len(rough)
    start = rough.reshape(n, 2)
    along = np.roll(rough, -1, axis=1).reshape(n, 2) - start
    length = np.linalg.norm(along, axis=1, keepdims=True)
    along = along / length
    outward = np.stack([along[:, 1], -along[:, 0]], axis=1)
    # A tilted marker is narrower one way: profiles stay within the border and
    # the surround as they are seen.
    reach = far * np.repeat(quad_area(rough), 4)[:, None] / length / MODULES
    steps = np.linspace(-1.0, 1.0, 2 * min(math.ceil(2 * float(reach.max())), _MAX_STEPS) + 1)
    s = np.linspace(0.12, 0.88, _PROFILES) * length
    out = (reach * steps)[:, None]
    x, y = (
        (start[:, k, None, None] + along[:, k, None, None] * s[:, :, None])
        + outward[:, k, None, None] * out
        for k in range(2)
    )
    return _Laid(_light(photo, x, y), steps, s, reach, start, along, outward)


def _lined(profiles: NDArray[np.float64]) -> bool:
    """Whether the surround of any edge darkens again, as where a line is drawn about a marker,
    or brightens on.
    """
    ends = profiles.shape[-1] // 4
    low, last = profiles[..., :ends].mean(axis=-1), profiles[..., -1]
    top = profiles[..., -2 * ends :].max(axis=-1)
    drop = (top - last) / np.maximum(top - low, 1e-6)
    rise = (last - profiles[..., -ends - 1]) / np.maximum(last - low, 1e-6)
    return bool((median(drop) > _DROP).any() or (median(rise) > _RISE).any())


def _light(photo: Photo, x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.float64]:
    """Linear green at points (edges, profiles, steps), four edges a marker."""
    markers = (x.shape[0] // 4, 4 * x.shape[1], x.shape[2])
    seen = np.stack(
        [
            between(photo.green, *marker)
            for marker in zip(x.reshape(markers), y.reshape(markers), strict=True)
        ]
    )
    light: NDArray[np.float64] = photo.tone_tables()[1].take(seen).astype(np.float64)
    return light.reshape(x.shape)


def _fit_lines(
    profiles: NDArray[np.float64], steps: NDArray[np.float64], s: NDArray[np.float64], spoiled: bool
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.bool_], bool] | None:
    """Lines ``step = a + b s`` through the middles of the rises, one an edge.

    With them which are clear, and whether one is uneven. The middle is where a
    sharp rise with the same ends and the same sum would lie. Profiles off the
    line (dirt, a speck of glare) are dropped.
    """
    ends = len(steps) // 4
    # Each profile by its own ends: the edge of a shadow may cross a marker.
    low = median(profiles[..., :ends])[..., None]
    contrast = median(profiles[..., -ends:])[..., None] - low
    # Of a covered edge the better part tells what contrast it has.
    typical = (
        np.percentile(contrast, 80, axis=1, keepdims=True)
        if spoiled
        else median(contrast[..., 0])[:, None, None]
    )
    usual = float(median(typical.ravel()))
    faint = typical[:, 0, 0] < 0.1 * usual
    if usual < 2e-3 or (faint.any() and not spoiled):
        return None
    least = 0.3 * np.maximum(typical, 0.1 * usual)
    level = np.clip((profiles - low) / np.maximum(contrast, least), -0.2, 1.2)
    step = steps[1] - steps[0]
    middle = steps[-1] + step / 2 - level.sum(-1) * step
    a, b, limit = _trimmed_lines(s, middle)
    within = max(_OFF, float(median(limit)))
    uneven = limit > 2 * within
    if not spoiled:
        return a, b, ~faint, bool(uneven.any())
    seen = (contrast >= 0.5 * typical)[..., 0]
    clear = ~faint
    for i in np.flatnonzero(uneven | (seen.mean(axis=1) < 1 - _AGREED)):
        a[i], b[i], share = agreed_line(s[i], middle[i], seen[i], within)
        clear[i] &= share >= _AGREED
    return (a, b, clear, bool(uneven.any())) if clear.any() else None


def _trimmed_lines(
    s: NDArray[np.float64], middle: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Lines ``a + b s`` (n,) without the points that lie off them, and how far off that is."""
    weight = np.ones_like(middle)
    for _ in range(3):
        a, b = _weighted_line(s, middle, weight)
        error = np.abs(middle - a[:, None] - b[:, None] * s)
        limit = np.maximum(2.5 * median_sd(error, axis=1), 0.02)
        weight = (error <= limit).astype(float)
    return a, b, limit[:, 0]


def _weighted_line(
    x: NDArray[np.float64], y: NDArray[np.float64], w: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    total = w.sum(axis=1)
    mx, my = (w * x).sum(axis=1) / total, (w * y).sum(axis=1) / total
    dx = x - mx[:, None]
    b = (w * dx * y).sum(axis=1) / np.maximum((w * dx**2).sum(axis=1), 1e-12)
    return my - b * mx, b


def _cross(
    p: NDArray[np.float64],
    u: NDArray[np.float64],
    q: NDArray[np.float64],
    v: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Where lines ``p + s u`` and ``q + t v`` meet, (n, 2)."""
    d = q - p
    s = (d[:, 0] * v[:, 1] - d[:, 1] * v[:, 0]) / (u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0])
    crossing: NDArray[np.float64] = p + s[:, None] * u
    return crossing


def _blur(measured: _Measured) -> float:
    """Blur sd in modules: half the way from 16 % to 84 % of the rise, all profiles laid over
    the line.
    """
    profiles, across, along = measured.profiles, measured.across, measured.along
    n = len(profiles)
    which = np.clip(np.rint((across + 1) / 2 * (_BINS - 1)), 0, _BINS - 1).astype(int)
    which += _BINS * np.arange(n)[:, None, None]
    count = np.bincount(which.ravel(), minlength=n * _BINS).reshape(n, _BINS)
    total = np.bincount(which.ravel(), profiles.ravel(), minlength=n * _BINS).reshape(n, _BINS)
    grid = np.linspace(-1.0, 1.0, _BINS)
    sd = np.empty(n)
    for i in range(n):
        seen = count[i] > 0
        rise = np.maximum.accumulate(total[i, seen] / count[i, seen])
        level = (rise - rise[0]) / max(rise[-1] - rise[0], 1e-9)
        x16, x84 = np.interp(CENTRAL_68, level, grid[seen])
        sd[i] = (x84 - x16) / 2
    upright = np.abs(along[:, 1]) > np.abs(along[:, 0])
    blur = float(max(median(sd[g]) for g in (upright, ~upright) if g.any()))
    return measured.far * blur * (1.0 if measured.far > _CLOSE else _CLIPPED)
