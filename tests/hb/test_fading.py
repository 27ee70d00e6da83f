"""How far inks have bleached, told from a card's residuals: by sums done another way."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import dblquad
from scipy.stats import multivariate_normal

from cardreader.core.refusal import Reason, Refusal
from cardreader.core.shipped import shipped
from cardreader.hb.calibration import Calibration
from cardreader.hb.calibrationnumbers import CalibrationError
from cardreader.hb.estimate import estimates, read_hb
from cardreader.hb.fading import Fading
from cardreader.hb.measured import BRIGHTEST_AT, N_SIGNATURE, VIVIDNESS_AT, Measured
from cardreader.hb.plausible import must_be_plausible

DEFAULT = Calibration.load(shipped("default"))
NONE = np.zeros((3, 3))


def two_inks(**changes: object) -> Fading:
    return Fading(
        **{
            "offset": [0.0, 0.0],
            "gain": np.eye(2),
            "scatter": np.array([[9.0, -3.0], [-3.0, 9.0]]) * 1e-4,
            "signature": np.eye(2),
            "colour": np.zeros((2, 4, 3)),
            "fresh": 0.6,
            "typical": 0.03,
            **changes,
        }
    )


@pytest.mark.parametrize("found", [(0.0, 0.0), (0.06, 0.05), (0.1, -0.02), (-0.1, 0.0)])
def test_the_share_is_the_posterior_mean(found: tuple[float, float]) -> None:
    """Against SciPy's quadrature of the same prior and likelihood."""
    fading = two_inks()
    (a, b), (_, c) = np.linalg.inv(fading.scatter).tolist()
    height = math.sqrt(a * c - b * b) / (2 * math.pi)

    def likelihood(m: float, y: float) -> float:
        # SciPy's own density takes a hundred times as long for one point.
        m, y = m - found[0], y - found[1]
        return height * math.exp(-(a * m * m + 2 * b * m * y + c * y * y) / 2)

    assert likelihood(0.05, 0.02) == pytest.approx(
        multivariate_normal(found, fading.scatter).pdf([0.05, 0.02])
    )

    def weight(y: float, m: float) -> float:
        # Over the quadrant the integral of exp(-max / t) is 2 t^2.
        faded = math.exp(-max(m, y) / fading.typical) / (2 * fading.typical**2)
        return likelihood(m, y) * faded * (1 - fading.fresh)

    def integral(of: object) -> float:
        return dblquad(of, 0, 0.4, 0, 0.4, epsabs=1e-6)[0]

    total = integral(weight) + fading.fresh * likelihood(0.0, 0.0)
    mean = [
        integral(lambda y, m: m * weight(y, m)) / total,
        integral(lambda y, m: y * weight(y, m)) / total,
    ]
    assert fading.seen(found).share == pytest.approx(mean, abs=0.002)


def test_a_fresh_card_stays_fresh_and_a_faded_one_is_told() -> None:
    fading = two_inks()
    assert fading.seen([0.0, 0.0]).largest < 0.02
    assert fading.seen([0.2, 0.2]).largest > 0.15


def test_a_narrow_prior_gives_numbers_still() -> None:
    shares = two_inks(typical=0.001).seen([[0.0, 0.0], [0.3, 0.3]]).share
    assert np.isfinite(shares).all()


def test_what_is_taken_off_is_what_bleaching_adds() -> None:
    colour = np.zeros((2, 4, 3))
    colour[0, 0] = [1.0, 2.0, 3.0]
    colour[1, 1:] = np.eye(3)
    fading = two_inks(colour=colour, scatter=np.eye(2) * 1e-8)
    share = np.array([0.1, 0.05])
    before = np.array([-1.0, -1.5, -2.0])
    log_ratio, covariance, signature = fading.undone(before, NONE, share)
    seen = fading.seen(share)
    assert seen.share == pytest.approx(share, abs=0.006)
    expected = before - seen.share[0] * np.array([1.0, 2.0, 3.0]) - seen.share[1] * before
    assert log_ratio == pytest.approx(expected)
    assert signature == pytest.approx(share - seen.share)
    assert np.all(np.linalg.eigvalsh(covariance) >= -1e-15)


