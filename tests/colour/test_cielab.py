"""Colour conversions against colour-science, another implementation of the same standards."""

from __future__ import annotations

from pathlib import Path

import colour
import numpy as np
import pytest

from cardreader.colour import cielab

D50_XY = colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D50"]


@pytest.fixture
def lab() -> cielab.Array:
    """Colours from black to white; some of them so dark that the linear part applies."""
    rng = np.random.default_rng(1)
    colours = rng.uniform([0, -60, -60], [100, 60, 60], (2000, 3))
    colours[:300, 0] = rng.uniform(0, 8, 300)
    colours[:300, 1:] = rng.uniform(-3, 3, (300, 2))
    return colours


def test_white_is_the_standards() -> None:
    # CIE 015:2018, table of D50 for the 2 degree observer: 96.42, 100, 82.51.
    assert np.allclose(100 * cielab.D50, [96.42, 100.0, 82.51], atol=0.015)
    assert np.allclose(cielab.D50, colour.xy_to_XYZ(D50_XY), atol=1e-12)
    assert np.allclose(cielab.D50_XY, D50_XY)


def test_lab_agrees_with_the_library(lab: cielab.Array) -> None:
    xyz = colour.Lab_to_XYZ(lab, D50_XY)
    assert np.allclose(cielab.lab_to_xyz(lab), xyz, rtol=0, atol=1e-12)
    assert np.allclose(cielab.xyz_to_lab(xyz), colour.XYZ_to_Lab(xyz, D50_XY), rtol=0, atol=1e-10)


def test_there_and_back(lab: cielab.Array) -> None:
    assert np.allclose(cielab.xyz_to_lab(cielab.lab_to_xyz(lab)), lab, rtol=0, atol=1e-9)


def test_srgb_matrix_agrees_with_the_library() -> None:
    srgb = colour.RGB_COLOURSPACES["sRGB"]
    adapt = colour.adaptation.matrix_chromatic_adaptation_VonKries(
        colour.xy_to_XYZ(D50_XY), colour.xy_to_XYZ(srgb.whitepoint), transform="Bradford"
    )
    theirs = np.linalg.inv(srgb.matrix_RGB_to_XYZ) @ adapt
    assert np.allclose(cielab.XYZ_TO_SRGB, theirs, rtol=0, atol=1e-12)
    assert np.allclose(cielab.XYZ_TO_SRGB @ cielab.D50, 1.0, atol=2e-4)


def test_encoded_srgb_agrees_with_the_library(lab: cielab.Array) -> None:
    theirs = colour.XYZ_to_sRGB(
        colour.Lab_to_XYZ(lab, D50_XY),
        illuminant=D50_XY,
        chromatic_adaptation_transform="Bradford",
    )
    # The library inverts the matrix as IEC 61966-2-1 rounds it.
    assert np.allclose(cielab.lab_to_srgb(lab), theirs, rtol=0, atol=1.5e-3)


def test_ciede2000_agrees_with_the_library(lab: cielab.Array) -> None:
    other = lab + np.random.default_rng(2).normal(0, 3, lab.shape)
    theirs = colour.delta_E(lab, other, method="CIE 2000")
    assert np.allclose(cielab.delta_e_2000(lab, other), theirs, rtol=0, atol=1e-9)


def test_ciede2000_of_the_published_pairs() -> None:
    # Sharma, Wu, Dalal, Color Research & Application 2005; 30: 21-30, table 1: 33 of its
    # 34 pairs, as colour-science 0.4.7 (BSD-3-Clause) carries them in its own tests.
    pairs = np.loadtxt(Path(__file__).with_name("ciede2000_pairs.csv"), delimiter=",", skiprows=1)
    assert len(pairs) == 33
    ours = cielab.delta_e_2000(pairs[:, :3], pairs[:, 3:6])
    assert np.abs(ours - pairs[:, 6]).max() < 1e-4
    # The measure is symmetric, which half of these pairs were chosen to try.
    assert np.allclose(cielab.delta_e_2000(pairs[:, 3:6], pairs[:, :3]), ours, atol=1e-9)
