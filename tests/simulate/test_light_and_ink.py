"""Lights against the CIE's published chromaticities; inks that match blood under one light only."""

import colour
import numpy as np
import pytest
from skimage.color import xyz2lab

from cardreader.card.layout import RAMP_HB_G_DL, cells
from cardreader.simulate.blood import WAVELENGTHS_NM, blot_reflectance
from cardreader.simulate.colorimetry import lab, light, xyz
from cardreader.simulate.inks import print_reflectance, recipe

# Chromaticity (x, y) for the 2 degree observer: CIE 15 (tables of standard illuminants,
# fluorescent lamps and LEDs). Values from memory, and the same in colour-science's tables.
CIE_15_XY = {
    "A": (0.44758, 0.40745),
    "D50": (0.34567, 0.35851),
    "D65": (0.31272, 0.32903),
    "FL2": (0.3721, 0.3751),
    "FL7": (0.3129, 0.3292),
    "FL11": (0.3805, 0.3769),
}
_2_DEGREES = "CIE 1931 2 Degree Standard Observer"
PERFECT_DIFFUSER = np.ones_like(WAVELENGTHS_NM)


def _xy(name):
    white = xyz(PERFECT_DIFFUSER, name)
    return white[:2] / white.sum()


@pytest.mark.parametrize("name", CIE_15_XY)
def test_white_point_is_the_published_one(name):
    np.testing.assert_allclose(_xy(name), CIE_15_XY[name], atol=1.5e-4)


@pytest.mark.parametrize("name", [*CIE_15_XY, "D55", "D75", "LED-B1", "LED-B3"])
def test_white_point_is_that_of_colour_science(name):
    np.testing.assert_allclose(_xy(name), colour.CCS_ILLUMINANTS[_2_DEGREES][name], atol=1.5e-4)


def test_perfect_diffuser_has_unit_luminance():
    assert xyz(PERFECT_DIFFUSER, "FL11")[1] == pytest.approx(1.0)


def test_lab_agrees_with_scikit_image():
    shades = print_reflectance(recipe())
    np.testing.assert_allclose(
        lab(shades), xyz2lab(xyz(shades), illuminant="D50", observer="2"), atol=0.02
    )


def test_unknown_light_is_a_mistake():
    with pytest.raises(ValueError, match="no illuminant"):
        light("candle of nobody")


def _ramp_miss(name):
    """CIEDE2000 between ramp shades and the blood they stand for, under a light."""
    ramp = [i for i, cell in enumerate(cells()) if cell.name in _FIRST_OF_RAMP]
    printed = xyz(print_reflectance(recipe()[ramp]), name)
    blood = xyz(blot_reflectance(RAMP_HB_G_DL), name)
    white = _xy(name)
    return colour.delta_E(
        colour.XYZ_to_Lab(printed, white), colour.XYZ_to_Lab(blood, white), method="CIE 2000"
    )


_FIRST_OF_RAMP = {f"R{i:02d}a" for i in range(1, len(RAMP_HB_G_DL) + 1)}


def test_ramp_matches_blood_under_d50():
    assert _ramp_miss("D50").max() < 0.05


@pytest.mark.parametrize("name", ["A", "FL2", "FL11", "LED-B1"])
def test_ramp_is_metameric_so_other_lights_tell_it_from_blood(name):
    assert _ramp_miss(name).min() > 0.8
