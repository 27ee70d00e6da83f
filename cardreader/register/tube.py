"""Readings of the acid-haematin tube, in g/dL or percent.

20 mm3 of blood in N/10 hydrochloric acid, wait, dilute until the colour matches
the glass, read the lower meniscus. The tube's two scales agree at 24 g/dL =
160 %, so 100 % is 15 g/dL (common practice, no source).
"""

from __future__ import annotations

from enum import StrEnum

WAIT_S = 600
"""Acid haematin takes ten minutes to form; read earlier, the value is too low."""

G_DL_PER_PERCENT = 24.0 / 160.0

SD_G_DL = 0.8
"""Assumed standard deviation of one tube reading by a trained reader.

Invented for want of a local figure: the method's error is commonly put at about
10 % (from memory, no source); 0.8 g/dL is that at 8 g/dL. Each place should put
in its own."""


class TubeUnit(StrEnum):
    """Which scale of the tube was read."""

    G_DL = "g_dl"
    PERCENT = "percent"


LIMITS = {TubeUnit.G_DL: (2.0, 24.0), TubeUnit.PERCENT: (20.0, 160.0)}
"""Ends of the tube's graduations; outside them nothing can be read."""


def tube_hb_g_dl(value: float, unit: TubeUnit) -> float:
    """Haemoglobin in g/dL of a tube reading; ValueError outside the graduations."""
    low, high = LIMITS[unit]
    if not low <= value <= high:
        raise ValueError(f"a tube reads {low:g} to {high:g}")
    return value * G_DL_PER_PERCENT if unit is TubeUnit.PERCENT else value
