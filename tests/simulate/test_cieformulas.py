"""What the simulator works out of CIE colour is what colour-science gives, to the last bit."""

import colour
import numpy as np
import pytest

from cardreader.simulate import cieformulas
from cardreader.simulate.blood import WAVELENGTHS_NM

RNG = np.random.default_rng(20261127)
# Of every sign and size that a clipped or noisy picture may hold, and each curve's two pieces.
VALUES = np.concatenate(
    [RNG.uniform(-0.2, 1.4, (4000, 3)), RNG.uniform(0, 0.01, (500, 3)), np.eye(3), np.zeros((1, 3))]
)
LAB = RNG.uniform((0, -90, -90), (110, 90, 90), (4000, 3))
WHITES = {
    name: colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"][name]
    for name in ("D50", "D65")
}


@pytest.mark.parametrize(("name", "white"), WHITES.items())
def test_cielab(name, white):
    np.testing.assert_array_equal(getattr(cieformulas, f"{name}_XY"), white)
    np.testing.assert_array_equal(
        cieformulas.xyz_to_lab(VALUES, white), colour.XYZ_to_Lab(VALUES, white)
    )
    np.testing.assert_array_equal(cieformulas.lab_to_xyz(LAB, white), colour.Lab_to_XYZ(LAB, white))


def test_cielab_is_under_d65_unless_told():
    np.testing.assert_array_equal(cieformulas.xyz_to_lab(VALUES), colour.XYZ_to_Lab(VALUES))
    np.testing.assert_array_equal(cieformulas.lab_to_xyz(LAB), colour.Lab_to_XYZ(LAB))


def test_oklab():
    lab = colour.XYZ_to_Oklab(VALUES)
    np.testing.assert_array_equal(cieformulas.xyz_to_oklab(VALUES), lab)
    np.testing.assert_array_equal(cieformulas.oklab_to_xyz(lab), colour.Oklab_to_XYZ(lab))


def test_srgb():
    np.testing.assert_array_equal(
        cieformulas.SRGB_TO_XYZ, colour.RGB_COLOURSPACES["sRGB"].matrix_RGB_to_XYZ
    )
    codes = np.concatenate([VALUES.ravel(), np.arange(256) / 255, [0.0031308 * 12.92]])
    np.testing.assert_array_equal(cieformulas.linear_of_srgb(codes), colour.models.eotf_sRGB(codes))
    linear = np.concatenate([VALUES.ravel(), [0.0031308]])
    np.testing.assert_array_equal(
        cieformulas.srgb_of_linear(linear), colour.models.eotf_inverse_sRGB(linear)
    )


@pytest.mark.parametrize("kelvin", [4000.0, *RNG.uniform(4000, 25000, 40), 7000.0, 25000.0])
def test_daylight(kelvin):
    xy = colour.temperature.CCT_to_xy_CIE_D(kelvin)
    series = colour.sd_CIE_illuminant_D_series(xy)
    np.testing.assert_array_equal(
        cieformulas.daylight(kelvin, WAVELENGTHS_NM),
        np.interp(WAVELENGTHS_NM, series.wavelengths, series.values),
    )
