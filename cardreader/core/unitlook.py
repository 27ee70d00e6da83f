"""Whether laboratory values look like those of another unit than the one they are told in."""

from __future__ import annotations

from collections.abc import Sequence
from statistics import median

from cardreader.core.units import G_DL_PER_MMOL_L

HARDLY_ABOVE_G_DL = 18.0
MEDIAN_BELOW_G_DL = 14.5
FEW_ABOVE = 0.05
LEAST_VALUES = 5


def look_smaller_by(values_g_dl: Sequence[float], factor: float) -> bool:
    """Whether values taken for g/dL look as if they had to be ``factor`` times as large.

    So multiplied they would be women's blood, in their median and but for a few of them. As they
    stand they may be that too, of women nearly all of whom are anaemic: a thing to ask about.
    """
    if len(values_g_dl) < LEAST_VALUES:
        return False
    above = sum(value * factor > HARDLY_ABOVE_G_DL for value in values_g_dl)
    few = above <= FEW_ABOVE * len(values_g_dl)
    return few and median(values_g_dl) * factor < MEDIAN_BELOW_G_DL


def look_like_mmol_l(values_g_dl: Sequence[float]) -> bool:
    """Whether values taken for g/dL look as a whole as if they were mmol/L of one haem."""
    return look_smaller_by(values_g_dl, G_DL_PER_MMOL_L)
