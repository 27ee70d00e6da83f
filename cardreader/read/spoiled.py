"""Which prints of a card are spoiled by dirt, a drop or a reflection, and what stands in for them.

Every shade is printed twice, mirrored about the bay. Where the two of a pair differ
by more than print error and the light's gradient let them, one is spoiled. Which
one, the rest of the card says: a correction fitted without all such pairs foretells
both, and the one further off is spoiled. It is taken to look as its twin does, in
the light of its own place. A few are no harm; many mean that more is wrong.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from cardreader.card import layout
from cardreader.card.layout import Kind
from cardreader.card.lot import Lot
from cardreader.colour.cielab import XYZ_TO_SRGB
from cardreader.core.order import median
from cardreader.core.refusal import Reason, Refusal
from cardreader.read.sample import PatchSamples
from cardreader.read.twins import Twins

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

MAX_SUSPECT_PAIRS = 12
"""Pairs of the 36 that may differ: beyond it more is wrong than some spoiled prints."""
MAX_SUSPECT_NEUTRALS = 4
"""Of the ten neutral pairs: the others must still say what the light and the phone do."""
MAX_BOTH_MISS = 0.25
"""How far (ln) from foretold the better of two prints may be and still stand in."""

MIN_DIFFERENCE = 0.08
"""Least difference (ln) between the prints of a shade that makes one of them suspect."""
_MOST_LOST = 3
_DIFFERENCE_SD = 4.0
_SAMPLING_SD = 0.012
_INK_SD = 0.018
"""Scatter of ink between the prints of a card, as a share: that of poor control."""

_USUAL_MISS = 0.04
_MUCH_WORSE = 2.0
"""How many times as far as its twin (or as any print may) a print must be from foretold."""
_VEIL_SD = 0.0025
"""Unevenness of stray light between two places of a card, as a share of white."""
_COLOURED = 2.0
"""Ratio of a shade's brightest channel to its darkest from which added light can be told."""
_AS_MUCH = 0.5
"""Least change of the darkest channel, as a share of the brightest's, that is light added."""
_ONE_SIDE = 0.5
"""Of the darker prints' distances from the middle, what is left when they are added as
vectors: 1 if all lie one way, 0 if they lie all round."""

_EPSILON = 1e-4
_NEUTRAL = layout.shades_of_kind(Kind.NEUTRAL)
_CHROMATIC = layout.shades_of_kind(Kind.CHROMATIC)
_OFF_CENTRE: Array = layout.by_shade(layout.centres_mm())[:, 0] - layout.CENTRE_MM


def suspect_pairs(twins: Twins, lot: Lot) -> Mask:
    """Pairs (36,) whose prints differ by more than print error lets them.

    Ink's scatter counts by how much ink there is, and a veil that is not quite even
    counts most where there is least light: dark shades may differ by more.
    """
    light = _light(lot)
    ink = np.hypot(_SAMPLING_SD, _INK_SD * np.log(light))
    sd = np.sqrt(2.0) * np.hypot(ink, _VEIL_SD / light)
    limit = np.maximum(MIN_DIFFERENCE, _DIFFERENCE_SD * sd)
    return np.asarray((np.abs(twins.log_ratio) > limit).any(axis=1), bool)


def _light(lot: Lot) -> Array:
    """Linear RGB of each shade, (36, 3), about as a camera sees it."""
    light = np.maximum(lot.xyz @ XYZ_TO_SRGB.T, _EPSILON)
    return np.asarray(layout.by_shade(light).mean(axis=1))


