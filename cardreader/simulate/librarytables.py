"""Tables of colour-science that the simulator draws by, kept here in full.

That library needs longer to import than most of what is simulated takes to draw; it cites the
publications that the tables are taken from. They are made by

    python -m cardreader.simulate.librarytables cardreader/simulate/data

and a test holds them to what the library gives, character for character.
"""

from __future__ import annotations

import sys
from collections.abc import Mapping
from functools import cache
from importlib.resources import files
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from cardreader.core.files import write_atomic
from cardreader.simulate.blood import WAVELENGTHS_NM

Array = NDArray[np.float64]

DATA = files("cardreader.simulate") / "data"
TABULATED_LIGHTS = (
    "A", "D50", "D55", "D65", "D75",
    "FL1", "FL2", "FL3", "FL4", "FL5", "FL6", "FL7", "FL8", "FL9", "FL10", "FL11", "FL12",
    "LED-B1", "LED-B2", "LED-B3", "LED-B4", "LED-B5", "LED-BH1", "LED-RGB1", "LED-V1", "LED-V2",
)  # fmt: skip
"""CIE lights that tests and benchmarks read under; no calibration of ours is fitted to them."""
MEASURED_CAMERAS = ("measured-1", "measured-2")
"""The cameras whose sensitivities the library has, as they are called here."""


def columns(table: str, *names: str) -> Array:
    """Columns of a table by name, shape (n, number of names).

    A row after another, as the library has them: what is multiplied by them rounds by that.
    """
    known, values = _read(table)
    return np.ascontiguousarray(values[:, [known.index(name) for name in names]])


@cache
def _read(table: str) -> tuple[list[str], Array]:
    lines = (DATA / f"{table}.csv").read_text("utf-8").splitlines()
    return lines[1].split(","), np.loadtxt(lines, delimiter=",", skiprows=2)


def write_tables(folder: Path) -> None:
    """Write the library's tables as they are read here: numbers in full."""
    import colour

    basis = colour.colorimetry.SDS_BASIS_FUNCTIONS_CIE_ILLUMINANT_D_SERIES
    daylight = {name: basis[name].values for name in ("S0", "S1", "S2")}
    what = "CIE components of daylight"
    _write(folder / "cie_daylight.csv", what, {"nm": basis["S0"].wavelengths, **daylight})

    shape = colour.SpectralShape(WAVELENGTHS_NM[0], WAVELENGTHS_NM[-1], 5)
    seen = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"].copy().align(shape)
    observer = dict(zip("xyz", seen.values.T, strict=True))
    lights = {
        name: colour.SDS_ILLUMINANTS[name].copy().align(shape).values for name in TABULATED_LIGHTS
    }
    what = "CIE 1931 colour-matching functions and illuminants"
    _write(folder / "cie_spectra.csv", what, {"nm": WAVELENGTHS_NM, **observer, **lights})

    sensitivities = {"nm": WAVELENGTHS_NM}
    cameras = colour.MSDS_CAMERA_SENSITIVITIES.values()
    for name, curves in zip(MEASURED_CAMERAS, cameras, strict=True):
        for channel, curve in zip("rgb", curves.values.T, strict=True):
            at = np.interp(WAVELENGTHS_NM, curves.wavelengths, curve, left=0, right=0)
            sensitivities[f"{name}-{channel}"] = np.maximum(at, 0)
    what = "Spectral sensitivities of cameras that were measured"
    _write(folder / "camera_sensitivities.csv", what, sensitivities)


def _write(path: Path, what: str, table: Mapping[str, Array]) -> None:
    rows = zip(*table.values(), strict=True)
    lines = [",".join(repr(float(value)) for value in row) for row in rows]
    head = [f"# {what}, from colour-science (BSD-3-Clause).", ",".join(table)]
    write_atomic(path, "\n".join([*head, *lines, ""]))


if __name__ == "__main__":
    write_tables(Path(sys.argv[1]))
