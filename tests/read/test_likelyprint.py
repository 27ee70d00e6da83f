"""What a print likely is, of what photos left over at it."""

from __future__ import annotations

import numpy as np
import pytest
from sklearn.linear_model import Ridge

from cardreader.card import layout
from cardreader.read.likelyprint import MOST_SD, RANK, PrintRegression, likely_print
from cardreader.simulate.likelyprint import RIDGE, draw_prints, regress

SEED = 607
"""Of no world that the table was made of, nor of any that is reported."""


def _drawn(n: int = 80) -> tuple[np.ndarray, np.ndarray]:
    """Prints that miss in two ways, and the traces these leave."""
    rng = np.random.default_rng(SEED)
    shape = (layout.N_SHADES, 3)
    trace, miss = rng.normal(size=(2, 2, *shape)) * 0.1
    ways = rng.normal(size=(n, 2))
    left = np.tensordot(ways, trace, axes=1) + rng.normal(0, 0.002, (n, *shape))
    return left + 0.03, np.tensordot(ways, miss, axes=1) - 0.05


def test_of_full_rank_it_is_the_ridge_regression_of_scikit_learn() -> None:
    left, prints = _drawn()
    ours = regress(left, prints, rank=80)
    flat = [part.reshape(len(part), -1) for part in (left, prints)]
    theirs = Ridge(alpha=RIDGE * len(left)).fit(*flat)
    wanted = theirs.predict(flat[0][:5]).reshape(5, -1, 3)
    found = np.array([ours(one) for one in left[:5]])
    # Within the limit on each way, which no print of these goes beyond.
    assert np.abs(found - wanted).max() < 2e-3


def test_two_ways_of_missing_are_told_by_two() -> None:
    left, prints = _drawn()
    found = np.array([regress(left[10:], prints[10:], rank=2)(one) for one in left[:10]])
    wrong = found - prints[:10]
    assert np.sqrt((wrong**2).mean()) < 0.2 * prints.std()
    one = np.array([regress(left[10:], prints[10:], rank=1)(one) for one in left[:10]])
    assert np.sqrt(((one - prints[:10]) ** 2).mean()) > 0.4 * prints.std()


def test_a_print_far_from_all_that_are_known_moves_by_no_more_than_the_limit() -> None:
    left, prints = _drawn()
    told = regress(left, prints, rank=2)
    far = told(told.mean_left + 100 * (left[0] - told.mean_left))
    most = MOST_SD * np.abs(told.misses).sum(axis=-1)
    assert (np.abs(far - told.mean_print) <= most + 1e-12).all()


def test_the_table_that_ships_foretells_prints_of_other_worlds() -> None:
    """Half of what photos alone leave wrong, or less: 0.107 to 0.060 on a hundred (seed 31337)."""
    left, prints = draw_prints(range(8), SEED)
    found = np.array([likely_print()(one) for one in left])
    photos_alone, likely = (np.sqrt(((part - prints) ** 2).mean()) for part in (left, found))
    assert likely < 0.8 * photos_alone


def test_the_table_has_the_shape_of_the_card() -> None:
    table = likely_print().table
    assert table.shape == (3 * layout.N_SHADES, 2 + 2 * RANK)
    again = PrintRegression.of_table(table)
    assert again.misses == pytest.approx(likely_print().misses)
