"""Photos of one sitting told from those of two by their cards alone."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from cardreader.calibrate.default import draw_pairs_of_blots
from cardreader.calibrate.sitefading import PRIOR_OF
from cardreader.calibrate.sitesittings import FILE, with_sittings, world_sittings, write_sittings
from cardreader.calibrate.sittings import MISTAKEN, learn_sittings
from cardreader.core.shipped import shipped
from cardreader.hb.calibration import Calibration
from cardreader.hb.calibrationnumbers import CalibrationError
from cardreader.hb.posterior import Posterior
from cardreader.hb.sittings import Sittings
from cardreader.simulate.cameras import Family
from cardreader.simulate.scene import ORDINARY

DEFAULT = Calibration.load(shipped("default"))
KNOWN = Sittings(np.diag([1.0, 4.0]), near=2.0, far=4.0)


def test_the_distance_is_mahalanobis_by_number():
    """Mahalanobis 1936, from memory."""
    assert KNOWN.distance2(np.array([2.0, 0.0]), np.array([0.0, 2.0])) == pytest.approx(2.5)


@pytest.mark.parametrize(("off", "as_one"), [(0.0, 1.0), (2.0, 1.0), (np.sqrt(6), 0.5), (3.0, 0.0)])
def test_between_the_limits_it_falls_evenly(off, as_one):
    assert KNOWN.as_one(np.array([off, 0.0]), np.zeros(2)) == pytest.approx(as_one)


def test_a_file_keeps_it():
    kept = Sittings(**KNOWN.as_json())
    assert np.array_equal(kept.covariance, KNOWN.covariance)
    assert (kept.near, kept.far) == (KNOWN.near, KNOWN.far)
    again = Calibration.from_json(DEFAULT.to_json())
    assert again.sittings.near == DEFAULT.sittings.near
    assert again.sha256 == DEFAULT.sha256


@pytest.mark.parametrize(
    "wrong",
    [
        {"near": 4.0},
        {"near": 0.0},
        {"covariance": np.ones((2, 3))},
        {"covariance": np.array([[1.0, 0.0], [0.0, np.nan]])},
        {"covariance": np.array([[1.0, 3.0], [3.0, 1.0]])},
    ],
)
def test_what_is_none_is_refused(wrong):
    with pytest.raises(ValueError, match="sittings"):
        Sittings(**{"covariance": np.eye(2), "near": 2.0, "far": 3.0, **wrong})


def test_it_must_go_with_the_signatures():
    with pytest.raises(CalibrationError, match="sittings"):
        replace(DEFAULT, sittings=KNOWN)


def test_learnt_limits_pass_what_they_say():
    rng = np.random.default_rng(5)
    within = rng.normal(0, 1, (2, 4000, 3))
    between = rng.normal(0, 9, (2, 4000, 3))
    learnt = learn_sittings((within[0], within[1]), (between[0], between[1]))
    assert np.mean(learnt.distance2(*within) > learnt.near) == pytest.approx(MISTAKEN, abs=0.002)
    assert np.mean(learnt.distance2(*between) < learnt.far) == pytest.approx(MISTAKEN, abs=0.002)
    # Of a t of five degrees of freedom fitted to normal numbers the scale is smaller.
    assert 1.2 < learnt.covariance[0, 0] < 2.0


def test_limits_that_cross_leave_a_slope():
    rng = np.random.default_rng(5)
    alike = rng.normal(0, 1, (2, 300, 3))
    learnt = learn_sittings((alike[0], alike[1]), (alike[0], alike[1]))
    assert learnt.near < learnt.far


def test_too_few_pairs_are_told():
    with pytest.raises(ValueError, match="too few"):
        learn_sittings((np.zeros((3, 3)), np.ones((3, 3))), (np.zeros((3, 3)), np.ones((3, 3))))


def test_phones_and_lamps_never_seen_are_told_apart():
    """Held-out cameras under CIE lights: nothing that the shipped numbers were learnt from."""
    one, two = draw_pairs_of_blots(60, 663004, (ORDINARY,), Family.HELD_OUT)
    known = DEFAULT.sittings
    of_one = [known.as_one(a, b) for a, b in zip(one.signature, two.signature, strict=True)]
    others = zip(one.signature[:-1], two.signature[1:], strict=True)
    of_two = [known.as_one(a, b) for a, b in others]
    assert np.mean(of_one) > 0.85
    assert np.mean(of_two) < 0.15


def test_the_covariance_between_a_photo_and_itself_is_its_spread():
    rng = np.random.default_rng(6)
    root = rng.normal(0, 1, (21, 21))
    known = Posterior(2, root @ root.T, 8.0)
    axis, z = 0.3, rng.normal(0, 1, known.n_signature)
    itself = known.between((axis, z), (axis, z))
    assert np.allclose(itself, known.spread(np.array([axis]), z)[0])
    other = (-0.4, rng.normal(0, 1, known.n_signature))
    assert np.allclose(known.between((axis, z), other), known.between(other, (axis, z)).T)


@pytest.mark.parametrize("prior", sorted(PRIOR_OF.values()))
def test_every_prior_hands_what_its_worlds_taught_to_its_sites(prior, tmp_path):
    known = with_sittings(Calibration.load(shipped(prior)))
    assert known.sittings is world_sittings(prior)
    assert with_sittings(known) is known
    write_sittings(tmp_path / FILE, known.sittings, "a test")
    assert '"source": "a test"' in (tmp_path / FILE).read_text()


def test_a_prior_of_other_signatures_or_without_posterior_stays_as_it_is():
    assert with_sittings(replace(DEFAULT, sittings=None)).sittings is world_sittings("worlds")
    bare = replace(DEFAULT, sittings=None, posterior=None)
    assert with_sittings(bare) is bare
