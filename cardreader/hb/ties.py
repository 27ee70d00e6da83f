"""By what a reading hangs together with others by the same calibration.

Two photos err together by what they share: in one sitting lamp, phone and card, which is
nearly all of it; in two only what the calibration itself leaves open of the site's blood
and of the lot's print.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cardreader.hb.calibration import Calibration

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Ties:
    """Of one photo.

    Attributes
    ----------
    signature : (s,) array
        Of its card.
    hb_g_dl : float
        Where the locus lies nearest to its colour.
    gain : (3,) array
        By how many of its own standard uncertainties the reading moves with the log ratio.
    ink : float
        By how many of them the lot's unknown print moves it.
    """

    signature: Array
    hb_g_dl: float
    gain: Array
    ink: float


def common_share(one: Ties, other: Ties, calibration: Calibration) -> float:
    """Correlation of two readings of different sittings: what is open of site and lot."""
    common = one.ink * other.ink
    if calibration.posterior is None:
        return common
    first, second = (_on_the_locus(ties, calibration) for ties in (one, other))
    return common + float(one.gain @ calibration.posterior.between(first, second) @ other.gain)


def _on_the_locus(ties: Ties, calibration: Calibration) -> tuple[float, Array]:
    """Where a photo stands, as `Posterior.between` takes it."""
    return float(calibration.axis_at(ties.hb_g_dl)), calibration.counted(ties.signature)
