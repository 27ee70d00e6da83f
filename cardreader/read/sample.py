"""CardPose -> PatchSamples: the light of every printed patch.

Only the middle of a patch is used, so that blur and a pose some tenths of a
millimetre off don't reach its edge. Pixels are taken as they are, without
interpolation, so that noise and clipping stay visible.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from cardreader.card import layout
from cardreader.core.order import median
from cardreader.core.refusal import Reason, Refusal
from cardreader.read.locate import CardPose
from cardreader.read.photo import Photo
from cardreader.read.turned import nearest
from cardreader.read.whitespots import codes_of_spots

CENTRE_SHARE = 0.6
"""Side of the sampled middle as a share of the patch's side."""
SAMPLED_MM = CENTRE_SHARE * layout.PATCH_MM
"""Side of the sampled middle."""
TRIM = 0.1
"""Share of the pixels of a patch dropped at either end before the mean."""
_MIN_SIDE, MAX_SIDE, _SIDE_STEP = 12, 24, 4
"""Pixels sampled across a patch's middle: few enough to be quick, enough to trim."""

CLIPPED_CODE = 253 / 255
CRUSHED_CODE = 1 / 255
CRUSHED_LINEAR = 0.003
"""Nominal linear RGB below which 8 bits and a clipped colour matrix leave nothing to invert."""
PLATEAU_CODE = 0.85
"""Of the highest code: whites that end below it are not looked for."""
_PLATEAU_SHARE = 0.8
"""Of a print's pixels, within a code of the card's brightest: noise alone leaves a fifth."""
_PLATEAU_CODES = 2
"""By how many codes the channels' ends may differ: one white for all three is no colour."""
_AS_WHITE = 0.55
"""Share of the white card's spots within a code of its lightest prints, which have ink: beyond it
the phone's white ends there."""
_AS_CALM = 0.3
"""Grain of the lightest prints as a share of darker greys', below which the end has cut it off."""
MAX_CLIPPED = 0.25
"""Of the pixels of the lightest neutral's median print."""
MIN_LIGHT = 0.03
"""Linear green of the lightest neutral; below it 8 bits and noise leave too few steps."""


@dataclass(frozen=True)
class PatchSamples:
    """Linear-light RGB of the 72 patches, in the order of ``layout.cells()``.

    Attributes
    ----------
    linear : (72, 3)
        Trimmed mean over the patch's middle; the photo's primaries, nominally 0..1.
    clipped_share : (72,)
        Share of pixels with a channel at either end of its range, or on a plateau of white.
    spoiled : (72,)
        Prints for which their twin stands in; none as sampled.
    """

    linear: NDArray[np.float64]
    clipped_share: NDArray[np.float64]
    spoiled: NDArray[np.bool_] = field(default_factory=lambda: np.zeros(layout.N_PATCHES, bool))

    @property
    def crushed(self) -> NDArray[np.bool_]:
        """Prints (72,) of which a channel came out at nothing: that colour is lost."""
        return np.asarray((self.linear < CRUSHED_LINEAR).any(axis=1))


def sample(photo: Photo, pose: CardPose) -> PatchSamples | Refusal:
    """Sample every patch.

    Refusals: CLIPPED, TOO_DARK.
    """
    side = _side(pose.px_per_mm)
    encoded = _pixels(photo, pose, side)
    samples = _summarise(photo, encoded)
    refusal = _refusal(photo, pose, encoded, samples)
    return samples if refusal is None else refusal


def linear_pixels(photo: Photo, pose: CardPose) -> NDArray[np.float64]:
    """Linear light of the pixels in the middle of every print, (3, 72, n)."""
    return _light(photo, _pixels(photo, pose, _side(pose.px_per_mm))).astype(np.float64)


def _side(px_per_mm: float) -> int:
    """Pixels across a patch's middle: about one sample a pixel, in whole steps."""
    wanted = SAMPLED_MM * px_per_mm
    return round(min(max(wanted, _MIN_SIDE), MAX_SIDE) / _SIDE_STEP) * _SIDE_STEP


@cache
def _grid_mm(side: int) -> NDArray[np.float64]:
    """Sample points (72, side, side, 2)."""
    step = (np.arange(side) + 0.5) / side - 0.5
    offset = SAMPLED_MM * np.stack(np.meshgrid(step, step), axis=-1)
    return layout.centres_mm()[:, None, None] + offset


def _pixels(photo: Photo, pose: CardPose, side: int) -> NDArray[Any]:
    """Nearest pixels, channel first: (3, 72, side * side)."""
    at = pose.to_px(_grid_mm(side)).reshape(layout.N_PATCHES, side * side, 2)
    return np.stack(cv2.split(nearest(photo.encoded, at)))


def _summarise(photo: Photo, encoded: NDArray[Any]) -> PatchSamples:
    n = encoded.shape[-1]
    ordered = np.sort(_light(photo, encoded), axis=-1)
    cut = int(TRIM * n)
    mean = ordered[..., cut : n - cut].mean(axis=-1, dtype=np.float64).T
    return PatchSamples(linear=mean, clipped_share=_clipped(photo, encoded).mean(axis=-1))


