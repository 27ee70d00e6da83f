"""Laboratory pairs -> what is known of a site: a Gaussian prior conditioned in closed form.

The model is that of `cardreader.hb.posterior`. A laboratory value h' = h + error
enters by the slope of the locus: x = f(h') - f'(h') (h' - h) + ..., so that the
laboratory's error and the scatter of blood volume are two more normal unknowns, one a
woman and visit, one a blot, integrated out exactly (errors in variables, first order;
Fuller, Measurement Error Models, 1987). Photos' scatter is a multivariate t by
reweighting (Lange, Little and Taylor, JASA 1989; 84: 881-896), its size an inverse
gamma learnt with the rest, and its shape between the channels drawn from the prior's to
the site's own (expectation-maximisation). With no pairs all this gives back the prior;
no pair is dropped, those far off weigh little.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import lapack

from cardreader.calibrate.papers import Slots, papers_of
from cardreader.core.robust import t_weight
from cardreader.hb.calibration import Calibration
from cardreader.hb.estimate import beside_fresh_cards
from cardreader.hb.measured import Measured
from cardreader.hb.posterior import Posterior

Array = NDArray[np.float64]

ROUNDS = 9
SHAPE_DOF = 100.0
"""Photos that the prior shape of scatter, between the channels, counts for. Ours."""
UNLIKE_WEIGHT = 0.2
"""What a photo counts for in the fit, below which it is unlike the others: it is pointed out, and
says nothing of how far the pairs reach."""


@dataclass(frozen=True, eq=False)
class SitePairs:
    """Photos with laboratory values.

    Attributes
    ----------
    measured : Measured
        Of n photos.
    lab_g_dl, lab_sd_g_dl : (n,) arrays
        Laboratory value and its standard uncertainty; equal within a ``level``.
    level, blot : (n,) arrays of str
        Woman and visit, and blot, of each photo.
    paper : (n,) array of str
        Batch of its blotting paper, empty where it is not named; all of one by default.
    """

    measured: Measured
    lab_g_dl: Array
    lab_sd_g_dl: Array
    level: NDArray[np.str_]
    blot: NDArray[np.str_]
    paper: NDArray[np.str_] = field(default_factory=lambda: np.zeros(0, str))

    def __post_init__(self) -> None:
        if not len(self.paper):
            object.__setattr__(self, "paper", np.full(len(self.lab_g_dl), ""))

    def __len__(self) -> int:
        return len(self.lab_g_dl)

    def take(self, rows: NDArray[np.intp] | NDArray[np.bool_]) -> SitePairs:
        """The pairs at ``rows``."""
        return SitePairs(
            self.measured[rows],
            self.lab_g_dl[rows],
            self.lab_sd_g_dl[rows],
            self.level[rows],
            self.blot[rows],
            self.paper[rows],
        )


@dataclass(frozen=True, eq=False)
class Conditioned:
    """The calibration after its pairs; ``weight`` (n,) is what each photo counted for, 1 at
    most, and ``scatter`` the photos' variance against the prior's."""

    calibration: Calibration
    weight: Array
    scatter: float


def condition(
    prior: Calibration, pairs: SitePairs, volume_cv: float, rounds: int = ROUNDS
) -> Conditioned:
    """Condition a calibration that has a posterior on pairs, given the scatter of volume.

    Raises
    ------
    ValueError
        The calibration has no posterior.
    """
    if prior.posterior is None:
        raise ValueError("only a calibration with a posterior can be conditioned")
    if not len(pairs):
        return Conditioned(replace(prior, volume_cv=volume_cv), np.zeros(0), 1.0)
    # What looks like bleached inks comes off the pairs as it will off what is read.
    pairs = replace(pairs, measured=beside_fresh_cards(pairs.measured, prior))
    site = _Site(prior, pairs)
    for _ in range(rounds):
        site.solve(volume_cv)
        site.reweigh()
    return Conditioned(
        site.calibration(volume_cv),
        np.minimum(site.robust / site.most_weight, 1.0),
        site.size * float(np.trace(site.shape)) / 3,
    )


def locus_terms(model: Calibration, hb: Array, z: Array) -> tuple[Array, Array]:
    """The weights' factors (n, p) at haemoglobin (n,), and their slopes by g/dL.

    ``z`` (n, s) are standardised signatures. ValueError without a posterior.
    """
    if model.posterior is None:
        raise ValueError("a calibration without a posterior has no weights")
    axis = model.axis_at(hb)[:, None]
    step = 0.05
    rise = (model.axis_at(hb + step) - model.axis_at(hb - step))[:, None] / (2 * step)
    n = np.arange(model.posterior.degree + 1)
    powers = n * axis ** np.maximum(n - 1, 0) * rise
    terms = np.hstack([axis**n, z, axis * z])
    return terms, np.hstack([powers, np.zeros_like(z), rise * z])


class _Site:
    """The state of one conditioning: weights, scatter, robust weights."""

    def __init__(self, prior: Calibration, pairs: SitePairs) -> None:
        assert prior.posterior is not None
        self.prior, self.pairs = prior, pairs
        self.degree = prior.posterior.degree
        self.tail = prior.tail
        self.dof = prior.posterior.scatter_dof
        self.most_weight = float(t_weight(np.zeros(()), self.tail))
        z = prior.counted(pairs.measured.signature)
        terms = locus_terms(prior, pairs.lab_g_dl, z)
        self.slots = Slots(pairs.paper, self.degree + 1, terms[0].shape[1])
        self.phi, self.slope_phi = (self.slots.spread(one) for one in terms)
        covariance = prior.posterior.covariance
        ridge = 1e-12 * max(float(np.trace(covariance)) / len(covariance), 1e-12)
        self.prior_precision = self.slots.precision(covariance, ridge)
        self.prior_mean = self.slots.mean(prior.weights()).ravel()
        self.mean = self.prior_mean
        self.size, self.shape = 1.0, np.eye(3)
        self.robust = np.ones(len(pairs))
        self.root = np.linalg.cholesky(prior.covariance_at(pairs.lab_g_dl))
        self.level = _incidence(pairs.level)
        self.blot = _incidence(pairs.blot)

    def solve(self, volume_cv: float) -> None:
        pairs = self.pairs
        jacobian = self.slope_phi @ self.mean.reshape(-1, 3)
        own = self._scatter()
        total = np.linalg.inv(own + pairs.measured.covariance)
        precision = total * self.robust[:, None, None]
        gram, right = normal_equations(self.phi, precision, pairs.measured.log_ratio)
        self.latent = _Latents(self, jacobian, precision, volume_cv)
        gram -= self.latent.gram
        right -= self.latent.right
        system = gram + self.prior_precision
        self.covariance = _inverse((system + system.T) / 2)
        self.mean = self.covariance @ (right + self.prior_precision @ self.prior_mean)
        self.own, self.total = own, total

    def _scatter(self) -> Array:
        """Scatter of photos (n, 3, 3) as known so far, without the photo's own covariance."""
        shape = self.size * self.shape
        return np.asarray(self.root @ shape @ self.root.transpose(0, 2, 1))

    def reweigh(self) -> None:
        pairs = self.pairs
        shift, variance = self.latent.moments(self.mean)
        jacobian = self.latent.jacobian
        left = (
            pairs.measured.log_ratio
            - self.phi @ self.mean.reshape(-1, 3)
            - jacobian * shift[:, None]
        )
        blocks = self.covariance.reshape(self.phi.shape[1], 3, self.phi.shape[1], 3)
        half = np.tensordot(self.phi, blocks, axes=(1, 0))
        known = np.einsum("niqj,nq->nij", half, self.phi)
        known += variance[:, None, None] * jacobian[:, :, None] * jacobian[:, None, :]
        spread = left[:, :, None] * left[:, None, :] + known
        distance2 = np.einsum("nij,nji->n", self.total, spread)
        self.robust = t_weight(distance2, self.tail)
        # What of each photo's miss is scatter and what the photo's own error: the
        # conditional mean of the former's square, in the prior's units.
        gain = self.own @ self.total
        square = self.own - gain @ self.own
        square += gain @ (spread * self.robust[:, None, None]) @ gain.transpose(0, 2, 1)
        back = np.linalg.inv(self.root)
        seen = (back @ square @ back.transpose(0, 2, 1)).sum(axis=0)
        n = len(pairs)
        along = float(np.trace(np.linalg.solve(self.shape, seen)))
        self.size = (self.dof + along) / (self.dof + 3 * n)
        self.shape = (SHAPE_DOF * np.eye(3) + seen / self.size) / (SHAPE_DOF + n)

    def calibration(self, volume_cv: float) -> Calibration:
        prior = self.prior
        root = np.linalg.cholesky(prior.covariance)
        scatter = self.size * root @ self.shape @ root.transpose(0, 2, 1)
        weights, first = self.mean.reshape(-1, 3), self.slots.n_weights
        known = self.slots.known(weights, self.covariance)
        return prior.with_weights(
            weights[:first],
            Posterior(
                self.degree,
                self.covariance[: 3 * first, : 3 * first],
                self.dof + 3 * len(self.pairs),
                bool(prior.posterior and prior.posterior.by_design),
            ),
            covariance=scatter,
            volume_cv=volume_cv,
            n_pairs=len(self.pairs),
            papers=papers_of(prior, self.slots.batches, known),
        )


