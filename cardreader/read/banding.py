"""Photo, CardPose -> Banding: the bands that a lamp on alternating current leaves in a photo.

Such a lamp's light pulses, and a rolling shutter exposes one row of the sensor
after another, so that every row is multiplied by a periodic factor, a little
another one in each channel. Rows may lie along either side of an upright
picture, since phones are held either way.

The evidence is the unprinted card itself, seen where the corners of four patches
meet, which is all of one colour. Bands are only spoken of where they are plain:
a photo in even light must come out as if nobody had looked.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache, cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray

from cardreader.card import layout
from cardreader.core.robust import LARGEST, reweighted_fit, truncated_square
from cardreader.read.locate import CardPose
from cardreader.read.photo import Photo
from cardreader.read.whitespots import white_spots

Array = NDArray[np.float64]

MIN_SPOTS = 40

MIN_PERIOD_MM = 12.0
"""Two and a half pitches: shorter bands could hide between the spots."""
_FIRST_CYCLES, MIN_CYCLES = 0.8, 0.95
"""Over the card, where the scan begins and what counts: slower is light that falls off."""
_STEP_CYCLES = 0.125

DEPTH_IN_LIGHT = 1.5
"""How much deeper bands commonly are in light than in nominal RGB of white card."""

_KNEE = 3.75
_LEAST_SCATTER = 0.0016
"""Spots may agree by chance, as whole codes do."""
_ROUNDS = 3
_RIDGE = 1e-9
_FINER = (0.25, 0.05)
"""Steps by which the frequency is then refined, in coarse steps."""

MIN_EXPLAINED, _MIN_EXPLAINED_SPOTS = 0.25, 15.0
"""Share of what a smooth field leaves that bands must explain, and the same times spots.

Of grain over n spots, the best of a hundred frequencies explains about 11 / n; no ordinary
photo of the benchmarks came to more than 0.12.
"""
MAX_UNLIKE, _UNLIKE_OF_ALL = 0.15, 0.025
"""Share that light of other shapes may still explain of what the bands leave, or of all.

The edge of a shadow and a reflection leave more: they change along the rows.
"""
MAX_HARMONIC, _HARMONIC_NOISE = 0.30, 0.001
"""Second harmonic to base; a fully rectified sine has 0.2, a shadow's edge more."""
MIN_AMPLITUDE, MAX_AMPLITUDE = 0.005, 0.12
"""Of any channel, ln nominal RGB: less does no harm, more is left to the gates of light."""


@dataclass(frozen=True, eq=False)
class Banding:
    """Periodic light over the rows of a picture.

    Attributes
    ----------
    axis : int
        Picture axis along which the light changes: 0 is x, 1 is y.
    cycles_per_px : float
        Of the working picture.
    waves : (4, 3) array
        Per channel, what cosine and sine of the phase and of twice the phase add to
        ln of nominal linear RGB at white card; the phase is 0 at pixel 0. A lamp's
        light is no pure sine.
    to_px : callable
        Card points (..., 2) in mm to pixels (..., 2), as `CardPose.to_px`.
    """

    axis: int
    cycles_per_px: float
    waves: Array
    to_px: Callable[[ArrayLike], Array]

    @property
    def found(self) -> bool:
        """Whether there are bands at all."""
        return bool(self.waves.any())

    @property
    def amplitude(self) -> Array:
        """Amplitude of the base frequency in each channel (3,), ln nominal RGB."""
        return np.asarray(np.hypot(self.waves[0], self.waves[1]))

    def log_light(self, at_mm: ArrayLike, side_mm: float = 0.0) -> Array:
        """What the bands add to ln nominal RGB at card points (..., 2), shape (..., 3).

        As white card shows it; with ``side_mm``, the mean over squares of that side.
        """
        at = np.asarray(at_mm, float)
        if not self.found:
            return np.zeros((*at.shape[:-1], 3))
        if side_mm:
            return np.asarray(self.log_light(at[..., None, :] + side_mm * _square()).mean(axis=-2))
        rows = self.to_px(at)[..., self.axis]
        return np.asarray(_waves(self.cycles_per_px * rows) @ self.waves)


def _same(at_mm: ArrayLike) -> Array:
    """Stands for a pose where there is nothing to place; a function of its own can be pickled."""
    return np.asarray(at_mm, float)


EVEN = Banding(1, 0.0, np.zeros((4, 3)), _same)
"""No bands."""


