"""Beyond a site's pairs: how much less is believed of its locus, the further it is from them.

The prior's worlds say how a locus goes on where no pair lies, and a site of another make
goes on otherwise. So beyond the lowest and the highest pair a standard uncertainty along the
locus, in proportion to the distance, is added to the scatter of photos.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from cardreader.calibrate.condition import UNLIKE_WEIGHT
from cardreader.hb.calibration import Calibration

Array = NDArray[np.float64]

BEYOND_SD = 0.1
"""Standard uncertainty in g/dL for each g/dL beyond the pairs.

Ours. On six sites of other makes, with other women and phones than those it was chosen by
(seeds 31337104 and 31337105), 90 % intervals of 5 and 20 pairs held 92 and 94 % of the values
above 11 g/dL where the pairs ended at 9, and 97 and 99 % of those below 7 where they began
there; without it 90 and 93, 86 and 94 %. Where pairs lie all over the range, five of them give
intervals wider by 0.1 g/dL, 40 by nothing.
"""


def less_sure_beyond(calibration: Calibration, lab_g_dl: Array, weight: Array) -> Calibration:
    """The calibration, wider outside the laboratory values (n,) that taught it, and knowing
    between which they lie.

    ``weight`` (n,) is what each counted for, 1 at most. One unlike the others does not reach:
    one value of another woman must not vouch for a range that no blot was in.
    """
    reached = lab_g_dl[weight >= UNLIKE_WEIGHT]
    if not reached.size:
        return calibration
    knots = calibration.knots_hb_g_dl
    beyond = np.maximum(np.maximum(reached.min() - knots, knots - reached.max()), 0.0)
    slope = np.gradient(calibration.locus, knots, axis=0)
    moved = BEYOND_SD * beyond[:, None] * slope
    wider = calibration.covariance + moved[:, :, None] * moved[:, None, :]
    ends = np.array([reached.min(), reached.max()])
    return replace(calibration, covariance=wider, taught_g_dl=ends)
