"""Measurements kept as rows and as JSON."""

from __future__ import annotations

import json

import numpy as np
import pytest

from cardreader.hb.measured import Measured, OtherChainError
from cardreader.read.chain import CHAIN


def some(n: int = 2, s: int = 5) -> Measured:
    rng = np.random.default_rng(3)
    root = rng.normal(size=(n, 3, 3)) * 0.01
    return Measured(
        rng.normal(-1, 0.3, (n, 3)), root @ root.swapaxes(1, 2), rng.normal(size=(n, s))
    )


def test_rows_and_back():
    one = some()
    back = Measured.of_rows(one.rows())
    assert np.array_equal(back.log_ratio, one.log_ratio)
    assert np.array_equal(back.covariance, one.covariance)
    assert np.array_equal(back.signature, one.signature)


def test_json_and_back_to_nine_digits():
    one = some()[0]
    back = Measured.from_json(json.loads(json.dumps(one.as_json())))
    assert back.rows() == pytest.approx(one.rows(), rel=1e-8)
    assert back.log_ratio.shape == (3,)


def test_numbers_of_another_chain_are_not_taken_for_ones_own():
    kept = {**some()[0].as_json(), "chain": "another"}
    with pytest.raises(OtherChainError, match=f"another.*{CHAIN}"):
        Measured.from_json(kept)


@pytest.mark.parametrize("missing", ["log_ratio", "covariance", "signature"])
def test_what_is_no_measurement_is_said(missing):
    kept = {**some()[0].as_json(), missing: None}
    with pytest.raises(ValueError, match="no measurement"):
        Measured.from_json(kept)


def test_shapes_must_agree():
    with pytest.raises(ValueError, match="no measurements"):
        Measured(np.zeros((2, 3)), np.zeros((3, 3)), np.zeros((2, 4)))
    with pytest.raises(ValueError, match="finite"):
        Measured.of_rows(np.full((2, 9), np.nan))


def test_singles_stack_and_come_apart():
    many = some(3)
    assert np.array_equal(Measured.stack([many[i] for i in range(3)]).rows(), many.rows())
    assert len(many[1]) == 1
    with pytest.raises(ValueError, match="no measurements"):
        Measured.stack([])
