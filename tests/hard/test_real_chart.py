"""The colour matrix on real photographs, beside colour-science's own corrections.

Patch means of six photographs of a 24-patch chart that nobody here took, as
colour-checker-detection 0.2.3 (BSD-3-Clause) publishes them in its tests, and the
chart's published colours as colour-science 0.4 ships them. Each patch in turn is
left out, the rest are fitted, and the one left out is predicted.
"""

from __future__ import annotations

import csv
from functools import cache
from pathlib import Path

import colour
import numpy as np
import pytest
from numpy.typing import NDArray

from cardreader.read.matrix import fit_matrix

Array = NDArray[np.float64]
DATA = Path(__file__).parent / "data" / "real_chart_swatches.csv"
METHODS = {
    "Cheung 2004, 3 terms": {"method": "Cheung 2004", "terms": 3},
    "Finlayson 2015, degree 2": {"method": "Finlayson 2015", "degree": 2},
    "Vandermonde": {"method": "Vandermonde"},
}
D50 = colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D50"]


@cache
def photos() -> dict[str, Array]:
    """Encoded values (24, 3) of each photo."""
    lines = [line for line in DATA.read_text("utf-8").splitlines() if not line.startswith("#")]
    rows: dict[str, list[list[float]]] = {}
    for row in csv.DictReader(lines):
        rows.setdefault(row["photo"], []).append([float(row[c]) for c in ("red", "green", "blue")])
    return {name: np.array(values) for name, values in rows.items()}


@cache
def chart_xyz() -> Array:
    """Published colours of the chart, (24, 3), D50, perfect diffuser Y = 1."""
    chart = colour.CCS_COLOURCHECKERS["ColorChecker24 - After November 2014"]
    xyz = colour.xyY_to_XYZ(list(chart.data.values()))
    return np.asarray(
        colour.chromatic_adaptation(
            xyz, colour.xy_to_XYZ(chart.illuminant), colour.xy_to_XYZ(D50), method="Von Kries"
        )
    )


def linear(name: str) -> Array:
    """Linear light with the photo's exposure brought near the chart's by its white patch."""
    light = np.asarray(colour.models.eotf_sRGB(photos()[name]))
    return np.asarray(light / light[18] * chart_xyz()[18, 1])


def left_out_de00(name: str, method: str) -> Array:
    """CIEDE2000 of each patch predicted from the others, (24,)."""
    rgb, wanted = linear(name), chart_xyz()
    predicted = np.empty_like(wanted)
    for k in range(len(rgb)):
        rest = np.arange(len(rgb)) != k
        if method == "ours":
            predicted[k] = fit_matrix(rgb[rest], wanted[rest]) @ rgb[k]
        else:
            predicted[k] = colour.colour_correction(
                rgb[k], rgb[rest], wanted[rest], **METHODS[method]
            )
    lab = [colour.XYZ_to_Lab(np.maximum(v, 0), D50) for v in (predicted, wanted)]
    return np.asarray(colour.delta_E(*lab, method="CIE 2000"))


def usable(name: str) -> bool:
    """Whether no channel of a light patch is at its limit."""
    return bool((photos()[name][[0, 1, 18, 19]] < 0.99).all())


@pytest.mark.parametrize("name", sorted(photos()))
def test_predicts_left_out_patches_as_well_as_the_library(name: str) -> None:
    if not usable(name):
        pytest.skip("the chart's white is clipped on this photo")
    ours = left_out_de00(name, "ours")
    best = min(float(np.median(left_out_de00(name, method))) for method in METHODS)
    assert float(np.median(ours)) <= 1.2 * best


def test_the_data_are_what_they_are_said_to_be() -> None:
    assert {len(v) for v in photos().values()} == {24}
    assert len(photos()) == 6
    # The neutral scale, patches 19 to 24, falls from light to dark on every photo.
    for values in photos().values():
        assert (np.diff(values[18:], axis=0) < 0).all()


if __name__ == "__main__":  # the table of docs/hard.md
    for photo in photos():
        cells = [
            f"{np.median(left_out_de00(photo, m)):.2f} / {left_out_de00(photo, m).max():.1f}"
            for m in ("ours", *METHODS)
        ]
        print(f"| {photo} | " + " | ".join(cells) + " |")
