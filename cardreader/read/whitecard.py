"""Photo, CardPose, Refusal -> Refusal: why the colours failed, by what print alone can't tell.

Between the prints the card is white: a shadow runs over print and white alike and takes about
the same share of every channel, a little less of blue where the sky still lights it. Light of
another lamp leaves some channel what it was. Dirt, dust, fingers, blood and ink are coloured and
take of all. A reflection adds as much to a shade's dark channels as to its bright ones. Blotting
paper that slid makes some dark greys beside the bay as white as itself and leaves the rest alone;
paper that is creased has light of its own. Grain is not dirt.

Only the reason is set here, never whether a photo is refused.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from cardreader.card import layout
from cardreader.card.layout import Kind
from cardreader.card.lot import Lot
from cardreader.core.order import median, quantile
from cardreader.core.refusal import Reason, Refusal
from cardreader.core.robust import median_sd
from cardreader.read.cardlight import (
    field_terms,
    fitted,
    log_light_of_spots,
    smooth_light,
)
from cardreader.read.locate import CardPose
from cardreader.read.photo import Photo
from cardreader.read.sample import PatchSamples, lightest_prints, linear_pixels
from cardreader.read.spoiled import light_added, suspect_pairs
from cardreader.read.twins import compare_twins
from cardreader.read.whitespots import spots_mm

Array = NDArray[np.float64]

DARKER = 0.08
"""Ln light below the lighter spots that counts as darkened."""
MIN_DARKENED = 0.08
"""Share of the white spots that must be, for them to say anything."""
MIN_BROWN = 0.25
"""By how much more of blue than of red is lost, as a share of the loss, where it is dirt."""
MIN_COLOURED = 0.5
"""The same of any two channels; light of the sky may make a shadow nearly as blue."""
MIN_IN_ROWS = 0.5
"""Share of the unevenness that lies along the picture's rows or columns, in a lamp's bands."""
MIN_BANDED = 0.3
"""Share of the spots that bands darken; one thing on the card darkens fewer."""
_SPARED = 0.25
"""Loss of the channel that loses least, as a share of the mean loss, below which light of
another colour is the cause."""
_THICK = 0.5
"""Mean loss, ln light, beyond which it is a finger or ink all the same."""
MAX_UNEVEN = 0.02
"""Ln light over the card beyond which uneven light on the paper is a shadow's, too."""
SHADED = 0.04
"""The same beyond which colours that don't come out are a thin shadow's work, and beyond which
light on a card darkened in part doesn't just fall off."""
FALLS_OFF = 0.02
"""Ln light from the middle of the bay to its sides, by the card's white, beyond which light that
peaks on the paper is told as light that falls off."""
BRIGHTER = 0.03
"""Ln light that the brightest spot must lie above the middle one where light is added."""
MIN_ADDED_PAIRS = 3
"""Pairs of prints that must differ for added light to be told from them."""
LIKE_PAPER = -0.3
"""Ln light of a dark grey's lightest tenth over the lightest grey, in its darkest channel."""
MIN_UNDER_PAPER = 2
"""Dark greys with a part as light as paper that make it paper."""
_UNCOVERED = 0.4
"""Ln light that a grey under paper lies above the darkest print of the same grey."""
_PRINTS_OF_A_LEVEL = 4
MAX_CHROMATIC_UNDER_PAPER = 2
"""Outermost pairs of prints that may differ then: paper doesn't reach them."""
MAX_GRAIN = 0.07
"""Scatter of ln(red/green) within a light print: beyond it the picture is grain."""
MOST_GRAIN = 0.1
"""The same beyond which a shadow, a reflection or an uneven blot may be grain, too: photos that
show one keep within 0.05, and with less grain than this nine in ten are read."""

_LIGHTER = 0.75
"""Quantile of the spots whose light is taken as undarkened."""
_STRIPS = 14
_LIGHTEST_TENTH = 0.9

_DARK_GREYS = [i for i, c in enumerate(layout.cells()) if c.shade[:2] in ("N3", "N4", "N5")]
_BY_LEVEL = np.argsort([layout.cells()[i].shade[:2] for i in _DARK_GREYS], kind="stable")
"""Order of `_DARK_GREYS` in which the four prints of a level follow each other."""
_CHROMATIC = layout.shades_of_kind(Kind.CHROMATIC)

_OF_COLOURS = frozenset(
    {
        Reason.CARD_SOILED,
        Reason.SHADOW_EDGE,
        Reason.GLARE_ON_PATCHES,
        Reason.COLOUR_NOT_CORRECTABLE,
    }
)
_OF_PAPER = frozenset(
    {
        Reason.SHADOW_EDGE,
        Reason.GLARE_ON_PATCHES,
        Reason.GLARE_ON_BLOT,
        Reason.BLOT_UNEVEN,
        Reason.PAPER_NOT_BLANK,
    }
)
"""Reasons that may have another cause than the one that prints, or paper and blot, suggest."""