@cache
def _square() -> Array:
    """The four Gauss-Legendre points of a unit square about 0, (4, 2)."""
    step = np.array([-0.5, 0.5]) / np.sqrt(3)
    return np.stack(np.meshgrid(step, step), axis=-1).reshape(4, 2)


def _waves(cycles: Array) -> Array:
    """Cosine and sine of once and twice the phase, (..., 4)."""
    phase = 2 * np.pi * cycles
    terms = (np.cos(phase), np.sin(phase), np.cos(2 * phase), np.sin(2 * phase))
    return np.stack(terms, axis=-1)


def find_banding(photo: Photo, pose: CardPose) -> Banding:
    """Look for bands on the unprinted card; `EVEN` unless they are plain."""
    at_mm, log_light = white_spots(photo, pose)
    if len(at_mm) < MIN_SPOTS:
        return EVEN
    return fit_banding(at_mm, log_light, pose.to_px)


def fit_banding(
    at_mm: ArrayLike, log_light: ArrayLike, to_px: Callable[[ArrayLike], Array]
) -> Banding:
    """Fit bands and a smooth field of light to spots of one colour; `EVEN` unless plain.

    Frequencies are scanned with the base wave alone, then refined, spots that disagree
    losing weight.

    Parameters
    ----------
    at_mm, log_light : (n, 2), (n, 3)
        Where on the card, and ln of nominal linear RGB.
    to_px : callable
        Card mm to pixels.
    """
    spots = _Spots(np.asarray(at_mm, float), np.asarray(log_light, float), to_px)
    best = spots.strongest(spots.candidates, spots.weights(spots.smooth))
    # Most photos are in even light, and end here.
    if best.explained < spots.min_explained / 2:
        return EVEN
    for step in _FINER:
        weight = spots.weights(spots.banded(best.tone))
        best = spots.strongest(spots.nearby(best.tone, step), weight)
    return spots.judged(best.tone)


@dataclass(frozen=True)
class _Tone:
    """A base wave: picture axis and cycles per pixel."""

    axis: int
    cycles_per_px: float


@dataclass(frozen=True)
class _Best:
    """A base wave and the share of the variance that it explains."""

    tone: _Tone
    explained: float


