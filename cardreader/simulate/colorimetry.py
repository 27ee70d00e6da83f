"""CIE colour of simulated spectra, and the lights they are seen under.

Illuminants and the 1931 observer come from colour-science, which cites the CIE
publications they are taken from.
"""

from __future__ import annotations

from functools import cache

import colour
import numpy as np
from numpy.typing import ArrayLike, NDArray

from cardreader.simulate.blood import WAVELENGTHS_NM

_SHAPE = colour.SpectralShape(WAVELENGTHS_NM[0], WAVELENGTHS_NM[-1], 5)
D50_XY = colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D50"]

TABULATED_LIGHTS = (
    "A", "D50", "D55", "D65", "D75",
    "FL1", "FL2", "FL3", "FL4", "FL5", "FL6", "FL7", "FL8", "FL9", "FL10", "FL11", "FL12",
    "LED-B1", "LED-B2", "LED-B3", "LED-B4", "LED-B5", "LED-BH1", "LED-RGB1", "LED-V1", "LED-V2",
)  # fmt: skip
"""CIE lights that tests and benchmarks read under; no calibration of ours is fitted to them."""


@cache
def light(name: str) -> NDArray[np.float64]:
    """Relative spectral power of a CIE illuminant, shape (n,), mean 1."""
    if name not in colour.SDS_ILLUMINANTS:
        raise ValueError(f"no illuminant {name!r}")
    power = np.array(colour.SDS_ILLUMINANTS[name].copy().align(_SHAPE).values)
    return power / power.mean()


@cache
def observer() -> NDArray[np.float64]:
    """CIE 1931 colour-matching functions, shape (n, 3)."""
    cmfs = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]
    return np.array(cmfs.copy().align(_SHAPE).values)


def xyz(reflectance: ArrayLike, light_name: str = "D50") -> NDArray[np.float64]:
    """Tristimulus values, shape (..., 3), Y of the perfect diffuser = 1."""
    weights = observer() * light(light_name)[:, None]
    return np.asarray(reflectance, float) @ weights / weights[:, 1].sum()


def lab(reflectance: ArrayLike) -> NDArray[np.float64]:
    """CIELAB under D50 for the 2 degree observer, shape (..., 3)."""
    return np.array(colour.XYZ_to_Lab(xyz(reflectance), D50_XY))