def _incidence(labels: NDArray[np.str_]) -> NDArray[np.intp]:
    return np.asarray(np.unique(labels, return_inverse=True)[1], np.intp)


def _inverse(matrix: Array) -> Array:
    """Of a symmetric positive definite matrix: in half the time that any matrix takes."""
    root, fault = lapack.dpotrf(matrix, lower=True)
    if fault:
        raise np.linalg.LinAlgError("the normal equations are not positive definite")
    lower = lapack.dpotri(root, lower=True)[0]  # and nothing above the diagonal
    full = np.asarray(lower + lower.T, float)
    np.fill_diagonal(full, np.diag(lower))
    return full


def normal_equations(phi: Array, precision: Array, x: Array) -> tuple[Array, Array]:
    """Normal equations (3 p, 3 p) and (3 p,) of rows phi (n, p) with precisions (n, 3, 3)."""
    n, p = phi.shape
    root = np.linalg.cholesky(precision)
    gram = np.zeros((3 * p, 3 * p))
    for start in range(0, n, 2000):
        rows = slice(start, start + 2000)
        tall = phi[rows, :, None, None] * root[rows, None, :, :]
        tall = tall.transpose(1, 2, 0, 3).reshape(3 * p, -1)
        gram += tall @ tall.T
    weighted = np.einsum("nij,nj->ni", precision, x)
    return gram, (phi.T @ weighted).ravel()


