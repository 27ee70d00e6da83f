"""The drift watch fed from the register: confirmations into control charts."""

from __future__ import annotations

from math import hypot
from typing import TYPE_CHECKING

from cardreader.register.confirmations import Confirmation

if TYPE_CHECKING:
    from cardreader.calibrate import drift

LAB_SD_G_DL = 0.3
"""Assumed standard deviation of one laboratory result (invented; put in the local figure)."""

LEAST_SD_G_DL = 0.1
"""A reading without a stated error would weigh without limit."""


def charts(pairs: list[Confirmation]) -> tuple[drift.Chart, ...]:
    """Control charts of every lot and phone; those that raise an alarm first."""
    from cardreader.calibrate import drift  # statistics that no other page needs

    return drift.watch(
        [
            drift.Confirmation(
                on=pair.confirmed_on,
                lot=pair.lot_id or "-",
                phone=pair.phone or "-",
                hb_g_dl=pair.hb_g_dl,
                lab_g_dl=pair.lab_g_dl,
                sd_g_dl=hypot(max(pair.sd_g_dl or 0.0, LEAST_SD_G_DL), LAB_SD_G_DL),
            )
            for pair in pairs
        ]
    )
