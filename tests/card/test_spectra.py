"""Colours of spectra against colour-science, which carries the CIE's tables too."""

from __future__ import annotations

import colour
import numpy as np
import pytest

from cardreader.card import spectra as ours
from cardreader.card.spectra import between, spectra_to_xyz

OBSERVER = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]
D50 = colour.SDS_ILLUMINANTS["D50"]


def test_the_tables_are_the_cies_as_colour_science_has_them() -> None:
    for nm, x, y, z, light in ours.CIE_TABLE:
        assert [x, y, z] == pytest.approx(OBSERVER[nm], rel=1e-9, abs=1e-12)
        assert light == pytest.approx(D50[nm], rel=1e-9)
    assert ours.CIE_TABLE[:, 0].tolist() == list(range(360, 781, 5))


@pytest.mark.parametrize(
    ("first", "last", "step"),
    [(380, 730, 10), (400, 700, 20), (380, 780, 5), (360, 780, 1), (400, 700, 3), (340, 830, 2.5)],
)
def test_xyz_is_colour_sciences(first: float, last: float, step: float) -> None:
    """Noise, the hardest thing to interpolate: Sprague's curve and held ends in both."""
    nm = np.arange(first, last + step / 2, step)
    spectra = np.random.default_rng(3).uniform(0, 1, (6, nm.size))
    shape = colour.SpectralShape(360, 780, 5)
    with colour.utilities.suppress_warnings(colour_runtime_warnings=True):  # of its alignment
        theirs = colour.msds_to_XYZ(
            colour.MultiSpectralDistributions(spectra.T, nm).align(shape),
            OBSERVER.copy().align(shape),
            D50.copy().align(shape),
            method="Integration",
            shape=shape,
        )
    assert spectra_to_xyz(nm, spectra) == pytest.approx(theirs / 100, rel=1e-12)


def test_too_few_values_are_a_mistake() -> None:
    with pytest.raises(ValueError, match="six"):
        between(np.arange(5.0), np.ones((1, 5)), np.array([1.5]))