@dataclass(frozen=True, eq=False)
class _Spots:
    """White spots and what can be fitted to them; arguments as `fit_banding` takes them."""

    at_mm: Array
    log_light: Array
    to_px: Callable[[ArrayLike], Array]

    @cached_property
    def rows(self) -> Array:
        """Pixel positions (n, 2)."""
        return self.to_px(self.at_mm)

    @cached_property
    def smooth(self) -> Array:
        """Terms of light that falls off, quadratic over the card, (n, 6)."""
        u, v = self._uv
        return np.stack([np.ones_like(u), u, v, u * u, u * v, v * v], axis=1)

    def unlike(self, tone: _Tone) -> Array:
        """Terms of light neither smooth nor in bands: cubic, or changing along rows, (n, 8)."""
        u, v = self._uv
        cubic = np.stack([u * u * u, u * u * v, u * v * v, v * v * v], axis=1)
        along = self.rows[:, 1 - tone.axis]
        along = 2 * (along - along.min()) / np.ptp(along) - 1
        base = _waves(tone.cycles_per_px * self.rows[:, tone.axis])[:, :2]
        return np.hstack([cubic, base * along[:, None], base * along[:, None] ** 2])

    @property
    def _uv(self) -> Array:
        return np.asarray(((self.at_mm - layout.CENTRE_MM) / (layout.WIDTH_MM / 2)).T)

    @cached_property
    def _span_px(self) -> Array:
        return np.asarray(np.ptp(self.rows, axis=0))

    @cached_property
    def _px_per_mm(self) -> float:
        return float(np.sqrt(self._span_px.prod() / np.ptp(self.at_mm, axis=0).prod()))

    @property
    def min_explained(self) -> float:
        """Share of the variance below which bands may be chance."""
        return max(MIN_EXPLAINED, _MIN_EXPLAINED_SPOTS / len(self.at_mm))

    @cached_property
    def candidates(self) -> list[_Tone]:
        """All base waves that are looked at."""
        out = []
        for axis, span in enumerate(self._span_px):
            most = span / (MIN_PERIOD_MM * self._px_per_mm)
            out += [_Tone(axis, k / span) for k in np.arange(_FIRST_CYCLES, most, _STEP_CYCLES)]
        return out

    def nearby(self, tone: _Tone, step: float) -> list[_Tone]:
        """Base waves about one, ``step`` coarse steps apart."""
        span = self._span_px[tone.axis]
        offsets = np.arange(-4, 5) * step * _STEP_CYCLES
        cycles = np.maximum(tone.cycles_per_px * span + offsets, _FIRST_CYCLES)
        return [_Tone(tone.axis, k / span) for k in cycles]

    def strongest(self, tones: list[_Tone], weight: Array) -> _Best:
        """The base wave that takes most off what the smooth field leaves."""
        root = np.sqrt(weight)[:, None]
        q, _ = np.linalg.qr(self.smooth * root)

        def off_smooth(columns: Array) -> Array:
            weighted = columns * root
            return np.asarray(weighted - q @ (q.T @ weighted))

        axes = np.array([t.axis for t in tones])
        phase = 2 * np.pi * self.rows[:, axes] * np.array([t.cycles_per_px for t in tones])
        c, s = off_smooth(np.cos(phase)), off_smooth(np.sin(phase))
        left = off_smooth(self.log_light)
        # Normal equations of two unknowns, for all waves at once.
        cc, ss, cs = ((a * b).sum(axis=0) for a, b in ((c, c), (s, s), (c, s)))
        yc, ys = ((left.T @ columns) for columns in (c, s))
        gain = (yc**2 * ss - 2 * yc * ys * cs + ys**2 * cc).sum(axis=0)
        gain /= np.maximum(cc * ss - cs**2, 1e-9)
        best = int(np.argmax(gain))
        return _Best(tones[best], float(gain[best] / np.maximum((left**2).sum(), 1e-12)))

    def banded(self, tone: _Tone) -> Array:
        """Terms of the smooth field, then those of the bands, (n, 8) or (n, 10)."""
        waves = _waves(tone.cycles_per_px * self.rows[:, tone.axis])
        return np.hstack([self.smooth, waves[:, : self._n_waves(tone)]])

    def _n_waves(self, tone: _Tone) -> int:
        """4, or 2 where the double frequency would hide between the spots."""
        return 4 if tone.cycles_per_px * MIN_PERIOD_MM * self._px_per_mm <= 0.5 else 2

    def weights(self, design: Array) -> Array:
        """Weights (n,): spots that a fit of these terms misses count less."""
        return reweighted_fit(
            design,
            self.log_light,
            truncated_square(_KNEE),
            LARGEST,
            least_sd=_LEAST_SCATTER,
            rounds=_ROUNDS,
            ridge=_RIDGE,
        ).weight

    def _fit(self, design: Array, weight: Array) -> tuple[Array, Array]:
        """Coefficients (k, 3) of a weighted fit, and what it leaves (n, 3)."""
        weighted = design.T * weight
        # Normal equations are quick; the ridge keeps them soluble where two terms are alike.
        gram = weighted @ design + _RIDGE * np.eye(design.shape[1])
        fit = np.linalg.solve(gram, weighted @ self.log_light)
        return np.asarray(fit, float), self.log_light - design @ fit

    def judged(self, tone: _Tone) -> Banding:
        """The bands of a base wave if they are plain and nothing else is; else `EVEN`."""
        design = self.banded(tone)
        weight = self.weights(design)

        def left_by(terms: Array) -> float:
            return float(weight @ (self._fit(terms, weight)[1] ** 2).sum(axis=1))

        waves = np.zeros((4, 3))
        waves[: self._n_waves(tone)] = self._fit(design, weight)[0][self.smooth.shape[1] :]
        found = Banding(tone.axis, tone.cycles_per_px, waves, self.to_px)
        before, left = left_by(self.smooth), left_by(design)
        unlike = left - left_by(np.hstack([design, self.unlike(tone)]))
        largest = float(found.amplitude.max())
        harmonic = float(np.hypot(waves[2], waves[3]).max())
        plain = (
            tone.cycles_per_px * self._span_px[tone.axis] >= MIN_CYCLES
            and before - left >= self.min_explained * before
            and unlike <= max(MAX_UNLIKE * left, _UNLIKE_OF_ALL * before)
            and harmonic <= MAX_HARMONIC * largest + _HARMONIC_NOISE
            and MIN_AMPLITUDE <= largest <= MAX_AMPLITUDE
        )
        return found if plain else EVEN