def test_what_is_not_taken_off_is_doubt() -> None:
    """By a sum written out: half of the share comes off, and the other half widens."""
    colour = np.zeros((2, 4, 3))
    colour[0, 0] = [0.0, -1.0, 0.0]
    half = two_inks(colour=colour, taken_off=0.5)
    whole = two_inks(colour=colour)
    blot, card = np.full(3, -0.5), np.array([0.12, 0.0])
    share = whole.seen(card)
    ratio, doubt, signature = half.undone(blot, NONE, card)
    assert ratio[1] == pytest.approx(blot[1] + 0.5 * share.share[0])
    assert doubt[1, 1] == pytest.approx(share.covariance[0, 0] + (0.5 * share.share[0]) ** 2)
    assert signature == pytest.approx(card - 0.5 * share.share)
    assert "taken_off" in half.as_json()
    assert "taken_off" not in whole.as_json(), "a calibration of before keeps its hash"


def test_far_outside_its_limits_a_number_shows_bleaching_but_takes_nothing_more_off() -> None:
    colour = np.ones((2, 4, 3))
    limits = np.array([[-0.1, -5.0], [0.1, 5.0]])
    fading = two_inks(colour=colour, believed=limits)
    at_the_limit, beyond = ([signature, 0.0] for signature in (0.1, 0.3))
    ratio = np.array([-1.0, -1.5, -2.0])
    off = [fading.undone(ratio, NONE, card)[0] - ratio for card in (at_the_limit, beyond)]
    assert off[1] == pytest.approx(off[0])
    assert np.abs(off[0]).max() > 0.01
    assert fading.seen(beyond).largest > 1.5 * fading.seen(at_the_limit).largest
    back = Fading(**fading.as_json())
    np.testing.assert_array_equal(back.believed, limits)
    with pytest.raises(ValueError, match="least first"):
        two_inks(believed=limits[::-1])


def test_a_phone_duller_in_hue_saturation_and_value_is_not_read_as_beside_a_bleached_card() -> None:
    """Its share towards the brightest channel lies four standard deviations out."""
    fading = DEFAULT.fading
    assert fading is not None
    signature = DEFAULT.signature_mean.copy()
    ratio = np.array([-1.0, -1.5, -2.3])
    usual = fading.undone(ratio, NONE, signature)[0]
    signature[BRIGHTEST_AT] -= 4.4 * DEFAULT.signature_sd[BRIGHTEST_AT]
    dull = fading.undone(ratio, NONE, signature)[0]
    bleached = replace(fading, believed=None).undone(ratio, NONE, signature)[0]
    assert np.abs(dull - usual).max() < 0.4 * np.abs(bleached - usual).max()


def test_many_cards_at_once_are_the_same_as_one_by_one() -> None:
    fading = DEFAULT.fading
    assert fading is not None
    rng = np.random.default_rng(0)
    mean, sd = DEFAULT.signature_mean, DEFAULT.signature_sd
    signatures = mean + rng.normal(0, 1, (7, len(mean))) * sd
    ratios, covariances = rng.normal(-1.5, 0.2, (7, 3)), np.repeat(NONE[None], 7, axis=0)
    together = fading.undone(ratios, covariances, signatures)
    for i in range(7):
        alone = fading.undone(ratios[i], covariances[i], signatures[i])
        for many, one in zip(together, alone, strict=True):
            assert many[i] == pytest.approx(one)


def test_cards_beyond_what_is_held_at_once_are_the_same_as_few() -> None:
    cards = np.random.default_rng(5).normal(0, 0.05, (450, 2))
    all_of_them, few = two_inks().seen(cards), two_inks().seen(cards[395:405])
    # But for rounding: how sums of many cards are cut up depends on the processor.
    np.testing.assert_allclose(all_of_them.share[395:405], few.share, rtol=1e-12)
    np.testing.assert_allclose(all_of_them.covariance[395:405], few.covariance, rtol=1e-9)
    assert len(all_of_them.share) == len(cards)


