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

from cardreader import layout
from cardreader.card import Lot
from cardreader.cielab import XYZ_TO_SRGB
from cardreader.refusal import Reason, Refusal
from cardreader.sample import PatchSamples
from cardreader.twins import Twins

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

MAX_SPOILED = 12
"""Prints of the 72 for which a twin may stand in."""

MIN_DIFFERENCE = 0.08
"""Least difference (ln) between the prints of a shade that makes one of them suspect."""
_DIFFERENCE_SD = 4.0
_SAMPLING_SD = 0.012
_INK_SD = 0.018
"""Scatter of ink between the prints of a card, as a share: that of poor control."""

_USUAL_MISS = 0.04
_MUCH_WORSE = 2.0
"""How many times as far as its twin (or as any print may) a print must be from foretold."""
_VEIL_SD = 0.0025
"""Unevenness of stray light between two places of a card, as a share of white."""
_ALIKE = 0.6
"""Taken alike from all channels: the least change is at least this part of the most."""
_ONE_SIDE = 0.5
"""Of the darker prints' distances from the middle, what is left when they are added as
vectors: 1 if all lie one way, 0 if they lie all round."""

_EPSILON = 1e-4
_OFF_CENTRE: Array = np.array([(c.x_mm, c.y_mm) for c in layout.cells()[0::2]]) - layout.CENTRE_MM


def suspect_pairs(twins: Twins, lot: Lot) -> Mask:
    """Pairs (36,) whose prints differ by more than print error lets them.

    Ink's scatter counts by how much ink there is, and a veil that is not quite even
    counts most where there is least light: dark shades may differ by more.
    """
    light = np.maximum(lot.xyz @ XYZ_TO_SRGB.T, _EPSILON).reshape(36, 2, 3).mean(axis=1)
    ink = np.hypot(_SAMPLING_SD, _INK_SD * np.log(light))
    sd = np.sqrt(2.0) * np.hypot(ink, _VEIL_SD / light)
    limit = np.maximum(MIN_DIFFERENCE, _DIFFERENCE_SD * sd)
    return np.asarray((np.abs(twins.log_ratio) > limit).any(axis=1), bool)


def spoiled_prints(miss: Array, suspect: Mask) -> Mask:
    """The spoiled print (72,) of each suspect pair (36,), by how far (72,) each is from foretold.

    Where both miss by much the same, neither is: light that isn't quite smooth makes
    one too bright and the other too dark, and their mean is right.
    """
    first, second = np.maximum(miss.reshape(36, 2), _USUAL_MISS).T
    worse = np.stack([first > _MUCH_WORSE * second, second > _MUCH_WORSE * first], axis=1)
    return (worse & suspect[:, None]).ravel()


def mended(samples: PatchSamples, spoiled: Mask, twins: Twins) -> PatchSamples:
    """The samples with each spoiled print replaced by its twin in the light of its own place."""
    other = np.arange(72) ^ 1
    gradient = np.empty((72, 3))
    gradient[0::2], gradient[1::2] = twins.gradient, -twins.gradient
    rows = spoiled[:, None]
    return replace(
        samples,
        linear=np.where(rows, samples.linear[other] * np.exp(gradient), samples.linear),
        standard_error=np.where(rows, samples.standard_error[other], samples.standard_error),
        spread=np.where(rows, samples.spread[other], samples.spread),
        clipped_share=np.where(spoiled, samples.clipped_share[other], samples.clipped_share),
        spoiled=spoiled,
    )


def too_many(twins: Twins, suspect: Mask) -> Refusal:
    """Refusal that says what lies on so many prints."""
    detail = f"{suspect.sum()} prints differ from their twins > {MAX_SPOILED}"
    # A gradient fitted to the edge of a shadow has part of the shadow in it.
    whole = (twins.log_ratio + twins.gradient)[suspect]
    return Refusal(_cause(whole, _OFF_CENTRE[suspect]), "correct", detail)


def _cause(log_ratio: Array, off_centre: Array) -> Reason:
    """What makes the pairs (n, 3) differ; ``off_centre`` (n, 2) is where their first print lies.

    Shadow and dirt take the same share of every colour, while light added changes
    dark colours most; a shadow takes it on one side of the card, dirt here and there.
    """
    change = np.abs(log_ratio)
    alike = change.min(axis=1) > _ALIKE * change.max(axis=1)
    if 2 * alike.sum() < len(alike):
        return Reason.GLARE_ON_PATCHES
    darker = -np.sign(log_ratio.mean(axis=1))[:, None] * off_centre
    together = np.linalg.norm(darker.sum(axis=0)) / np.linalg.norm(darker, axis=1).sum()
    return Reason.SHADOW_EDGE if together > _ONE_SIDE else Reason.CARD_SOILED
