"""Which cards are like those of a site's study: its gate for unlike ones, learnt there.

The prior's gate is about the cards of all worlds. Those of one lot lie close together, and
perhaps far from most: about their own middle a foreign card shows sooner, and a lot of odd
inks isn't refused for being odd. Both are drawn from the prior's to the study's with the
number of photos, as a normal mean and variance are (Gelman et al., Bayesian Data Analysis,
3.3), each photo weighing what it counted for in the fit.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from cardreader.calibrate.condition import SitePairs
from cardreader.hb.calibration import Calibration

Array = NDArray[np.float64]

CENTRE_PHOTOS, SCATTER_PHOTOS = 2.0, 20.0
"""Photos that the prior's middle and scatter of signatures count for. Sites lie further apart
than the photos of one, so few photos say where a site lies; how they scatter takes as many
as tell its phones and lamps. Ours."""
LEAST_SHARE = 0.5
"""Of the prior's limit: phones and lamps that the study had not move signatures as well."""


def like_the_study(calibration: Calibration, pairs: SitePairs, weight: Array) -> Calibration:
    """The calibration with its gate for unlike cards about the study's own, weights (n,)."""
    if not len(pairs) or not calibration.signature_precision.size:
        return calibration
    seen = pairs.measured.signature[:, : len(calibration.signature_mean)]
    z = (seen - calibration.signature_mean) / calibration.signature_sd
    before = calibration.signature_centre if calibration.signature_centre.size else 0.0 * z[0]
    centre = (CENTRE_PHOTOS * before + weight @ z) / (CENTRE_PHOTOS + weight.sum())
    about = replace(calibration, signature_centre=centre)
    most = calibration.max_strangeness
    distance2 = np.minimum(about.strangeness(seen), most)
    scatter = (SCATTER_PHOTOS + weight @ distance2) / (SCATTER_PHOTOS + weight.sum())
    return replace(about, max_strangeness=float(most * max(scatter, LEAST_SHARE)))
