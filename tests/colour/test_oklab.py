"""Oklab beside colour-science, which has it from the same paper (Ottosson 2020)."""

from __future__ import annotations

import colour
import numpy as np
import pytest

from cardreader.colour.oklab import chroma_scaled, chroma_scaled_and_slope, oklab

LINEAR = np.random.default_rng(4).uniform(0.002, 1.1, (200, 3))
TO_XYZ = colour.RGB_COLOURSPACES["sRGB"].matrix_RGB_to_XYZ


def test_is_the_librarys() -> None:
    # The library goes by XYZ with the matrix of sRGB rounded to four places.
    assert np.allclose(oklab(LINEAR), colour.XYZ_to_Oklab(LINEAR @ TO_XYZ.T), atol=4e-4)


@pytest.mark.parametrize("factor", [0.6, 1.0, 1.4])
def test_scales_chroma_alone(factor: float) -> None:
    scaled = chroma_scaled(LINEAR, factor)
    wanted = colour.XYZ_to_Oklab(LINEAR @ TO_XYZ.T) * [1, factor, factor]
    assert np.allclose(scaled, colour.Oklab_to_XYZ(wanted) @ np.linalg.inv(TO_XYZ).T, atol=2e-3)


def test_the_derivative_is_that_of_the_function() -> None:
    up, down = (chroma_scaled(LINEAR, 0.8 * np.exp(d)) for d in (1e-6, -1e-6))
    value, slope = chroma_scaled_and_slope(LINEAR, 0.8)
    assert np.array_equal(value, chroma_scaled(LINEAR, 0.8))
    assert np.allclose(slope, (up - down) / 2e-6, atol=1e-7)
