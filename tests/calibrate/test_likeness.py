"""The gate for cards unlike those of the study, learnt at the site."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from cardreader.calibrate.condition import SitePairs
from cardreader.calibrate.likeness import (
    DOUBT_PHOTOS,
    LEAST_SHARE,
    MOST_SEEN,
    UNSEEN_DOUBT,
    like_the_study,
)
from cardreader.core.shipped import shipped
from cardreader.hb.calibrationnumbers import CalibrationError
from cardreader.hb.container import load_calibration
from cardreader.hb.measured import Measured

SEED = 60_961
"""Of invented signatures."""


@pytest.fixture(scope="module")
def prior():
    return load_calibration(shipped("worlds-design"))


def _cards(prior, n, seed, away=0.0, spread=0.5):
    """Photos whose signatures scatter ``spread`` times as wide as the worlds', about a middle
    ``away`` times as far out as the gate's limit."""
    rng = np.random.default_rng([SEED, seed])
    size = len(prior.signature_mean)
    root = np.linalg.cholesky(np.linalg.inv(prior.signature_precision))
    out = np.random.default_rng(SEED).normal(size=size)
    out *= np.sqrt(size * prior.max_strangeness * away) / np.linalg.norm(out)
    z = (out + spread * rng.normal(size=(n, size))) @ root.T
    signature = prior.signature_mean + z * prior.signature_sd
    return Measured(np.full((n, 3), -0.8), np.tile(1e-4 * np.eye(3), (n, 1, 1)), signature)


def _pairs(measured):
    n = len(measured)
    each = np.arange(n).astype(str)
    return SitePairs(measured, np.full(n, 9.0), np.full(n, 0.2), each, each)


def _refused(calibration, cards):
    return float(np.mean(calibration.strangeness(cards.signature) > calibration.max_strangeness))


@pytest.mark.parametrize("n", [5, 60])
def test_a_lot_of_odd_inks_is_read_once_its_own_cards_were_studied(prior, n):
    odd = _cards(prior, 60, 1, away=1.4)
    assert _refused(prior, odd) > 0.9
    learnt = like_the_study(prior, _pairs(_cards(prior, n, 2, away=1.4)), np.ones(n))
    assert _refused(learnt, odd) < 0.05


def test_a_foreign_card_shows_sooner_than_among_all_worlds(prior):
    foreign = _cards(prior, 60, 3, away=0.8)
    learnt = like_the_study(prior, _pairs(_cards(prior, 60, 4)), np.ones(60))
    assert _refused(prior, foreign) < 0.5
    assert _refused(learnt, foreign) > 0.95
    # And phones or lamps that scatter more than the study's do not.
    assert _refused(learnt, _cards(prior, 60, 5, spread=1.0)) < 0.05
    assert learnt.max_strangeness >= LEAST_SHARE * prior.max_strangeness


def test_photos_that_did_not_count_do_not_move_the_gate(prior):
    own, foreign = _cards(prior, 30, 6), _cards(prior, 10, 7, away=3.0)
    both = Measured.stack([*(own[i] for i in range(30)), *(foreign[i] for i in range(10))])
    weight = np.where(np.arange(40) < 30, 1.0, 0.0)
    alone = like_the_study(prior, _pairs(own), np.ones(30))
    mixed = like_the_study(prior, _pairs(both), weight)
    assert np.allclose(mixed.signature_centre, alone.signature_centre)
    assert mixed.max_strangeness == pytest.approx(alone.max_strangeness)


def test_without_photos_or_known_scatter_nothing_changes(prior):
    none = _pairs(_cards(prior, 1, 8)).take(np.zeros(0, int))
    assert like_the_study(prior, none, np.zeros(0)) is prior
    plain = replace(prior, signature_precision=np.zeros((0, 0)))
    assert like_the_study(plain, _pairs(_cards(prior, 3, 9)), np.ones(3)) is plain


def test_under_lamps_and_phones_of_its_own_a_site_is_as_sure_as_its_study(prior):
    own, others = _cards(prior, 60, 10, spread=0.2), _cards(prior, 60, 11, spread=1.2)
    learnt = like_the_study(prior, _pairs(own), np.ones(60))
    assert np.allclose(learnt.doubt(own.signature), 1.0)
    most = 1 + UNSEEN_DOUBT * 60 / (60 + DOUBT_PHOTOS)
    assert np.median(learnt.doubt(others.signature)) == pytest.approx(most, abs=1e-3)
    few = like_the_study(prior, _pairs(own[:5]), np.ones(5))
    assert few.doubt(others.signature).max() <= 1 + UNSEEN_DOUBT / 5 + 1e-6


def test_the_further_from_all_of_the_studys_cards_the_less_sure(prior):
    own = _cards(prior, 60, 10, spread=0.2)
    learnt = like_the_study(prior, _pairs(own), np.ones(60))
    doubts = [
        np.median(learnt.doubt(_cards(prior, 60, 11, spread=spread).signature))
        for spread in (0.1, 0.2, 0.25, 0.3)
    ]
    assert doubts == sorted(doubts)
    assert 1 < doubts[0] < doubts[-1]


def test_of_many_cards_those_most_apart_are_kept(prior):
    """All but four in a heap; none of the study's is then called unseen."""
    heap, apart = _cards(prior, 3 * MOST_SEEN, 12, spread=0.02), _cards(prior, 4, 13, spread=0.8)
    both = Measured.stack([*(heap[i] for i in range(len(heap))), *(apart[i] for i in range(4))])
    learnt = like_the_study(prior, _pairs(both), np.ones(len(both)))
    assert learnt.seen_cards is not None
    assert len(learnt.seen_cards.signatures) == MOST_SEEN
    assert learnt.doubt(both.signature).max() < 1.01


def test_a_site_keeps_its_cards_in_its_file(prior, tmp_path):
    learnt = like_the_study(prior, _pairs(_cards(prior, 30, 14)), np.ones(30))
    path = tmp_path / "model.json"
    path.write_text(learnt.to_json())
    others = _cards(prior, 20, 15, spread=0.9).signature
    again = load_calibration(path)
    assert np.allclose(again.doubt(others), learnt.doubt(others), atol=2e-3)
    assert again.to_json() == learnt.to_json()
    assert prior.seen_cards is None
    assert "seen_cards" not in prior.as_json()


@pytest.mark.parametrize(
    "wrong",
    [
        {"signatures": []},
        {"signatures": [[0.0]]},
        {"signatures": [["x"]]},
        {"signatures": [[float("nan")] * 43]},
        {"near": -0.1},
        {"near": 1e3},
        {"far": 0.0},
        {"doubt": -1},
        {"doubt": "much"},
        {"more": 1},
    ],
)
def test_no_calibration_with_cards_that_are_none(prior, wrong):
    learnt = like_the_study(prior, _pairs(_cards(prior, 8, 16)), np.ones(8))
    content = learnt.as_json()
    content["seen_cards"] |= wrong
    with pytest.raises(CalibrationError):
        type(learnt).of_json(content)
