"""The physics of blood in paper against published values and an independent solution."""

from importlib.resources import files

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from cardreader.simulate import blood

# Haemoglobin molar extinction, 1/(M cm): HbO2 and Hb at a few wavelengths (nm), from the
# compilation that the packages cedalion (MIT) and mne (BSD-3) carry.
PUBLISHED = {542: (53292, 48148), 560: (32613, 53788), 576: (55540, 40092)}


@pytest.mark.parametrize("nm", PUBLISHED)
def test_extinction_table_has_published_values(nm):
    path = files("cardreader.simulate") / "data" / "haemoglobin_extinction.csv"
    table = np.loadtxt(path.read_text("utf-8").splitlines(), delimiter=",", skiprows=3)
    row = table[table[:, 0] == nm][0]
    np.testing.assert_allclose(row[1:], PUBLISHED[nm], rtol=1e-3)


def test_whole_blood_absorption_has_the_published_units():
    # Whole blood at 150 g/L: mu_a = eps ln(10) 150 / 64500 in 1/cm, as tissue optics texts
    # and the package simpa (MIT) give it.
    k = int(np.flatnonzero(blood.WAVELENGTHS_NM == 560)[0])
    oxygenated = blood.absorption_per_cm(15.0, so2=1.0)[k]
    reduced = blood.absorption_per_cm(15.0, so2=0.0)[k]
    np.testing.assert_allclose(oxygenated, 32613 * np.log(10) * 150 / 64500, rtol=1e-3)
    np.testing.assert_allclose(reduced, 53788 * np.log(10) * 150 / 64500, rtol=1e-3)


def test_oxygenated_and_reduced_blood_agree_at_the_isosbestic_points():
    # Isosbestic wavelengths 529, 545, 570 and 584 nm: textbook values, from memory.
    difference = blood.absorption_per_cm(15, 1.0) - blood.absorption_per_cm(15, 0.0)
    nm = blood.WAVELENGTHS_NM
    between = (nm > 515) & (nm < 600)
    change = np.flatnonzero(np.diff(np.sign(difference[between])))
    crossing = nm[between][change] + 2.5
    assert crossing.size == 4
    np.testing.assert_allclose(crossing, [529, 545, 570, 584], atol=5)


def test_two_flux_limits():
    assert blood.two_flux_reflectance(0.0) == 1.0
    assert blood.two_flux_reflectance(1e6) == pytest.approx(0.0, abs=1e-6)


def test_two_flux_inverse():
    r = np.linspace(0.01, 1.0, 50)
    np.testing.assert_allclose(blood.two_flux_reflectance(blood.two_flux_k_over_s(r)), r)


def test_two_flux_worked_value():
    # R = 1/2 gives K/S = (1 - R)^2 / (2 R) = 1/4, by hand.
    assert blood.two_flux_k_over_s(0.5) == pytest.approx(0.25)


@pytest.mark.parametrize("k_over_s", [0.02, 0.3, 4.0])
def test_two_flux_solves_the_differential_equation(k_over_s):
    # Kubelka and Munk (1931): dR/dh = S - 2 (K + S) R + S R^2 over a black backing,
    # integrated until the layer hides it.
    def slope(_, r):
        return 1 - 2 * (k_over_s + 1) * r + r**2

    thick = solve_ivp(slope, (0, 60), [0.0], rtol=1e-9, atol=1e-11).y[0, -1]
    assert blood.two_flux_reflectance(k_over_s) == pytest.approx(thick, rel=1e-5)


def test_blood_and_volume_enter_as_a_product():
    np.testing.assert_allclose(
        blood.blot_reflectance(8.0, volume=1.5), blood.blot_reflectance(12.0, volume=1.0)
    )


def test_no_blood_is_blank_paper():
    dry = blood.SURFACE + (1 - blood.SURFACE) * blood.paper_reflectance()
    np.testing.assert_allclose(blood.blot_reflectance(0.0), dry)


def test_more_haemoglobin_is_darker_everywhere():
    shades = blood.blot_reflectance([4.0, 9.0, 14.0])
    assert (np.diff(shades, axis=0) < 0).all()


def test_saturation_outside_0_to_1_is_a_mistake():
    with pytest.raises(ValueError, match="saturation"):
        blood.absorption_per_cm(10, so2=1.2)
