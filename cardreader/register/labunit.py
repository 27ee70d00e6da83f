"""Units that laboratories write haemoglobin in, and what a value in one comes to."""

from __future__ import annotations

from enum import StrEnum
from math import ceil, floor

from sqlalchemy import select
from sqlalchemy.orm import Session

from cardreader.core.unitlook import look_like_mmol_l
from cardreader.core.units import G_DL_PER_MMOL_L, G_L_PER_G_DL
from cardreader.register.kinds import Source
from cardreader.register.models import Reading
from cardreader.register.recording import LAB_LIMITS_G_DL

NEWEST = 40
"""Results of one method that are looked at for their unit."""


class LabUnit(StrEnum):
    """The unit on a laboratory's slip; mmol/L are of one haem."""

    G_DL = "g_dl"
    G_L = "g_l"
    MMOL_L = "mmol_l"


_G_DL_PER = {
    LabUnit.G_DL: 1.0,
    LabUnit.G_L: 1 / G_L_PER_G_DL,
    LabUnit.MMOL_L: G_DL_PER_MMOL_L,
}


def _limits(unit: LabUnit) -> tuple[float, float]:
    low, high = LAB_LIMITS_G_DL
    per = _G_DL_PER[unit]
    return ceil(100 * low / per) / 100, floor(100 * high / per) / 100


LIMITS = {unit: _limits(unit) for unit in LabUnit}
"""Lowest and highest value that is taken, in each unit: those of `LAB_LIMITS_G_DL`."""


def lab_hb_g_dl(value: float, unit: LabUnit) -> float:
    """Haemoglobin in g/dL of a laboratory value; ValueError outside the limits."""
    low, high = LIMITS[unit]
    if not low <= value <= high:
        raise ValueError(f"a laboratory result lies within {low:g} to {high:g}")
    return value if unit is LabUnit.G_DL else round(value * _G_DL_PER[unit], 3)


def method_looks_like_mmol_l(session: Session, method: str) -> bool:
    """Whether a method's newest results, taken for g/dL, look as a whole like mmol/L."""
    newest = (
        select(Reading.hb_g_dl)
        .where(
            Reading.source == Source.LAB.value,
            Reading.method == method,
            Reading.set_aside_at.is_(None),
            Reading.hb_g_dl.is_not(None),
        )
        .order_by(Reading.taken_at.desc(), Reading.id)
        .limit(NEWEST)
    )
    return look_like_mmol_l([hb for hb in session.scalars(newest) if hb is not None])
