"""Beyond the pairs a calibration is less sure, by the rule that is stated and no further."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from cardreader.calibrate.anchored import relabelled
from cardreader.calibrate.beyond import BEYOND_SD, less_sure_beyond
from cardreader.core.shipped import shipped
from cardreader.hb.calibration import Calibration
from cardreader.hb.calibrationnumbers import CalibrationError
from cardreader.hb.combine import combine
from cardreader.hb.container import load_calibration
from cardreader.hb.estimate import estimate, estimates
from cardreader.hb.measured import Measured

LAB = np.array([7.0, 8.0, 9.0])


@pytest.fixture(scope="module")
def prior():
    return load_calibration(shipped("worlds"))


def _sd_along_locus(calibration):
    """By the law of propagation (JCGM 100:2008, 5.1.2), generalised least squares: g/dL."""
    slope = np.gradient(calibration.locus, calibration.knots_hb_g_dl, axis=0)
    weight = np.linalg.inv(calibration.covariance)
    return np.einsum("ki,kij,kj->k", slope, weight, slope) ** -0.5


def test_the_variance_along_the_locus_grows_by_the_square_of_the_distance(prior):
    wider = less_sure_beyond(prior, LAB, np.ones(3))
    knots = prior.knots_hb_g_dl
    distance = np.maximum(np.maximum(7.0 - knots, knots - 9.0), 0)
    added = _sd_along_locus(wider) ** 2 - _sd_along_locus(prior) ** 2
    assert added == pytest.approx((BEYOND_SD * distance) ** 2, abs=1e-9)
    assert (distance > 0).any()


def test_a_reading_among_the_pairs_stays_and_one_beyond_widens(prior):
    wider = less_sure_beyond(prior, LAB, np.ones(3))
    signature = prior.signature_mean
    # Sharp blots, without what is unknown of the site: only the scatter tells.
    sharp = [_without_posterior(one) for one in (prior, wider)]
    for hb, grows in ((8.0, False), (13.0, True), (3.0, True)):
        at = int(np.abs(prior.grid_g_dl - hb).argmin())
        blot = Measured(prior.expected(signature)[at], 1e-6 * np.eye(3), signature)
        low, high = np.array([estimates(blot, one).final().interval(0.9) for one in sharp]).T[0]
        width = high - low
        assert (width[1] > 1.1 * width[0]) is np.bool_(grows)


def _without_posterior(calibration):
    return replace(calibration, posterior=None)


def test_a_pair_that_counts_for_nothing_vouches_for_no_range(prior):
    lab, weight = np.append(LAB, 16.0), np.array([1.0, 1.0, 1.0, 0.05])
    stray = less_sure_beyond(prior, lab, weight)
    assert np.array_equal(stray.covariance, less_sure_beyond(prior, LAB, np.ones(3)).covariance)
    assert less_sure_beyond(prior, lab, 0 * weight) is prior


def test_it_is_kept_how_far_the_pairs_reach(prior):
    lab, weight = np.append(LAB, 16.0), np.array([1.0, 1.0, 1.0, 0.05])
    wider = less_sure_beyond(prior, lab, weight)
    assert wider.taught_g_dl.tolist() == [7.0, 9.0]
    assert Calibration.from_json(wider.to_json()).taught_g_dl.tolist() == [7.0, 9.0]
    assert not prior.taught_g_dl.size
    assert "taught_g_dl" not in prior.as_json(), "calibrations of before keep their hash"
    for wrong in ([9.0, 7.0], [7.0], [7.0, float("nan")], [-1.0, 7.0]):
        with pytest.raises(CalibrationError, match="taught_g_dl"):
            Calibration.of_json({**wider.as_json(), "taught_g_dl": wrong})


def test_a_corrected_scale_moves_the_reach_along(prior):
    wider = less_sure_beyond(prior, LAB, np.ones(3))
    assert relabelled(wider, 0.5, 1.1).taught_g_dl == pytest.approx([8.2, 10.4])
    assert not relabelled(prior, 0.5, 1.1).taught_g_dl.size


def test_a_value_beyond_the_pairs_knows_on_which_side(prior):
    wider = less_sure_beyond(prior, LAB, np.ones(3))
    flat = np.zeros(len(prior.signature_mean))
    grid, locus = wider.grid_g_dl, wider.expected(prior.signature_mean + flat)
    sides = []
    for hb in (5.5, 7.4, 11.0):  # read up to 1 g/dL higher: without pairs the tail is long
        colour = np.array([np.interp(hb, grid, column) for column in locus.T])
        seen = Measured(colour, 1e-6 * np.eye(3), prior.signature_mean)
        sides.append(estimate(seen, wider).beyond_pairs)
        assert estimate(seen, prior).beyond_pairs is None, "it isn't known where its pairs lay"
    assert sides == ["below", None, "above"]
    both = combine([estimate(seen, wider)] * 2, wider)
    assert both.beyond_pairs == "above"
