"""By what a reading hangs together with others.

Two photos err together by what they share: in one sitting lamp, phone and card, which is
nearly all of it; in two only what the calibration itself leaves open of the site's blood
and of the lot's print.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cardreader.hb.posterior import Posterior

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Ties:
    """Of one photo.

    Attributes
    ----------
    signature : (s,) array
        Of its card.
    axis, z : float, (s,) array
        Where it stands, as `Posterior.between` takes it.
    gain : (3,) array
        By how many of its own standard uncertainties the reading moves with the log ratio.
    ink : float
        By how many of them the lot's unknown print moves it.
    posterior : Posterior or None
        What was not known of the site and its paper when it was read.
    """

    signature: Array
    axis: float
    z: Array
    gain: Array
    ink: float
    posterior: Posterior | None


def common_share(one: Ties, other: Ties) -> float:
    """Correlation of two readings of different sittings: what is open of site and lot.

    On two batches of paper the larger of what either says.
    """
    known = [ties.posterior for ties in (one, other) if ties.posterior is not None]
    places = (one.axis, one.z), (other.axis, other.z)
    site = [float(one.gain @ posterior.between(*places) @ other.gain) for posterior in known]
    return one.ink * other.ink + max(site, default=0.0)