@dataclass(frozen=True)
class White:
    """What lies over the white of the card, against a plane of light.

    ``darkened`` is the share of its spots that are darker, ``broken`` the share that are darker
    than a field that bends, as no smooth fall-off leaves any; ``by_channel`` (3,) what each
    channel loses there as a share of the mean loss, ones where none is, and ``loss`` that
    mean at the middle one of these spots, ln light. ``brightest`` is how
    far the brightest spot lies above the middle one, and ``unevenness`` what a field that
    bends leaves between the darkest and the brightest tenth, ln light. ``in_rows`` is the share
    of what the plane leaves that is one along a row, or a column, of the picture, and ``peak``
    what that field makes of light that peaks within the bay, as `CardLight.peak`.
    """

    darkened: float
    broken: float
    by_channel: Array
    loss: float
    brightest: float
    unevenness: float
    in_rows: float
    peak: float

    @property
    def is_darkened(self) -> bool:
        """Whether enough of the card is darkened to speak of it."""
        return self.darkened >= MIN_DARKENED

    @property
    def is_shadowed(self) -> bool:
        """Whether a shadow darkens it: lamps and lenses make light fall off towards the corners,
        which darkens as much of the card and has no edge.
        """
        return self.broken >= MIN_DARKENED or (self.is_darkened and self.unevenness > SHADED)

    @property
    def is_coloured(self) -> bool:
        """Whether what darkens it takes more of one channel than a shadow does."""
        red, _, blue = self.by_channel
        coloured = blue - red > MIN_BROWN or np.ptp(self.by_channel) > MIN_COLOURED
        dirt = coloured and self.is_darkened and not self.is_lit_otherwise
        return bool(dirt) and not self.is_banded

    @property
    def is_lit_otherwise(self) -> bool:
        """Whether another lamp's light lies over part of the card: not much of it is lost, and
        nothing of some channel, where dirt takes of all.
        """
        spared = bool(self.by_channel.min() < _SPARED)
        return spared and self.is_darkened and self.loss < _THICK

    @property
    def is_banded(self) -> bool:
        """Whether it lies in bands as a pulsing lamp leaves them, in each channel others."""
        return self.in_rows > MIN_IN_ROWS and self.darkened > MIN_BANDED


def why_no_colours(
    refusal: Refusal, photo: Photo, pose: CardPose, samples: PatchSamples, lot: Lot
) -> Refusal:
    """The refusal of a card's colours, with the reason that white, greys and grain give."""
    if refusal.reason not in _OF_COLOURS:
        return refusal
    reason = _of_colours(refusal.reason, photo, pose, samples, lot)
    return replace(refusal, reason=reason)


def _of_colours(
    reason: Reason, photo: Photo, pose: CardPose, samples: PatchSamples, lot: Lot
) -> Reason:
    pixels = linear_pixels(photo, pose)
    if grain(pixels) > MAX_GRAIN:
        return Reason.TOO_DARK
    white = what_white_shows(photo, pose)
    if white.is_coloured:
        return Reason.CARD_SOILED
    suspect = suspect_pairs(compare_twins(samples.linear), lot)
    if not white.is_shadowed and _is_under_paper(pixels, suspect):
        return Reason.PAPER_OUT_OF_PLACE
    if white.is_lit_otherwise:
        return Reason.SHADOW_EDGE  # where it falls it adds to some channels, as a reflection does
    if _is_added(samples, suspect):
        if white.brightest > BRIGHTER:
            return Reason.GLARE_ON_PATCHES
        # Other ink than the lot's, and no light, where the white has no more of it.
        return Reason.COLOUR_NOT_CORRECTABLE if reason is Reason.GLARE_ON_PATCHES else reason
    thin = reason is Reason.COLOUR_NOT_CORRECTABLE and white.unevenness > SHADED
    return Reason.SHADOW_EDGE if white.is_shadowed or thin else reason


def why_no_blot(
    refusal: Refusal, photo: Photo, pose: CardPose, samples: PatchSamples, lot: Lot
) -> Refusal:
    """The refusal of a blot or its paper, with the reason that the card around them gives.

    A shadow is seen on the card, too; paper that is lit unevenly on an evenly lit card
    doesn't lie flat.
    """
    if refusal.reason not in _OF_PAPER:
        return refusal
    reason = _of_paper(refusal.reason, photo, pose, samples, lot)
    return replace(refusal, reason=reason)