class _Latents:
    """The laboratory's errors and the blots' volumes, integrated out of the normal equations.

    In closed form, since no two women and no two blots meet: what a woman's blots say is summed,
    each less by what its own volume leaves open (Woodbury's identity).
    """

    def __init__(self, site: _Site, jacobian: Array, precision: Array, volume_cv: float) -> None:
        pairs = site.pairs
        n, p = site.phi.shape
        self.jacobian, self.blot = jacobian, site.blot
        # Of each blot, and its woman and visit; of each of these.
        self.level = _of_each(site.blot, site.level)
        if (self.level[site.blot] != site.level).any():
            raise ValueError("a blot belongs to one woman and visit")
        lab = _of_each(site.level, pairs.lab_sd_g_dl**2)
        volume = _of_each(site.blot, (volume_cv * pairs.lab_g_dl) ** 2)
        pull = np.einsum("nij,nj->ni", precision, jacobian)
        rows = (site.phi[:, :, None] * pull[:, None, :]).reshape(n, 3 * p)
        along = np.einsum("ni,ni->n", pull, pairs.measured.log_ratio)
        self._tall, self._seen = _summed(site.blot, rows), _summed(site.blot, along)
        self._strength = _summed(site.blot, np.einsum("ni,ni->n", pull, jacobian))
        self._left = 1 / (1 + volume * self._strength)
        self._of_blot = volume * self._left
        self._of_level = lab / (1 + lab * _summed(self.level, self._left * self._strength))
        tall = np.vstack([self._tall, _summed(self.level, self._left[:, None] * self._tall)])
        seen = np.concatenate([self._seen, _summed(self.level, self._left * self._seen)])
        tall *= np.sqrt(np.concatenate([self._of_blot, self._of_level]))[:, None]
        seen *= np.sqrt(np.concatenate([self._of_blot, self._of_level]))
        self.gram, self.right = tall.T @ tall, tall.T @ seen

    def moments(self, mean: Array) -> tuple[Array, Array]:
        """Mean (n,) and variance (n,) of what error and volume moved each photo by, g/dL."""
        miss = self._seen - self._tall @ mean
        error = self._of_level * _summed(self.level, self._left * miss)
        volume = self._of_blot * (miss - self._strength * error[self.level])
        variance = self._of_blot + self._left**2 * self._of_level[self.level]
        return (error[self.level] + volume)[self.blot], variance[self.blot]


def _of_each(label: NDArray[np.intp], values: NDArray[Any]) -> NDArray[Any]:
    """The value (k,) of each of k labels, from values (n,) that are the same within a label."""
    out = np.zeros(int(label.max()) + 1, values.dtype)
    out[label] = values
    return out


def _summed(label: NDArray[np.intp], values: Array) -> Array:
    """Sums (k, ...) of values (n, ...) by label."""
    out = np.zeros((int(label.max()) + 1, *values.shape[1:]))
    np.add.at(out, label, values)
    return out
