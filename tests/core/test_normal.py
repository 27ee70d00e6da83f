"""The normal distribution against scipy's."""

import numpy as np
import pytest
from scipy.stats import norm

from cardreader.core.normal import normal_cdf


def test_chances_are_scipys():
    z = np.linspace(-8, 8, 400).reshape(20, 20)
    assert normal_cdf(z) == pytest.approx(norm.cdf(z), rel=1e-12)
