"""What is left over of a colour correction, held against scikit-learn's Gaussian process."""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest
from numpy.typing import NDArray
from sklearn.gaussian_process import GaussianProcessRegressor
from sklearn.gaussian_process.kernels import RBF

from cardreader.colour.cielab import xyz_to_lab
from cardreader.read.leftover import PRINT_SD, PRIOR_SD, REACH_LAB, Leftover
from cardreader.simulate.scene import simulated_lot

Array = NDArray[np.float64]
MEASURED = simulated_lot(7, date.max, 7, noise_lab=0.0).xyz
ALL = np.ones(len(MEASURED))
BLOOD: Array = np.array([[0.11, 0.07, 0.03], [0.3, 0.25, 0.15]])


def seen(seed: int = 5) -> Array:
    """Prints off by something smooth and by something of their own."""
    rng = np.random.default_rng(seed)
    smooth = 0.1 * np.sin(xyz_to_lab(MEASURED) / 30)
    return np.asarray(MEASURED * np.exp(smooth + rng.normal(0, 0.01, MEASURED.shape)))


def test_it_is_the_librarys_posterior_mean() -> None:
    """scikit-learn's, of the means of two prints, each with half the noise of one."""
    found = Leftover(seen(), MEASURED, ALL).at(BLOOD)
    shade = np.exp(np.log(seen()).reshape(-1, 2, 3).mean(axis=1))
    ratio = np.log(seen() / MEASURED).reshape(-1, 2, 3).mean(axis=1)
    library = GaussianProcessRegressor(
        RBF(REACH_LAB), alpha=(PRINT_SD / PRIOR_SD) ** 2, optimizer=None
    ).fit(xyz_to_lab(shade), ratio)
    assert found == pytest.approx(library.predict(xyz_to_lab(BLOOD)), abs=1e-9)


def test_what_is_smooth_goes_and_far_from_all_prints_nothing_does() -> None:
    leftover = Leftover(seen(), MEASURED, ALL)
    before, after = (np.log(xyz / MEASURED).std() for xyz in (seen(), leftover.taken_off(seen())))
    assert after < 0.4 * before
    blue: Array = np.array([[0.5, 0.1, 6.0]])
    assert np.abs(leftover.at(blue)).max() < 1e-3


def test_a_print_that_lost_its_colour_says_nothing() -> None:
    lost, sound = seen(), ALL.copy()
    lost[10:12] = 1e-3
    sound[10:12] = 0.01
    one, other = (Leftover(xyz, MEASURED, ALL).at(BLOOD) for xyz in (seen(), lost))
    without = Leftover(lost, MEASURED, sound).at(BLOOD)
    assert np.abs(without - one).max() < 0.01
    assert np.abs(other - one).max() > 5 * np.abs(without - one).max()


def test_a_prints_twin_stands_in_for_it() -> None:
    lost, sound = seen(), ALL.copy()
    lost[10], sound[10] = 1e-3, 0.01
    whole, halved = Leftover(seen(), MEASURED, ALL), Leftover(lost, MEASURED, sound)
    assert halved.at(MEASURED[10:11]) == pytest.approx(whole.at(MEASURED[10:11]), abs=0.02)