def spoiled_prints(miss: Array, suspect: Mask) -> Mask | Refusal:
    """The spoiled print (72,) of each suspect pair (36,), by how far (72,) each is from foretold.

    Where both miss by much the same, neither is: light that isn't quite smooth makes
    one too bright and the other too dark, and their mean is right. Where both miss by
    far nothing stands in: CARD_SOILED, unless so many do that it is another card.
    Chromatic prints are excepted: lamps and phones alone put them that far off.
    """
    pairs = layout.by_shade(miss)
    both = suspect & ~_CHROMATIC & (pairs.min(axis=1) > MAX_BOTH_MISS)
    if 0 < both.sum() <= _MOST_LOST:
        name = layout.cells()[2 * int(both.argmax())].shade
        return Refusal(Reason.CARD_SOILED, "correct", f"both prints of {name} are spoiled")
    first, second = np.maximum(pairs, _USUAL_MISS).T
    worse = np.stack([first > _MUCH_WORSE * second, second > _MUCH_WORSE * first], axis=1)
    return np.asarray((worse & suspect[:, None]).ravel(), bool)


def too_many(suspect: Mask) -> bool:
    """Whether so many pairs (36,) differ that no correction foretells the rest."""
    neutrals = int(suspect[_NEUTRAL].sum())
    return bool(suspect.sum() > MAX_SUSPECT_PAIRS or neutrals > MAX_SUSPECT_NEUTRALS)


def mended(samples: PatchSamples, spoiled: Mask, twins: Twins) -> PatchSamples:
    """The samples with each spoiled print replaced by its twin in the light of its own place."""
    other = np.arange(layout.N_PATCHES) ^ 1
    gradient = np.empty((layout.N_PATCHES, 3))
    gradient[0::2], gradient[1::2] = twins.gradient, -twins.gradient
    rows = spoiled[:, None]
    return replace(
        samples,
        linear=np.where(rows, samples.linear[other] * np.exp(gradient), samples.linear),
        clipped_share=np.where(spoiled, samples.clipped_share[other], samples.clipped_share),
        spoiled=spoiled,
    )


def what_lies_on_them(linear: Array, twins: Twins, suspect: Mask) -> Refusal:
    """Refusal that says why so many prints differ; ``linear`` (72, 3) is what was sampled."""
    # A gradient fitted to the edge of a shadow has part of the shadow in it.
    whole = (twins.log_ratio + twins.gradient)[suspect]
    if light_added(layout.by_shade(linear)[suspect]):
        cause = Reason.GLARE_ON_PATCHES
    elif _on_one_side(whole, _OFF_CENTRE[suspect]):
        cause = Reason.SHADOW_EDGE
    else:
        cause = Reason.CARD_SOILED
    n, neutrals = int(suspect.sum()), int(suspect[_NEUTRAL].sum())
    return Refusal(
        cause,
        "correct",
        f"{n} pairs of prints differ (limit {MAX_SUSPECT_PAIRS}), {neutrals} of them grey "
        f"(limit {MAX_SUSPECT_NEUTRALS})",
    )


def light_added(linear: Array) -> bool:
    """Whether pairs (n, 2, 3) differ by light added, as much in a shade's dark channels as in
    its bright ones. Shadow and dirt take a share, which is little where there is little.
    """
    light, change = linear.mean(axis=1), np.abs(np.diff(linear, axis=1))[:, 0]
    rows, dark, bright = np.arange(len(light)), light.argmin(axis=1), light.argmax(axis=1)
    coloured = light[rows, bright] > _COLOURED * light[rows, dark]
    if not coloured.any():
        return False
    in_the_dark = change[rows, dark] / np.maximum(change[rows, bright], _EPSILON)
    return float(median(in_the_dark[coloured])) > _AS_MUCH


def _on_one_side(log_ratio: Array, off_centre: Array) -> bool:
    """Whether the darker prints of the pairs (n, 3) lie together, as in a shadow.

    Darker in what the pairs differ by most: in a shadow that is all channels, in light of
    another colour some, of which others may have more. ``off_centre`` (n, 2) is where the first
    print of each lies.
    """
    mostly = np.linalg.svd(log_ratio, full_matrices=False)[2][0]
    darker = -np.sign(log_ratio @ mostly)[:, None] * off_centre
    together = np.linalg.norm(darker.sum(axis=0)) / np.linalg.norm(darker, axis=1).sum()
    return float(together) > _ONE_SIDE
