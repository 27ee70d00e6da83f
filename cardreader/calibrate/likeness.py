"""Which cards are like those of a site's study: its gate for unlike ones, learnt there, and
how much less is known under lamps and phones that it had not.

The prior's gate is about the cards of all worlds. Those of one lot lie close together, and
perhaps far from most: about their own middle a foreign card shows sooner, and a lot of odd
inks isn't refused for being odd. Both are drawn from the prior's to the study's with the
number of photos, as a normal mean and variance are (Gelman et al., Bayesian Data Analysis,
3.3), each photo weighing what it counted for in the fit.

Short of that gate, intervals widen with the distance to the nearest card of the study: the
factor that holds for its women is of their lamps and phones. With few pairs intervals are wide
enough for any.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from cardreader.calibrate.condition import UNLIKE_WEIGHT, SitePairs
from cardreader.hb.calibration import Calibration
from cardreader.hb.seencards import SeenCards

Array = NDArray[np.float64]

CENTRE_PHOTOS, SCATTER_PHOTOS = 2.0, 20.0
"""Photos that the prior's middle and scatter of signatures count for. Sites lie further apart
than the photos of one, so few photos say where a site lies; how they scatter takes as many
as tell its phones and lamps. Ours."""
LEAST_SHARE = 0.5
"""Of the prior's limit: phones and lamps that the study had not move signatures as well."""
FAR = 1.5
"""Squared distance to the nearest card of the study, against the study's mean about its own
middle, from which a card is like none of them."""
UNSEEN_DOUBT, DOUBT_PHOTOS = 0.9, 20.0
"""Share by which intervals are wider there, with many pairs; with so many, half of it. In between
they widen in proportion to the squared distance.

All three from 100 sites of seeds 31337 and 51001 whose print model their prior had not seen. What
an interval needed rose from the nearest cards on, not from a distance, and with 240 photos by
half. Held with other phones and lamps than those of 40 to 240 photos: by 0.3, which began at a
distance of 0.3 and was reached at 0.9, 90.3 % in the mean and 75 % at the five worst sites; so,
91.3 and 77 %, 2 to 3 % wider. With the study's own they are 3 to 5 % narrower, since the factor
comes of women left out who are doubted in the same way. Beside a lot known by its design the same
holds: 0.6 was taken there until 0.12.0. What a study's own photos say of it, each group of like
cards read without the others of its group, tells nothing of what a site needs (correlations
below 0.3)."""
MOST_SEEN = 120
"""Cards of a study that are kept, the most unlike each other."""


def like_the_study(calibration: Calibration, pairs: SitePairs, weight: Array) -> Calibration:
    """The calibration with its gate for unlike cards about the study's own, weights (n,), and
    less sure under lamps and phones that it had not."""
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
    known = replace(about, max_strangeness=float(most * max(scatter, LEAST_SHARE)))
    kept = known.standardised(pairs.measured.signature)[weight >= UNLIKE_WEIGHT]
    if not len(kept):
        return known
    doubt = UNSEEN_DOUBT * len(kept) / (len(kept) + DOUBT_PHOTOS)
    seen_cards = SeenCards(
        _apart(kept, known.signature_precision),
        near=0.0,  # above 0 in files fitted before 0.13.0 alone, which go on reading as they did
        far=FAR * scatter,
        doubt=doubt,
    )
    return replace(known, seen_cards=seen_cards)


def _apart(z: Array, precision: Array) -> Array:
    """At most `MOST_SEEN` of signatures (n, s): each time the one furthest from those chosen."""
    if len(z) <= MOST_SEEN:
        return z
    chosen = [0]
    distance2 = np.full(len(z), np.inf)
    while len(chosen) < MOST_SEEN:
        off = z - z[chosen[-1]]
        distance2 = np.minimum(distance2, np.einsum("ni,ij,nj->n", off, precision, off))
        chosen.append(int(distance2.argmax()))
    return np.asarray(z[sorted(chosen)])
