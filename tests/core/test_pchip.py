"""The monotone curve against scipy's."""

import numpy as np
import pytest
from scipy.interpolate import PchipInterpolator

from cardreader.core.pchip import pchip


@pytest.mark.parametrize("seed", range(40))
def test_the_curve_is_scipys(seed):
    """Rounded values, so that level stretches, peaks and ends that would overshoot occur."""
    rng = np.random.default_rng(seed)
    n = rng.integers(2, 12)
    x = np.cumsum(rng.uniform(0.1, 2, n))
    y = np.round(rng.normal(size=(n, 3)), rng.integers(0, 3))
    at = np.concatenate([x, rng.uniform(x[0] - 1, x[-1] + 1, 60)])
    assert pchip(x, y, at) == pytest.approx(PchipInterpolator(x, y)(at), rel=1e-12, abs=1e-12)


def test_it_never_overshoots():
    """Fritsch and Carlson 1980, table 1 (from memory): data on which plain cubics overshoot."""
    x = np.array([7.99, 8.09, 8.19, 8.7, 9.2, 10, 12, 15, 20])
    y = np.array([0, 2.76429e-5, 4.37498e-2, 0.169183, 0.469428, 0.943740, 0.998636, 0.999919, 1])
    curve = pchip(x, y[:, None], np.linspace(x[0], x[-1], 2000))[:, 0]
    assert np.all(np.diff(curve) >= -1e-15)
    assert curve.min() >= 0
    assert curve.max() <= 1