def test_a_card_faded_beyond_the_limit_is_refused_with_what_to_do() -> None:
    fading = DEFAULT.fading
    assert fading is not None
    faded = DEFAULT.signature_mean + (DEFAULT.max_fade + 0.1) * fading.signature.sum(axis=0)
    at_nine = DEFAULT.grid_locus[np.searchsorted(DEFAULT.grid_g_dl, 9.0)]
    result = read_hb(Measured(at_nine, NONE, faded), DEFAULT)
    assert isinstance(result, Refusal)
    assert result.reason is Reason.CARD_FADED
    assert "fresh card" in result.advice


def test_colours_as_faded_by_a_phone_that_changes_them_ask_for_the_phone_first() -> None:
    fading = DEFAULT.fading
    assert fading is not None
    faded = DEFAULT.signature_mean + (DEFAULT.max_fade + 0.1) * fading.signature.sum(axis=0)
    # Lively in a way that says nothing of bleaching.
    lively = np.zeros_like(faded)
    lively[VIVIDNESS_AT] = 4 * DEFAULT.signature_sd[VIVIDNESS_AT]
    away = fading.gain.T @ np.linalg.solve(fading.gain @ fading.gain.T, fading.gain @ lively)
    away[VIVIDNESS_AT] = 0.0
    at_nine = DEFAULT.grid_locus[np.searchsorted(DEFAULT.grid_g_dl, 9.0)]
    result = read_hb(Measured(at_nine, NONE, faded + lively - away), DEFAULT)
    assert isinstance(result, Refusal)
    assert result.reason is Reason.COLOUR_NOT_CORRECTABLE
    assert "filters" in result.advice


def test_it_survives_the_file() -> None:
    assert DEFAULT.fading is not None
    again = Calibration.from_json(DEFAULT.to_json())
    assert again.fading is not None
    assert np.array_equal(again.fading.gain, DEFAULT.fading.gain)
    assert again.sha256 == DEFAULT.sha256


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"gain": np.eye(3)}, "shape"),
        ({"offset": 0.0}, "dimensions"),
        ({"scatter": np.zeros((2, 2))}, "positive definite"),
        ({"scatter": [[1e-3, 0.0], [5e-4, 1e-3]]}, "symmetric"),
        ({"typical": 0.0}, "typical"),
        ({"fresh": 1.0}, "fresh"),
        ({"taken_off": 1.5}, "taken_off"),
        ({"colour": np.full((2, 4, 3), np.nan)}, "usable number"),
    ],
)
def test_malformed_fading_is_said(changes: dict[str, object], says: str) -> None:
    with pytest.raises(ValueError, match=says):
        two_inks(**changes)


@pytest.mark.parametrize(
    "changes",
    [
        {"colour": np.full((2, 4, 3), 100.0)},
        {"gain": np.zeros((2, N_SIGNATURE))},
        {"offset": [9.0, 0.0]},
    ],
)
def test_fading_that_no_fit_gives_is_not_taken_from_a_file(changes: dict[str, object]) -> None:
    assert DEFAULT.fading is not None
    odd = replace(DEFAULT, fading=replace(DEFAULT.fading, **changes))
    must_be_plausible(DEFAULT)
    with pytest.raises(CalibrationError, match="fading"):
        must_be_plausible(odd)


def test_many_readings_at_once_leave_out_faded_cards_too() -> None:
    fading = DEFAULT.fading
    assert fading is not None
    at_nine = DEFAULT.grid_locus[np.searchsorted(DEFAULT.grid_g_dl, 9.0)]
    shares = np.array([[0.0, 0.0], [0.3, 0.3]])
    signatures = DEFAULT.signature_mean + shares @ fading.signature
    measured = Measured(
        np.stack([at_nine, at_nine]), np.stack([NONE, NONE]) + 1e-6 * np.eye(3), signatures
    )
    assert estimates(measured, DEFAULT).readable.tolist() == [True, False]


def test_fading_for_other_signatures_is_said() -> None:
    with pytest.raises(CalibrationError, match="signatures of"):
        replace(DEFAULT, fading=two_inks())


@pytest.mark.parametrize("fading", [[], {"gain": 1}, {"rubbish": 1}, "x", {"offset": [[]]}])
def test_a_file_with_malformed_fading_is_not_a_calibration(fading: object) -> None:
    content = json.loads(DEFAULT.to_json())
    content["fading"] = fading
    with pytest.raises(CalibrationError):
        Calibration.from_json(json.dumps(content))
