"""What a site's posterior adds to a reading."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from cardreader.core.shipped import shipped
from cardreader.hb.calibration import Calibration
from cardreader.hb.calibrationnumbers import CalibrationError
from cardreader.hb.container import load_calibration
from cardreader.hb.estimate import estimates
from cardreader.hb.measured import Measured
from cardreader.hb.posterior import Posterior


@pytest.fixture(scope="module")
def prior():
    return load_calibration(shipped("worlds"))


def test_the_spread_is_that_of_drawn_weights(prior):
    """Against nothing but the definition: draw weights, place the locus, take the covariance."""
    rng = np.random.default_rng(1)
    posterior = prior.posterior
    z = rng.normal(size=posterior.n_signature)
    axis = prior.axis_at(np.array([4.0, 9.0, 15.0]))
    terms = np.concatenate(
        [
            axis[:, None] ** np.arange(posterior.degree + 1),
            np.tile(z, (3, 1)),
            axis[:, None] * z,
        ],
        axis=1,
    )
    root = np.linalg.cholesky(posterior.covariance + 1e-14 * np.eye(len(posterior.covariance)))
    drawn = (root @ rng.normal(size=(len(root), 40_000))).T.reshape(40_000, -1, 3)
    locus = np.einsum("gp,npc->ngc", terms, drawn)
    found = posterior.spread(axis, z)
    for g in range(3):
        assert np.cov(locus[:, g].T) == pytest.approx(found[g], rel=0.06, abs=1e-5)


def test_weights_and_locus_are_two_ways_of_saying_the_same(prior):
    again = prior.with_weights(prior.weights(), prior.posterior)
    assert again.locus == pytest.approx(prior.locus, abs=1e-7)
    assert again.signature_slope == pytest.approx(prior.signature_slope)


def test_json_keeps_it(prior):
    again = Calibration.from_json(prior.to_json())
    assert again.posterior.covariance == pytest.approx(prior.posterior.covariance, rel=1e-6)
    assert again.posterior.by_design is prior.posterior.by_design
    assert again.to_json() == prior.to_json()


def test_the_prior_alone_is_wide_and_wider_still_by_design(prior):
    """Nobody knows a site before it is measured: about ten grams wide."""
    by_design = load_calibration(shipped("worlds-design"))
    signature = prior.signature_mean
    middle = prior.grid_locus[np.argmin(np.abs(prior.grid_g_dl - 10))]
    photo = Measured(middle, 1e-4 * np.eye(3), signature)
    low, high = estimates(photo, prior).final().interval(0.9)
    assert high - low > 6
    assert by_design.posterior.by_design
    assert not prior.posterior.by_design


def test_a_card_unlike_the_sites_own_is_read_wider(prior):
    posterior = prior.posterior
    axis = prior.axis_at(np.array([10.0]))
    usual, unlike = np.zeros(posterior.n_signature), np.full(posterior.n_signature, 3.0)
    assert np.trace(posterior.spread(axis, unlike)[0]) > np.trace(posterior.spread(axis, usual)[0])


def test_the_doubt_of_a_design_is_not_counted_twice(prior):
    photo = Measured(prior.grid_locus[150], 1e-4 * np.eye(3), prior.signature_mean)
    design = replace(prior, posterior=replace(prior.posterior, by_design=True))
    assert estimates(photo, design, 0.03).final().sd == pytest.approx(
        estimates(photo, design, 0.0).final().sd
    )
    assert estimates(photo, prior, 0.1).final().sd > estimates(photo, prior, 0.0).final().sd


@pytest.mark.parametrize(
    "change",
    [
        {"covariance": np.ones(5)},
        {"covariance": -np.eye(267)},
        {"degree": 0},
        {"degree": 5},
        {"scatter_dof": 0.0},
        {"covariance": np.full((267, 267), np.nan)},
        {"by_design": 1},
    ],
)
def test_what_is_no_posterior_is_refused(prior, change):
    with pytest.raises(ValueError, match="posterior"):
        replace(prior.posterior, **change)


def test_a_posterior_for_other_signatures_is_refused(prior):
    small = Posterior(4, np.eye(3 * (5 + 2 * 3)), 8.0)
    with pytest.raises(CalibrationError, match="posterior is not for"):
        replace(prior, posterior=small)
