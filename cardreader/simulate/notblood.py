"""Spots that are not fresh blood: what a reader must not take for it.

Each gives the reflectance (k, n) of a spot on blotting paper for k amounts,
1 being a full drop.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from cardreader.simulate.blood import WAVELENGTHS_NM, paper_reflectance
from cardreader.simulate.colorimetry import light
from cardreader.simulate.inks import print_reflectance, stock_reflectance
from cardreader.simulate.scene import BLOT_VOLUMES, Scene

Array = NDArray[np.float64]


def red_ink(amounts: Array) -> Array:
    """Writing ink: a dye that lets all red through and is too clean for blood."""
    dye = np.array([0.0, 0.85, 0.30, 0.0])
    return paper_reflectance() * print_reflectance(amounts[:, None] * dye) / stock_reflectance()


def dried_brown(amounts: Array) -> Array:
    """An old blot gone brown: absorption falls smoothly to the red, without bands.

    The curve is invented, in the manner of methaemoglobin after days.
    """
    absorbance = 0.62 * np.exp(-(WAVELENGTHS_NM - 500) / 160)
    return paper_reflectance() * 10.0 ** -(amounts[:, None] * absorbance)


def with_spot_of(scene: Scene, spectrum: Callable[[Array], Array]) -> Scene:
    """The scene with a spot of something else in place of its blot.

    Works for scenes under a CIE light, whose spectrum is known by name.
    """
    power = light(scene.light_name)
    gain = scene.raw_stock / scene.camera.raw(stock_reflectance(), power)
    return replace(scene, raw_blot=scene.camera.raw(spectrum(BLOT_VOLUMES), power) * gain)