def _of_paper(
    reason: Reason, photo: Photo, pose: CardPose, samples: PatchSamples, lot: Lot
) -> Reason:
    pixels = linear_pixels(photo, pose)
    if grain(pixels) > (MAX_GRAIN if reason is Reason.PAPER_NOT_BLANK else MOST_GRAIN):
        return Reason.TOO_DARK
    white = what_white_shows(photo, pose)
    is_shadow = reason is Reason.SHADOW_EDGE
    if white.is_coloured:
        return Reason.CARD_SOILED if is_shadow else reason
    suspect = suspect_pairs(compare_twins(samples.linear), lot)
    is_added = not white.is_lit_otherwise and _is_added(samples, suspect)
    if is_added and white.brightest > BRIGHTER:
        return Reason.GLARE_ON_PATCHES if is_shadow else reason
    # Light that falls off too far over all of the card peaks in the bay as a reflection does.
    falls_off = reason is Reason.GLARE_ON_BLOT and white.peak > FALLS_OFF
    # The light on the paper may be uneven by as little as light that falls off over the card.
    uneven = white.is_darkened or white.unevenness > MAX_UNEVEN
    if white.is_shadowed or falls_off or (is_shadow and uneven):
        return Reason.SHADOW_EDGE
    if reason is Reason.PAPER_NOT_BLANK:
        return reason
    return Reason.PAPER_OUT_OF_PLACE if is_shadow or _is_under_paper(pixels, suspect) else reason


def what_white_shows(photo: Photo, pose: CardPose) -> White:
    """What lies over the white spots of `whitespots.spots_mm`."""
    log_light = log_light_of_spots(photo, pose)
    rest = fitted(field_terms()[:, :3], log_light).residual
    grey = rest.mean(axis=1)
    smooth = smooth_light(log_light)
    lighter = grey >= quantile(np.sort(grey), _LIGHTER)
    loss = median(rest[lighter].T) - rest
    dark = loss.mean(axis=1) > DARKER
    by_channel, lost = np.ones(3), 0.0
    if dark.any():
        lost = float(median(loss[dark].mean(axis=1)))
        by_channel = median((loss[dark] / loss[dark].mean(axis=1, keepdims=True)).T)
    return White(
        darkened=float(dark.mean()),
        broken=float((quantile(np.sort(smooth.rest), _LIGHTER) - smooth.rest > DARKER).mean()),
        by_channel=by_channel,
        loss=lost,
        brightest=float(grey.max() - median(grey)),
        unevenness=smooth.unevenness,
        peak=smooth.peak,
        in_rows=max(_explained(grey, along) for along in pose.to_px(spots_mm()).T),
    )


def _explained(grey: Array, along: Array) -> float:
    """Share of the squares of values (n,) that their places (n,) along a line explain."""
    strips = np.array_split(grey[np.argsort(along)], _STRIPS)
    left = sum(((strip - median(strip)) ** 2).sum() for strip in strips)
    return float(1 - left / max(((grey - median(grey)) ** 2).sum(), 1e-9))


def grain(pixels: Array) -> float:
    """Scatter of ln(red/green) within the lightest prints, of linear pixels (3, 72, n)."""
    red, green, _ = np.log(np.maximum(pixels[:, lightest_prints()], 1e-4))
    ratio = red - green
    off = ratio - median(ratio)[:, None]
    return float(median(median_sd(off, axis=1).ravel()))


def _is_added(samples: PatchSamples, suspect: NDArray[np.bool_]) -> bool:
    enough = int(suspect.sum()) >= MIN_ADDED_PAIRS
    return enough and light_added(layout.by_shade(samples.linear)[suspect])


def _is_under_paper(pixels: Array, suspect: NDArray[np.bool_]) -> bool:
    """Whether paper covers part of the greys beside the bay, and nothing the outer prints."""
    if suspect[_CHROMATIC].sum() > MAX_CHROMATIC_UNDER_PAPER:
        return False
    lightest = quantile(np.sort(pixels[:, _DARK_GREYS], axis=-1), _LIGHTEST_TENTH)
    white = median(median(pixels[:, lightest_prints()]))
    rel = np.log(np.maximum(lightest, 1e-4) / np.maximum(white, 1e-4)[:, None]).min(axis=0)
    by_level = rel[_BY_LEVEL].reshape(-1, _PRINTS_OF_A_LEVEL)
    # Of a grey that is much the same in all its places the copy's contrast made it white.
    some = np.ptp(by_level, axis=1, keepdims=True) > _UNCOVERED
    return int((some & (by_level > LIKE_PAPER)).sum()) >= MIN_UNDER_PAPER
