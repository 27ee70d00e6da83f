"""A study's colours with what the cards' signatures explain taken off."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from cardreader.hb.calibration import Calibration
from cardreader.hb.measured import Measured

Array = NDArray[np.float64]


def without_signature(measured: Measured, hb_g_dl: Array, calibration: Calibration) -> Array:
    """Log ratios (n, 3), beside fresh cards, less the shift that the signature explains at
    haemoglobin (n,).
    """
    shift, slope = calibration.signature_terms(measured.signature)
    axis = calibration.axis_at(hb_g_dl)[:, None]
    return np.asarray(measured.log_ratio - shift - axis * slope)
