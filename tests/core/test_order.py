"""Medians and quantiles against NumPy's own (numpy.median, numpy.quantile)."""

from __future__ import annotations

import numpy as np
import pytest

from cardreader.core.order import median, quantile


@pytest.mark.parametrize("kind", [np.float32, np.float64])
@pytest.mark.parametrize("n", [1, 2, 3, 10, 28, 573, 10_000])
def test_median_is_numpys(n, kind):
    values = np.random.default_rng(n).normal(size=(3, n)).astype(kind)
    found = median(values)
    assert found.dtype == kind
    np.testing.assert_array_equal(found, np.median(values, axis=-1))


@pytest.mark.parametrize("kind", [np.float32, np.float64])
@pytest.mark.parametrize("n", [1, 2, 3, 10, 28, 573, 53_824])
def test_quantiles_are_numpys(n, kind):
    values = np.random.default_rng(n).normal(size=n).astype(kind)
    shares = (0.0, 0.01, 0.1587, 0.5, 0.8413, 0.85, 0.99, 1.0)
    found = [quantile(np.sort(values), share) for share in shares]
    numpys = np.array([np.quantile(values, share) for share in shares])
    # In single precision NumPy rounds once less on its way.
    np.testing.assert_allclose(found, numpys, rtol=0, atol=0 if kind is np.float64 else 5e-7)