def _light(photo: Photo, encoded: NDArray[Any]) -> NDArray[np.float32]:
    """Linear light of pixels (3, 72, n), the same shape.

    Over the photo's own primaries: the phone bent its own channels, and mixing them
    before the bend is undone would leave no curve that undoes it. The correction's
    matrix takes primaries of any kind.
    """
    tables = photo.tone_tables()
    return np.stack([table.take(codes) for table, codes in zip(tables, encoded, strict=True)])


def _clipped(photo: Photo, encoded: NDArray[Any]) -> NDArray[np.bool_]:
    ends = at_top(photo, encoded) | (encoded <= round(CRUSHED_CODE * photo.white))
    return np.asarray(ends[0] | ends[1] | ends[2]) | _on_plateau(photo, encoded)


def _on_plateau(photo: Photo, encoded: NDArray[Any]) -> NDArray[np.bool_]:
    """Pixels (72, n) of prints that all end at one white below the highest code."""
    code = photo.white // 255
    top = encoded.max(axis=(1, 2)).astype(int)
    if np.ptp(top) > _PLATEAU_CODES * code or top.min() < PLATEAU_CODE * photo.white:
        return np.zeros(encoded.shape[1:], bool)
    near = encoded >= (top - code).astype(encoded.dtype)[:, None, None]
    at_end = near[0] & near[1] & near[2]
    whole = at_end.mean(axis=-1) > _PLATEAU_SHARE
    return np.asarray(at_end & whole[:, None])


def at_top(photo: Photo, encoded: NDArray[Any]) -> NDArray[np.bool_]:
    """Which code values are clipped at the bright end; compared as whole numbers, which is fast."""
    return np.asarray(encoded >= round(CLIPPED_CODE * photo.white))


@cache
def lightest_prints() -> list[int]:
    """Which prints are of the lightest two neutrals."""
    return [i for i, c in enumerate(layout.cells()) if c.shade in ("N11", "N12")]


def _refusal(
    photo: Photo, pose: CardPose, encoded: NDArray[Any], samples: PatchSamples
) -> Refusal | None:
    lightest = lightest_prints()
    clipped = float(median(at_top(photo, encoded[:, lightest]).mean((0, 2))))
    if clipped > MAX_CLIPPED:
        return _refuse(Reason.CLIPPED, f"{clipped:.0%} of the lightest neutral > {MAX_CLIPPED:.0%}")
    ended = _white_ends(photo, pose, encoded)
    if ended.any():
        share = f"{ended.max():.0%} of the white card within a code of the lightest neutral"
        return _refuse(Reason.CLIPPED, f"{share} > {_AS_WHITE:.0%}")
    light = float(median(samples.linear[lightest, 1]))
    if light < MIN_LIGHT:
        return _refuse(Reason.TOO_DARK, f"lightest neutral {light:.3f} < {MIN_LIGHT}")
    return None


def _white_ends(photo: Photo, pose: CardPose, encoded: NDArray[Any]) -> NDArray[np.float64]:
    """Share of the white card that a channel (3,) shows just as light as its lightest prints.

    Some phones' whites end below the highest code: the sensor is full, and what it says is scaled
    after. There print and bare card come out as one code all over and without grain, however the
    light falls; short of it the card is lighter than any ink on it. 0 for channels that don't end.
    """
    code = photo.white // 255
    pixels = encoded[:, lightest_prints()].astype(np.float64)
    white = median(pixels.reshape(3, -1))
    flat = median((np.abs(pixels - white[:, None, None]) <= code).mean(axis=-1))
    same = (np.abs(codes_of_spots(photo, pose) - white) <= code).mean(axis=0)
    ends = (white >= PLATEAU_CODE * photo.white) & (flat > _PLATEAU_SHARE) & (same > _AS_WHITE)
    if ends.any():
        ends &= _grain(pixels) < _AS_CALM * np.maximum(*(_grain(encoded[:, g]) for g in _greys()))
    return np.where(ends, same, 0.0)


def _grain(prints: NDArray[Any]) -> NDArray[np.float64]:
    """Mean step between neighbouring pixels of the middle one of prints (3, k, n): (3,)."""
    side = round(prints.shape[-1] ** 0.5)
    square = prints.reshape(*prints.shape[:2], side, side).astype(np.float64)
    steps = [np.abs(np.diff(square, axis=axis)).mean(axis=(2, 3)) for axis in (2, 3)]
    return median(steps[0] + steps[1])


@cache
def _greys() -> list[list[int]]:
    """Which prints are of the two levels of grey below the lightest."""
    shades = [c.shade[:2] for c in layout.cells()]
    return [[i for i, shade in enumerate(shades) if shade == level] for level in ("N2", "N3")]


def _refuse(reason: Reason, detail: str) -> Refusal:
    return Refusal(reason, "sample", detail)
