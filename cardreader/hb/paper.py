"""Blotting paper is a batch of its own: what a batch that taught a calibration nothing leaves open.

How much blood stands in a paper and how light travels there is most of where a site's
locus lies. Two papers of one site have little in common: of the locus's weights w about
the prior's mean m a share ``kept`` goes over to another one,

    w' = m + kept (w - m) + e,    e ~ N(0, (1 - kept^2) C),

with C the prior's covariance: the conditional distribution of two Gaussian vectors of
correlation ``kept``. With nothing kept all that pairs taught of the locus is unknown
again; how the card's signature moves it stays known. A batch with pairs of its own has a
locus of its own beside the first one's.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardreader.hb.filenumbers import (
    DIGITS,
    from_triangle,
    must_be_covariance,
    plain,
    to_triangle,
)
from cardreader.hb.posterior import Posterior

Array = NDArray[np.float64]
LONGEST_NAME, MOST_BATCHES = 100, 1000
UNNAMED = "not named"
"""The batch that a register used while nobody had named one: not that which is named later."""


@dataclass(frozen=True, eq=False)
class KnownPaper:
    """What pairs taught of a batch besides the first.

    Attributes
    ----------
    batch : str
    mean : (k, 3) array
        Of the locus's weights on it.
    covariance : (3 k, 3 p) array
        Theirs, then with the signature's weights; flat is taken as well.
    """

    batch: str
    mean: Array
    covariance: Array

    def __post_init__(self) -> None:
        mean, covariance = np.array(self.mean, float), np.array(self.covariance, float)
        if mean.ndim != 2 or mean.shape[1] != 3 or covariance.size % max(mean.size, 1):
            raise ValueError("a paper's mean and covariance must go together")
        covariance = covariance.reshape(mean.size, -1)
        if not (np.isfinite(mean).all() and np.isfinite(covariance).all()):
            raise ValueError("a paper holds a value that is not a finite number")
        object.__setattr__(self, "mean", mean)
        object.__setattr__(self, "covariance", covariance)

    def as_json(self) -> dict[str, Any]:
        """Plain values; the class takes them back as keywords."""
        return {
            "batch": self.batch,
            "mean": plain(self.mean),
            "covariance": plain(self.covariance.ravel()),
        }


@dataclass(frozen=True, eq=False)
class Papers:
    """The batches that a calibration's pairs had, and what is believed of any other.

    Attributes
    ----------
    batches : tuple of str
        The calibration's own locus is that of the first.
    kept : float
        Correlation of the locus's weights on two papers of one site.
    mean : (k, 3) array
        Of the locus's weights over all worlds.
    covariance : (3 k, 3 k) array
        Theirs; a lower triangle is taken as well.
    known : tuple of KnownPaper
        Of the other batches, in their order; in calibrations of before all batches share
        the first one's locus, and there is none.
    """

    batches: tuple[str, ...]
    kept: float
    mean: Array
    covariance: Array
    known: tuple[KnownPaper, ...] = ()

    def __post_init__(self) -> None:
        names = tuple(self.batches)
        if not all(isinstance(name, str) and 0 < len(name) <= LONGEST_NAME for name in names):
            raise ValueError("papers must have batches with names")
        if not 0 < len(names) <= MOST_BATCHES:
            raise ValueError("papers must have batches")
        if not 0 <= self.kept <= 1:
            raise ValueError("papers kept must lie between 0 and 1")
        mean, covariance = np.array(self.mean, float), np.array(self.covariance, float)
        if covariance.ndim == 1:
            covariance = from_triangle(covariance, "papers covariance")
        side = 3 * len(mean)
        if mean.ndim != 2 or mean.shape[1] != 3 or covariance.shape != (side, side):
            raise ValueError("papers mean and covariance must go together")
        if not (np.isfinite(mean).all() and np.isfinite(covariance).all()):
            raise ValueError("papers hold a value that is not a finite number")
        must_be_covariance(covariance, "papers covariance")
        known = tuple(
            one if isinstance(one, KnownPaper) else KnownPaper(**one) for one in self.known
        )
        if known and tuple(one.batch for one in known) != names[1:]:
            raise ValueError("papers known are not those named")
        if any(one.mean.shape != mean.shape for one in known):
            raise ValueError("papers known do not go with the others")
        object.__setattr__(self, "known", known)
        object.__setattr__(self, "batches", names)
        object.__setattr__(self, "mean", mean)
        object.__setattr__(self, "covariance", covariance)

    def on_known(
        self, paper: KnownPaper, weights: Array, posterior: Posterior
    ) -> tuple[Array, Posterior]:
        """The same on a batch that has pairs of its own. ValueError where it does not fit."""
        k = len(paper.mean)
        if paper.covariance.shape[1] != len(posterior.covariance):
            raise ValueError("papers known do not go with the posterior")
        moved = np.array(weights, float)
        moved[:k] = paper.mean
        covariance = np.array(posterior.covariance)
        covariance[: 3 * k] = paper.covariance
        covariance[:, : 3 * k] = paper.covariance.T
        own = covariance[: 3 * k, : 3 * k]
        covariance[: 3 * k, : 3 * k] = (own + own.T) / 2
        return moved, replace(posterior, covariance=covariance)

    def on_another(self, weights: Array, posterior: Posterior) -> tuple[Array, Posterior]:
        """Mean (p, 3) and posterior of a site's weights on a paper that taught nothing."""
        k = len(self.mean)
        moved = np.array(weights, float)
        moved[:k] = self.mean + self.kept * (moved[:k] - self.mean)
        covariance = np.array(posterior.covariance)
        covariance[: 3 * k] *= self.kept
        covariance[:, : 3 * k] *= self.kept
        covariance[: 3 * k, : 3 * k] += (1 - self.kept**2) * self.covariance
        return moved, replace(posterior, covariance=covariance)

    def as_json(self) -> dict[str, Any]:
        """Plain values; the class takes them back as keywords."""
        content = {
            "batches": list(self.batches),
            "kept": self.kept,
            "mean": plain(self.mean),
            "covariance": to_triangle(self.covariance, DIGITS),
        }
        if self.known:  # calibrations of before keep their hash
            content["known"] = [one.as_json() for one in self.known]
        return content
