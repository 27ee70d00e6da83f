"""The shape of a blot: how much blood lies where on the paper.

Volume is blood per area relative to the scene's; its mean over the core of a
good blot is 1, so the scene's haemoglobin stays the truth.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import ArrayLike, NDArray

from cardreader.card import layout

Array = NDArray[np.float64]
CORE = 0.8
"""The core of a blot is where the distance from its middle is below this share
of the distance to the outline."""

MAX_VOLUME = 2.0
_DRY_EDGES = 7.5
"""Widths of an edge beyond which less than one part in 10^12 of the blood has soaked."""

_FIBRE_MM = 0.08
_FIBRE_REACH_MM = _DRY_EDGES * _FIBRE_MM
_HARMONICS = np.arange(2, 10)


class BlotKind(StrEnum):
    """What kind of blot lies in the bay."""

    GOOD = "good"
    NONE = "none"
    TINY = "tiny"
    UNEVEN = "uneven"
    TOUCHING = "touching"
    FRAGMENTS = "fragments"


@dataclass(frozen=True)
class Blob:
    """One soaked area; lengths in mm.

    ``wobble`` and ``phase``, shape (8,), are the harmonics 2 to 9 of the
    outline; ``rim`` is the change of volume at the rim; ``waves``, shape (k, 4),
    are the wave numbers (1/mm), phase and amplitude of the uneven soak.
    """

    x_mm: float
    y_mm: float
    radius_mm: float
    wobble: Array
    phase: Array
    edge_mm: float
    rim: float
    waves: Array

    def reach(self, at_mm: Array) -> Array:
        """Distance from the middle as a share of that to the outline, shape (...)."""
        dx, dy = at_mm[..., 0] - self.x_mm, at_mm[..., 1] - self.y_mm
        return np.asarray(np.hypot(dx, dy) / self.outline(np.arctan2(dy, dx)))

    def outline(self, angle: Array) -> Array:
        """Distance (mm) of the outline from the middle in directions (...) in radians."""
        waves = self.wobble * np.cos(_HARMONICS * np.asarray(angle)[..., None] + self.phase)
        return np.asarray(self.radius_mm * (1 + waves.sum(axis=-1)))

    def volume(self, at_mm: Array) -> Array:
        """Volume before scaling, shape (...)."""
        width = self.edge_mm / self.radius_mm
        out = np.zeros(at_mm.shape[:-1])
        from_middle = np.hypot(at_mm[..., 0] - self.x_mm, at_mm[..., 1] - self.y_mm)
        furthest = self.radius_mm * (1 + np.abs(self.wobble).sum())
        soaked = from_middle < furthest * (1 + _DRY_EDGES * width)
        out[soaked] = self._soaked(at_mm[soaked], width)
        return out

    def _soaked(self, at_mm: Array, width: float) -> Array:
        reach = self.reach(at_mm)
        inside = 1 / (1 + np.exp(np.clip((reach - 1) / (width / 4), -30, 30)))
        rim = self.rim * np.exp(-0.5 * ((reach - (1 - 1.2 * width)) / (0.6 * width)) ** 2)
        kx, ky, phase, amplitude = self.waves.T
        soak = np.cos(at_mm[..., :1] * kx + at_mm[..., 1:] * ky + phase) @ amplitude
        return np.asarray(inside * np.maximum(1 + rim + soak, 0))


@dataclass(frozen=True)
class Blot:
    """All the blood on one paper.

    ``fibres``, shape (n, 5): x, y, angle, length (mm) and volume of threads that
    drew blood out of the blob. ``scale`` makes the mean volume of the core 1.
    """

    blobs: tuple[Blob, ...]
    fibres: Array
    scale: float

    def volume(self, at_mm: ArrayLike) -> Array:
        """Volume, 0 to 2, at card positions (..., 2) in mm, shape (...)."""
        at = np.asarray(at_mm, float)
        out = np.zeros(at.shape[:-1])
        for blob in self.blobs:
            out = np.maximum(out, self.scale * blob.volume(at))
        for x, y, angle, length, volume in self.fibres:
            dx, dy = at[..., 0] - x, at[..., 1] - y
            near = dx**2 + dy**2 < (length + _FIBRE_REACH_MM) ** 2
            dx, dy = dx[near], dy[near]
            along = dx * np.cos(angle) + dy * np.sin(angle)
            across = dy * np.cos(angle) - dx * np.sin(angle)
            taper = np.clip(1 - along / length, 0, 1) * (along > 0)
            thread = volume * taper * np.exp(-0.5 * (across / _FIBRE_MM) ** 2)
            out[near] = np.maximum(out[near], thread)
        return np.clip(out, 0, MAX_VOLUME)

    def in_core(self, at_mm: ArrayLike) -> NDArray[np.bool_]:
        """Whether card positions (..., 2) lie in the core of a blob, shape (...)."""
        at = np.asarray(at_mm, float)
        return np.asarray(
            np.any([b.reach(at) < CORE for b in self.blobs], axis=0)
            if self.blobs
            else np.zeros(at.shape[:-1], bool)
        )


def draw_blot(rng: np.random.Generator, kind: BlotKind = BlotKind.GOOD) -> Blot:
    """Draw a blot: 9 to 13 mm across when good, near the middle of the bay."""
    x, y = np.array(layout.CENTRE_MM) + rng.normal(0, 0.8, 2)
    radius = rng.uniform(4.5, 6.5)
    match kind:
        case BlotKind.NONE:
            blobs: tuple[Blob, ...] = ()
        case BlotKind.TINY:
            blobs = (_draw_blob(rng, x, y, rng.uniform(1.0, 1.7)),)
        case BlotKind.UNEVEN:
            blobs = (_draw_blob(rng, x, y, radius, soak=0.32, wobble=1.6),)
        case BlotKind.TOUCHING:
            side = rng.choice([-1.0, 1.0])
            x = layout.CENTRE_MM[0] + side * (layout.BAY_MM / 2 - 0.6 * radius)
            blobs = (_draw_blob(rng, x, y, radius),)
        case BlotKind.FRAGMENTS:
            angle = rng.uniform(0, np.pi)
            step = np.array([np.cos(angle), np.sin(angle)]) * 4.4
            first, second = rng.uniform(2.9, 3.5, 2)
            blobs = (
                _draw_blob(rng, x + step[0], y + step[1], first),
                _draw_blob(rng, x - step[0], y - step[1], second),
            )
        case _:
            blobs = (_draw_blob(rng, x, y, radius),)
    return Blot(blobs, _draw_fibres(rng, blobs), _scale(blobs))


def _draw_blob(
    rng: np.random.Generator,
    x: float,
    y: float,
    radius: float,
    soak: float | None = None,
    wobble: float = 1.0,
) -> Blob:
    n_waves = 14
    # Soaking is uneven over 2 to 8 mm: finer grain is fibre, drawn with the paper.
    wave = 2 * np.pi / rng.uniform(2.0, 8.0, n_waves)
    direction = rng.uniform(0, 2 * np.pi, n_waves)
    sd = rng.uniform(0.01, 0.035) if soak is None else soak
    waves = np.stack(
        [
            wave * np.cos(direction),
            wave * np.sin(direction),
            rng.uniform(0, 2 * np.pi, n_waves),
            np.full(n_waves, sd * np.sqrt(2 / n_waves)),
        ],
        axis=1,
    )
    return Blob(
        x_mm=float(x),
        y_mm=float(y),
        radius_mm=float(radius),
        wobble=wobble * rng.normal(0, 0.09, _HARMONICS.size) / _HARMONICS**0.9,
        phase=rng.uniform(0, 2 * np.pi, _HARMONICS.size),
        edge_mm=float(min(rng.uniform(0.35, 0.9), 0.3 * radius)),
        rim=float(rng.uniform(-0.10, 0.15)),
        waves=waves,
    )


def _draw_fibres(rng: np.random.Generator, blobs: tuple[Blob, ...]) -> Array:
    rows = []
    for blob in blobs:
        for angle in rng.uniform(0, 2 * np.pi, rng.integers(6, 16)):
            start = 0.96 * float(blob.outline(angle))
            rows.append(
                (
                    blob.x_mm + start * np.cos(angle),
                    blob.y_mm + start * np.sin(angle),
                    angle + rng.normal(0, 0.35),
                    rng.uniform(0.3, 1.3),
                    rng.uniform(0.1, 0.4),
                )
            )
    return np.array(rows).reshape(-1, 5)


def _scale(blobs: tuple[Blob, ...]) -> float:
    """What brings the mean volume of all cores to 1."""
    if not blobs:
        return 1.0
    half = layout.BAY_MM / 2
    steps = np.arange(-half, half, 0.1) + 0.05
    at = np.stack(np.meshgrid(*(c + steps for c in layout.CENTRE_MM)), axis=-1)
    values = np.concatenate([b.volume(at)[b.reach(at) < CORE] for b in blobs])
    return float(1 / values.mean())
