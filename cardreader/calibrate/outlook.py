"""How wide a site's intervals are now, and how wide more pairs would make them.

Each pair like those so far adds its information to that of the weights, whatever its
laboratory value turns out to be: the posterior's covariance after m more is closed
form. The width is then read as the reader would read it, from blots beside the study's own
cards that lie about the locus as photos scatter: one that lies off it is read less surely.
How photos scatter is taken to stay as it was found.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardreader.calibrate.condition import SitePairs, locus_terms, normal_equations
from cardreader.hb.calibration import Calibration
from cardreader.hb.estimate import estimates
from cardreader.hb.measured import Measured

Array = NDArray[np.float64]

AT_G_DL = (7.0, 9.0, 11.0)
MORE = (10, 20, 50)
BLOTS = 40
"""Blots at each haemoglobin from which the width is read, beside as many cards where there are:
widths of single blots differ by some 15 %, so that it is known to 2 %."""


@dataclass(frozen=True)
class Outlook:
    """Mean width of the interval at ``at_g_dl``, g/dL: by how many pairs more.

    ``beside_others``: how many times as wide it is at most beside phones and lights that the study
    had not.
    """

    at_g_dl: tuple[float, ...]
    coverage: float
    width_g_dl: dict[int, float]
    beside_others: float = 1.0

    def as_json(self) -> dict[str, Any]:
        """Plain values; JSON's keys are text."""
        return {
            "at_g_dl": list(self.at_g_dl),
            "coverage": self.coverage,
            "width_g_dl": {str(more): round(w, 3) for more, w in self.width_g_dl.items()},
        }

    @property
    def words(self) -> str:
        """One line."""
        now, *after = self.width_g_dl.items()
        more = ", ".join(f"{width:.1f} with {m} more" for m, width in after)
        others = f" Under others up to {self.beside_others:.1f} times as wide."
        return (
            f"Width of the {self.coverage:.0%} interval to expect from 7 to 11 g/dL, under these "
            f"phones and lights: {now[1]:.1f} g/dL now; {more}."
            + (others if self.beside_others > 1 else "")
        )


def outlook(calibration: Calibration, pairs: SitePairs, more: tuple[int, ...] = MORE) -> Outlook:
    """What to expect of a conditioned calibration, and of it with more pairs like these.

    Raises
    ------
    ValueError
        The calibration has no posterior, or there is no pair to go by.
    """
    posterior = calibration.posterior
    if posterior is None or not len(pairs):
        raise ValueError("an outlook needs a calibration with a posterior, and pairs")
    if calibration.papers is not None:  # of the batch with most pairs; others are wider
        pairs = pairs.take(np.isin(pairs.paper, ["", calibration.papers.batches[0]]))
        # What is known of the others does not go with the posterior that more pairs make.
        calibration = replace(calibration, papers=None, seen_papers=None)
    rng = np.random.default_rng(0)
    cards = pairs.take(np.sort(np.resize(rng.permutation(len(pairs)), BLOTS))).measured
    drawn = rng.standard_normal((len(AT_G_DL), len(cards), 3))  # the same now and with more
    ridge = 1e-12 * max(float(np.trace(posterior.covariance)) / len(posterior.covariance), 1e-12)
    precision = np.linalg.inv(posterior.covariance + ridge * np.eye(len(posterior.covariance)))
    one = _information(calibration, pairs) / len(pairs)
    width = {0: _width(calibration, cards, drawn)}
    for m in more:
        covariance = np.linalg.inv(precision + m * one)
        known = replace(posterior, covariance=(covariance + covariance.T) / 2)
        width[m] = _width(replace(calibration, posterior=known), cards, drawn)
    unseen = 0.0 if calibration.seen_cards is None else calibration.seen_cards.doubt
    return Outlook(AT_G_DL, calibration.coverage, width, 1 + unseen)


def _information(calibration: Calibration, pairs: SitePairs) -> Array:
    """What all the pairs' photos together would tell of the weights, (3 p, 3 p)."""
    hb = pairs.lab_g_dl
    z = calibration.counted(pairs.measured.signature)
    phi, slope_phi = locus_terms(calibration, hb, z)
    jacobian = slope_phi @ calibration.weights()
    other = pairs.lab_sd_g_dl**2 + (calibration.volume_cv * hb) ** 2
    noise = calibration.covariance_at(hb) + pairs.measured.covariance
    noise = noise + other[:, None, None] * jacobian[:, :, None] * jacobian[:, None, :]
    precision = np.asarray(np.linalg.inv(noise), float)
    return normal_equations(phi, precision, np.zeros((len(hb), 3)))[0]


def _width(calibration: Calibration, cards: Measured, drawn: Array) -> float:
    grid = calibration.grid_g_dl
    locus = calibration.expected(cards.signature)
    known = calibration.spread(cards.signature)
    widths = []
    for hb, normal in zip(AT_G_DL, drawn, strict=True):
        at = int(np.abs(grid - hb).argmin())
        scale = calibration.grid_covariance[at] + cards.covariance + known[:, at]
        off = np.einsum("nij,nj->ni", np.linalg.cholesky(scale), normal)
        blots = Measured(locus[:, at] + off, cards.covariance, cards.signature)
        low, high = estimates(blots, calibration).final().interval(calibration.coverage)
        widths.append(np.mean(high - low))
    return float(np.mean(widths))
