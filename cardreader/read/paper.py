"""Blank paper round the blot -> PaperLight: the light on it, carried under the blot."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

from cardreader.card import layout
from cardreader.core.order import median
from cardreader.core.refusal import Reason, Refusal
from cardreader.core.robust import (
    LARGEST,
    half_central_spread,
    huber,
    reweighted_fit,
)
from cardreader.read.bay import (
    SIDE_MM,
    TILE_PX,
    TILES,
    refuse,
    tile_means,
    widened,
)
from cardreader.read.cardlight import CardLight
from cardreader.read.paperpeak import peak

MAX_PAPER_RESIDUAL = 0.035
MAX_PAPER_MARKS = 0.06
_MARK = 0.08
"""Difference of ln red and ln green from the paper's, or darkness, that counts as a mark."""
_WIDE_TILES = 5
"""Dark places this wide, 4 mm, both ways are no stroke of a pen and no hair."""
_INK = 0.35
"""Ln darkness of the middle mark, beyond which marks are ink and no rim of a shadow."""
_BRIGHTER = 0.75
"""Of the squares of what is left over, in places brighter than the field: a reflection."""
_ANY_DARK = 0.02
"""Share of dark tiles beside bright ones that a reflection doesn't leave."""
MAX_TILE_CLIPPED = 0.3
MIN_BLANK = 0.2
MIN_BLANK_UNCLIPPED = 0.1
"""Shares of the bay without which the light on the paper isn't known all around the blot."""

_KNEE = 3.75
"""Tiles further off the smooth field than this many standard deviations lose weight."""
_LEAST_SD = 0.0016
"""Scatter of tiles, ln light, below which none is called off."""


@dataclass(frozen=True)
class PaperLight:
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
    return np.stack(_each_term(xy[..., 0], xy[..., 1]), axis=-1)


def _each_term(x: NDArray[np.float64], y: NDArray[np.float64]) -> tuple[NDArray[np.float64], ...]:
    return np.ones_like(x), x, y, x * x, x * y, y * y


@cache
def _tile_terms() -> NDArray[np.float64]:
    t = (np.arange(TILES) + 0.5) / TILES * 2 - 1
    return _terms(np.stack(np.meshgrid(t, t), axis=-1)).reshape(-1, 6)


@cache
def _pixel_terms() -> NDArray[np.float32]:
    t = (np.arange(TILES * TILE_PX) + 0.5) / (TILES * TILE_PX) * 2 - 1
    terms = np.empty((len(t), len(t), 6), np.float32)
    # Into its place without the copies in double precision that `_terms` would make.
    for k, term in enumerate(_each_term(t[None], t[:, None])):
        terms[..., k] = term
    return terms.reshape(-1, 6)


def fit_paper(
    log_light: NDArray[np.float32],
    rough: NDArray[np.bool_],
    clipped: NDArray[np.bool_],
    card: Callable[[], CardLight],
) -> PaperLight | Refusal:
    """Fit the light field to tiles of blank paper and look at what it leaves over.

    ``card`` is asked for the card's own light where that on the paper bends.
    """
    blank = tile_means(widened(rough).astype(np.float32)) == 0
    if blank.mean() < MIN_BLANK:
        return refuse(
            Reason.BLOT_TOUCHES_BORDER, f"only {blank.mean():.0%} of the bay is blank paper"
        )
    blank &= tile_means(clipped.astype(np.float32)) <= MAX_TILE_CLIPPED
    if blank.mean() < MIN_BLANK_UNCLIPPED:
        return refuse(
            Reason.CLIPPED, f"only {blank.mean():.0%} of the bay is paper that isn't clipped"
        )
    tiles = tile_means(log_light)[blank]
    terms = _tile_terms()[blank]
    fit = reweighted_fit(terms, tiles, huber(_KNEE), LARGEST, least_sd=_LEAST_SD)
    for refusal in (_stained_or_shaded(fit.residual, blank), peak(fit, card)):
        if refusal is not None:
            return refusal
    degrees = max(len(tiles) - terms.shape[1], 1)
    return PaperLight(
        field=(_pixel_terms() @ fit.coefficients.astype(np.float32)).reshape(log_light.shape),
        coefficients=fit.coefficients,
        unscaled=np.linalg.inv((terms * fit.weight[:, None]).T @ terms),
        tile_covariance=(fit.residual * fit.weight[:, None]).T @ fit.residual / degrees,
        residual=half_central_spread(fit.residual.mean(axis=1)),
    )


def _stained_or_shaded(rest: NDArray[np.float64], blank: NDArray[np.bool_]) -> Refusal | None:
    """Blank paper in even light leaves nothing but noise about a smooth field.

    ``rest`` (k, 3) is what tiles of blank paper leave over, ``blank`` (TILES**2,) which
    tiles those are. A splash, a hair or a stroke of a pen is no unevenness of light, and
    the fit lets go of it: where there is little of it the rest of the paper says the light.
    """
    grey = rest.mean(axis=1)
    coloured = np.abs(rest[:, 0] - rest[:, 1]) > _MARK
    marks = coloured | _thin(grey < -_MARK, blank)
    off = float(np.sqrt((grey[~marks] ** 2).mean())) if not marks.all() else 0.0
    if coloured.mean() > MAX_PAPER_MARKS:
        return _stained(coloured)
    if off <= MAX_PAPER_RESIDUAL:
        return _stained(marks) if marks.mean() > MAX_PAPER_MARKS else None
    if marks.mean() > MAX_PAPER_MARKS and median(grey[marks]) < -_INK:
        return _stained(marks)  # so much ink draws the field down, and bare paper is left over
    is_shine = (grey < -_MARK).mean() < _ANY_DARK and _is_brighter(grey)
    return refuse(
        Reason.GLARE_ON_PATCHES if is_shine else Reason.SHADOW_EDGE,
        f"light on the paper uneven by {off:.3f} > {MAX_PAPER_RESIDUAL}",
    )


def _is_brighter(grey: NDArray[np.float64]) -> bool:
    """Whether what is left over (k,) is bright places: a reflection, no shadow and no crease."""
    return float((grey[grey > 0] ** 2).sum()) > _BRIGHTER * float((grey**2).sum())


def _stained(marks: NDArray[np.bool_]) -> Refusal:
    share = float(marks.mean())
    return refuse(
        Reason.PAPER_NOT_BLANK, f"{share:.0%} of the paper is stained > {MAX_PAPER_MARKS:.0%}"
    )


def _thin(dark: NDArray[np.bool_], blank: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Which of the dark tiles (k,) belong to nothing as wide as a shadow is."""
    tiles = np.zeros(TILES**2, np.uint8)
    tiles[blank] = dark
    wide = cv2.morphologyEx(
        tiles.reshape(TILES, TILES), cv2.MORPH_OPEN, np.ones((_WIDE_TILES, _WIDE_TILES), np.uint8)
    )
    return np.asarray(dark & (np.asarray(wide).reshape(-1)[blank] == 0), dtype=np.bool_)
