"""Reflectance of blotting paper and of a blood blot on it, from haemoglobin absorption.

Blood soaks into the paper, so light is absorbed by haemoglobin and scattered
by the fibres: the two-flux model of Kubelka and Munk (1931) for a layer thick
enough to hide what lies under it, R = 1 + K/S - sqrt((K/S)^2 + 2 K/S), with
K/S of the paper plus that of the blood. The one constant that ties blood to
paper, SOAK_CM, is chosen, not measured: it puts the shades near CIELAB
(60, 39, 26) at 4 g/dL and (47, 50, 30) at 14 g/dL.
"""

from __future__ import annotations

from functools import cache
from importlib.resources import files

import numpy as np
from numpy.typing import ArrayLike, NDArray

WAVELENGTHS_NM: NDArray[np.float64] = np.arange(380.0, 731.0, 5.0)
"""Sampling of every spectrum in this package, 380 to 730 nm by 5 nm."""

MOLAR_MASS_G_MOL = 64500.0
SOAK_CM = 0.040
"""Absorption coefficient (1/cm) to K/S of the soaked paper, in cm."""

SURFACE = 0.01
"""Share of light that a dry matt surface reflects before it enters."""


@cache
def _extinction() -> NDArray[np.float64]:
    path = files("cardreader.simulate") / "data" / "haemoglobin_extinction.csv"
    rows = np.loadtxt(path.read_text("utf-8").splitlines(), delimiter=",", skiprows=3)
    return np.stack([np.interp(WAVELENGTHS_NM, rows[:, 0], rows[:, k]) for k in (1, 2)])


def absorption_per_cm(hb_g_dl: ArrayLike, so2: float = 0.95) -> NDArray[np.float64]:
    """Absorption coefficient of whole blood in 1/cm (natural logarithm), shape (..., n).

    Parameters
    ----------
    hb_g_dl : (...) array_like
        Haemoglobin concentration.
    so2 : float
        Oxygen saturation, 0 to 1.
    """
    if not 0 <= so2 <= 1:
        raise ValueError(f"saturation {so2} outside 0..1")
    oxy, deoxy = _extinction()
    molar = so2 * oxy + (1 - so2) * deoxy
    molarity = np.asarray(hb_g_dl, float)[..., None] * 10 / MOLAR_MASS_G_MOL
    return np.log(10) * molarity * molar


def two_flux_reflectance(k_over_s: ArrayLike) -> NDArray[np.float64]:
    """Kubelka-Munk reflectance of an opaque layer from K/S >= 0."""
    q = np.asarray(k_over_s, float)
    return 1 + q - np.sqrt(q * (q + 2))


def two_flux_k_over_s(reflectance: ArrayLike) -> NDArray[np.float64]:
    """Inverse of `two_flux_reflectance`, for 0 < R <= 1."""
    r = np.asarray(reflectance, float)
    return (1 - r) ** 2 / (2 * r)


def paper_reflectance(tint: float = 0.0) -> NDArray[np.float64]:
    """Blank blotting paper, shape (n,): near white, a little yellow.

    ``tint`` shifts the fall towards blue; 0 is the nominal sheet, 1 visibly
    yellowed.
    """
    blue_fall = (0.05 + 0.15 * tint) / (1 + np.exp((WAVELENGTHS_NM - 450) / 30))
    return 0.86 - 0.02 * tint - blue_fall


def blot_reflectance(
    hb_g_dl: ArrayLike, so2: float = 0.95, volume: ArrayLike = 1.0, tint: float = 0.0
) -> NDArray[np.float64]:
    """Reflectance of a dry blot, shape (..., n).

    Parameters
    ----------
    hb_g_dl : (...) array_like
        Haemoglobin concentration of the blood.
    so2 : float
        Oxygen saturation.
    volume : (...) array_like
        Blood per area relative to nominal; it enters as a product with Hb.
    tint : float
        Yellowing of the paper, see `paper_reflectance`.
    """
    amount = np.asarray(hb_g_dl, float) * np.asarray(volume, float)
    q = two_flux_k_over_s(paper_reflectance(tint)) + SOAK_CM * absorption_per_cm(amount, so2)
    return SURFACE + (1 - SURFACE) * two_flux_reflectance(q)
