"""CIE colour of simulated spectra, and the lights they are seen under.

Illuminants and the 1931 observer come from colour-science, which cites the CIE publications
they are taken from; those that are often needed by way of `librarytables`.
"""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from cardreader.simulate.blood import WAVELENGTHS_NM
from cardreader.simulate.cieformulas import D50_XY, xyz_to_lab
from cardreader.simulate.librarytables import TABULATED_LIGHTS, columns


@cache
def light(name: str) -> NDArray[np.float64]:
    """Relative spectral power of a CIE illuminant, shape (n,), mean 1."""
    power = columns("cie_spectra", name)[:, 0] if name in TABULATED_LIGHTS else _seldom(name)
    return np.asarray(power / power.mean())


def _seldom(name: str) -> NDArray[np.float64]:
    import colour  # seconds, for a few tests and benchmarks

    if name not in colour.SDS_ILLUMINANTS:
        raise ValueError(f"no illuminant {name!r}")
    shape = colour.SpectralShape(WAVELENGTHS_NM[0], WAVELENGTHS_NM[-1], 5)
    return np.array(colour.SDS_ILLUMINANTS[name].copy().align(shape).values)


@cache
def observer() -> NDArray[np.float64]:
    """CIE 1931 colour-matching functions, shape (n, 3)."""
    return columns("cie_spectra", *"xyz")


def xyz(reflectance: ArrayLike, light_name: str = "D50") -> NDArray[np.float64]:
    """Tristimulus values, shape (..., 3), Y of the perfect diffuser = 1."""
    weights = observer() * light(light_name)[:, None]
    return np.asarray(reflectance, float) @ weights / weights[:, 1].sum()


def lab(reflectance: ArrayLike) -> NDArray[np.float64]:
    """CIELAB under D50 for the 2 degree observer, shape (..., 3)."""
    return xyz_to_lab(xyz(reflectance), D50_XY)
