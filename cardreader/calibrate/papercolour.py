"""What colour a study's blotting paper has, batch by batch, and which paper is another.

Of a paper nothing is known beforehand, so each batch lies about the mean of its own photos. How
one paper scatters, between phones, lamps and sheets, is drawn from what it does in simulated
sites to what it does in the study, as a normal covariance is (Gelman et al., Bayesian Data
Analysis, 3.6); a next photo's squared distance then goes as a multiple of F, as Hotelling's T2
(1931) does.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from cardreader.calibrate.condition import UNLIKE_WEIGHT, SitePairs
from cardreader.calibrate.papers import Slots
from cardreader.hb.measured import PAPER_AT
from cardreader.hb.seenpapers import SeenPapers

Array = NDArray[np.float64]

USUAL_SD: Array = np.array([0.005, 0.015, 0.015])
"""Scatter of one paper's X/Y, Y and Z/Y: of most papers in 40 drawn sites (seed 31337) 0.001 to
0.003, 0.005 to 0.012 and 0.004 to 0.011; more here, since the sheets and the light of real sites
may differ more. Brightened papers go up to 0.11 in Z/Y, which their studies show."""
USUAL_PHOTOS = 20.0
"""Photos that it counts for. Ours."""
FALSE_ALARMS = 1e-3
"""Share of photos of the study's own paper that may be taken for another's; on the same 40 sites
with 80 pairs 2 in 1,000 were, and 8 under phones and lamps that the study had not; with five
pairs 7 and 14, nearly all of brightened paper."""
LEAST_PHOTOS = 5
"""By which a paper's colour is known; a calibration takes five women."""


def papers_seen(pairs: SitePairs, weight: Array) -> SeenPapers | None:
    """Colours of a study's papers, each photo weighing what it counted for in the fit (n,).

    None of fewer than `LEAST_PHOTOS`. A batch of none that counted goes by all that it has.
    """
    if len(pairs) < LEAST_PHOTOS:
        return None
    slot = Slots(pairs.paper, 0, 0).at
    own = np.where(weight >= UNLIKE_WEIGHT, weight, 0.0)
    own = np.where(np.bincount(slot, own)[slot] > 0, own, 1.0)
    total, paper = np.bincount(slot, own).astype(float), pairs.measured.signature[:, PAPER_AT]
    colours = np.stack([np.bincount(slot, own * column) / total for column in paper.T], axis=1)
    off = paper - colours[slot]
    dof = USUAL_PHOTOS + own.sum() - len(total)
    scatter = (USUAL_PHOTOS * np.diag(USUAL_SD**2) + (own[:, None] * off).T @ off) / dof
    most = 3 * dof / (dof - 2) * float(stats.f.isf(FALSE_ALARMS, 3, dof - 2))
    return SeenPapers(colours, total, np.linalg.inv((scatter + scatter.T) / 2), most)
