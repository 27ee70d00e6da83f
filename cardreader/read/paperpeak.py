"""Fit of the paper's light, CardLight -> Refusal: a reflection or a shadow that lies on the paper.

Light that peaks within the bay is a reflection, unless it falls off like that over all of the
card: then the blot lies in it as the paper does, and their ratio is right. So light that bends
on the paper is judged by what it bends beyond the card's own.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from cardreader.core.refusal import Reason, Refusal
from cardreader.core.robust import RobustFit
from cardreader.read.bay import refuse
from cardreader.read.cardlight import CardLight, peak_of

Array = NDArray[np.float64]

MAX_PAPER_BUMP = 0.012
"""Ln light from the middle to the sides: a lamp 20 cm above makes 0.007, vignetting as much."""
MAX_OWN_BUMP = 0.0018
"""The same beyond what the card's own light falls off by, where the two together are more."""
MIN_FALL_OFF = MAX_PAPER_BUMP / 2
"""Ln light that the card falls off by, as far, below which it isn't what bends the paper's."""
_ONE_WAY = 0.25
"""Across it light bends less than this share of what it bends along: no round reflection."""
_DARK_TAIL = -0.5
"""Skewness of what is left over, below which dark lines and places lie on the paper."""


def peak(fit: RobustFit, card: Callable[[], CardLight]) -> Refusal | None:
    """Light that peaks within the bay is a reflection: a lamp's own falls off more slowly.

    On paper a wide weak reflection passes for brighter light; on the blot it
    is several times what the blot itself sends back. Light that bends one way alone, or is
    highest outside the bay, doesn't peak in it: that is the soft edge of a shadow. A reflection
    is smooth: where dark lines and places are left over, an edge of paper, a crease or a stain
    bent the field. The card is asked only where light on the paper bends; what falls off by one
    shape of fall-off and not by the other is refused as uneven light.
    """
    light, limit = fit.coefficients.mean(axis=1)[1:], MAX_PAPER_BUMP
    whole = peak_of(light)
    if whole <= limit:
        return None
    by_card = card()
    falls_off = by_card.is_fall_off and peak_of(by_card.over_bay) > MIN_FALL_OFF
    may_fall_off = False
    if falls_off:
        light, limit = light - by_card.over_bay, MAX_OWN_BUMP
        if peak_of(light) <= limit:
            return None
        may_fall_off = whole - by_card.peak <= limit
    is_smooth = _skewness(fit.residual.mean(axis=1)) > _DARK_TAIL
    is_peak = _is_within(light) and is_smooth and not may_fall_off
    return refuse(
        Reason.GLARE_ON_BLOT if is_peak else Reason.SHADOW_EDGE,
        f"light on the paper {'peaks' if is_peak else 'bends'} by {peak_of(light):.3f}"
        f"{' beyond the card' if falls_off else ''} > {limit}",
    )


def _is_within(light: Array) -> bool:
    """Whether light (5,) that bends is highest within the bay, and bends across as well."""
    *slope, xx, xy, yy = light
    bends, axes = np.linalg.eigh([[2 * xx, xy], [xy, 2 * yy]])
    to_peak = -(np.array(slope) @ axes[:, 0]) / bends[0]
    return bool(bends[1] <= _ONE_WAY * bends[0] and abs(to_peak) <= 1)


def _skewness(values: Array) -> float:
    """Third standardised moment of values (n,): below 0 where the tail is one of low values."""
    off = values - values.mean()
    return float((off**3).mean() / max(float((off**2).mean()) ** 1.5, 1e-12))
