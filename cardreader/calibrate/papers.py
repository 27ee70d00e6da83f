"""Pairs on several batches of blotting paper: a locus of each batch, one signature for all.

Two papers of one site have next to nothing of their locus in common, so that pairs on one
batch are no pairs for another: taken together they would be read by a locus that is
neither's. How the card's signature moves the locus is the cards' and phones', and shared.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from cardreader.hb.calibration import Calibration
from cardreader.hb.estimate import Estimates, estimates
from cardreader.hb.measured import Measured
from cardreader.hb.paper import KnownPaper, Papers

Array = NDArray[np.float64]

PAPER_KEPT = 0.0
"""Correlation of the locus on two papers of one site: 0.01 over 24 worlds of seed 31337 whose
paper and blot were drawn anew, at 7, 9 and 11 g/dL. Nothing that pairs taught goes over."""


def batches_of(paper: Iterable[str]) -> tuple[str, ...]:
    """The batches named, that with most pairs first; it takes the pairs without a name too."""
    count = Counter(sorted(name for name in paper if name))
    return tuple(name for name, _ in count.most_common())


def papers_of(
    prior: Calibration, batches: tuple[str, ...], known: tuple[KnownPaper, ...] = ()
) -> Papers | None:
    """What a fit knows of its blotting papers; None where no pair names its batch.

    Another batch is believed to differ as two papers of the simulator's worlds do, which is
    as far as papers differ at all: how batches of one maker differ nobody has measured.
    """
    if not batches or prior.posterior is None:
        return None
    k = prior.posterior.degree + 1
    covariance = prior.posterior.covariance[: 3 * k, : 3 * k]
    return Papers(batches, PAPER_KEPT, prior.weights()[:k], covariance, known)


class Slots:
    """Where each batch's locus stands among the weights: the first batch's before the
    signature's, as in a calibration of one batch, those of all others after it."""

    def __init__(self, paper: NDArray[np.str_], n_bends: int, n_weights: int) -> None:
        self.batches = batches_of(paper.tolist())
        names = list(self.batches)
        self.at = np.array([names.index(name) if name else 0 for name in paper.tolist()], int)
        self.n_bends, self.n_weights = n_bends, n_weights

    @property
    def n_others(self) -> int:
        """Batches besides the first."""
        return max(len(self.batches) - 1, 0)

    def spread(self, terms: Array) -> Array:
        """Terms (n, p) of one batch's weights, as (n, p + others) with each batch's own locus."""
        k, others = self.n_bends, self.n_others
        if not others:
            return terms
        out = np.hstack([terms, np.zeros((len(terms), k * others))])
        for slot in range(1, others + 1):
            mine = self.at == slot
            start = self.n_weights + (slot - 1) * k
            out[mine, start : start + k] = terms[mine, :k]
            out[mine, :k] = 0.0
        return out

    def mean(self, prior: Array) -> Array:
        """The prior's weights (p, 3), with its locus again for each other batch."""
        return np.vstack([prior, *[prior[: self.n_bends]] * self.n_others])

    def precision(self, covariance: Array, ridge: float) -> Array:
        """Inverse of the prior's covariance, other batches' locus independent of the rest."""
        side, k = len(covariance), 3 * self.n_bends
        out = np.zeros((side + k * self.n_others,) * 2)
        out[:side, :side] = np.linalg.inv(covariance + ridge * np.eye(side))
        if self.n_others:
            own = np.linalg.inv(covariance[:k, :k] + ridge * np.eye(k))
            for start in range(side, len(out), k):
                out[start : start + k, start : start + k] = own
        return out

    def known(self, mean: Array, covariance: Array) -> tuple[KnownPaper, ...]:
        """What the pairs taught of each batch but the first, from all weights (p, 3)."""
        k, side = self.n_bends, 3 * self.n_weights
        signature = np.arange(3 * k, side)
        found = []
        for slot, batch in enumerate(self.batches[1:]):
            own = side + 3 * k * slot + np.arange(3 * k)
            rows = covariance[np.ix_(own, np.concatenate([own, signature]))]
            found.append(KnownPaper(batch, mean[own.reshape(k, 3)[:, 0] // 3], rows))
        return tuple(found)


def readable_on(found: Estimates, paper: NDArray[np.str_]) -> NDArray[np.bool_]:
    """Photos (n,) that the reader gives a value for: none on a batch that no pair was on."""
    model = found.calibration
    known = [not model.is_another_paper(str(batch)) for batch in paper.tolist()]
    return found.readable & np.array(known, bool)


def estimates_on(
    measured: Measured,
    calibration: Calibration,
    paper: NDArray[np.str_],
    print_sd: ArrayLike = 0.0,
) -> Estimates:
    """What a calibration makes of n photos, each on its own batch of paper (n,)."""
    sds = np.broadcast_to(np.asarray(print_sd, float), len(measured))
    whole = estimates(measured, calibration, sds)
    lies = whole.located
    for batch in np.unique(paper):
        own = calibration.on_paper(str(batch))
        if own is not calibration:
            rows = np.flatnonzero(paper == batch)
            lies = lies.with_rows(rows, estimates(measured[rows], own, sds[rows]).located)
    return replace(whole, located=lies)
