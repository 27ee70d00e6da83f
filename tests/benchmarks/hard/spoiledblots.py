"""Blots that must not be taken for a good one: browned, thinned, clotted, half outside, dyed.

The curves and amounts are invented within what such spots look like.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from cardreader.card import layout
from cardreader.simulate.blood import (
    SOAK_CM,
    SURFACE,
    WAVELENGTHS_NM,
    absorption_per_cm,
    paper_reflectance,
    two_flux_k_over_s,
    two_flux_reflectance,
)
from cardreader.simulate.blotshape import Blot, draw_blot
from cardreader.simulate.inks import print_reflectance, stock_reflectance
from cardreader.simulate.otherlight import paper_tint, raw_of
from cardreader.simulate.scene import BLOT_VOLUMES, Scene

Array = NDArray[np.float64]


def browned(scene: Scene, share: float) -> Scene:
    """``share`` of the haemoglobin has turned: its bands give way to a brown slope.

    The slope absorbs as much as blood does over 500 to 600 nm and has a weak
    band near 630 nm, as methaemoglobin does.
    """
    fresh = absorption_per_cm(scene.hb_g_dl, scene.so2)
    middle = (WAVELENGTHS_NM >= 500) & (WAVELENGTHS_NM <= 600)
    slope = np.exp(-(WAVELENGTHS_NM - 550) / 75)
    band = 0.35 * np.exp(-0.5 * ((WAVELENGTHS_NM - 630) / 14) ** 2)
    brown = (slope + band) * fresh[middle].mean() / slope[middle].mean()
    return _soaked(scene, (1 - share) * fresh + share * brown)


def thinned(scene: Scene, share: float) -> Scene:
    """Blood mixed with ``share`` of clear fluid: less haemoglobin in the same drop."""
    return _soaked(scene, (1 - share) * absorption_per_cm(scene.hb_g_dl, scene.so2))


def dyed(scene: Scene, rng: np.random.Generator) -> Scene:
    """A drop of red dye: magenta and yellow in some mixture, a little cyan at most."""
    dye = np.array([rng.uniform(0, 0.08), rng.uniform(0.5, 1.0), rng.uniform(0.2, 0.9), 0.0])
    spot = paper_reflectance(paper_tint(scene)) * print_reflectance(BLOT_VOLUMES[:, None] * dye)
    return replace(scene, raw_blot=raw_of(scene, spot / stock_reflectance()))


def clotted(rng: np.random.Generator, strength: float) -> Blot:
    """A good blot's outline with clots: ``strength`` is the uneven soak's standard deviation."""
    blot = draw_blot(rng)
    blob = blot.blobs[0]
    waves = blob.waves.copy()
    waves[:, 3] = strength * np.sqrt(2 / len(waves))
    return replace(blot, blobs=(replace(blob, waves=waves),))


def moved(rng: np.random.Generator, outside: float) -> Blot:
    """A good blot of which about ``outside`` of the diameter lies beyond the bay's edge."""
    blot = draw_blot(rng)
    blob = blot.blobs[0]
    side = float(rng.choice([-1.0, 1.0]))
    reach = layout.BAY_MM / 2 + (2 * outside - 1) * blob.radius_mm
    x = layout.CENTRE_MM[0] + side * reach
    return replace(blot, blobs=(replace(blob, x_mm=x),), fibres=np.zeros((0, 5)))


def _soaked(scene: Scene, absorption: Array) -> Scene:
    q = two_flux_k_over_s(paper_reflectance(paper_tint(scene)))
    q = q + SOAK_CM * scene.volume * BLOT_VOLUMES[:, None] * absorption
    spots = SURFACE + (1 - SURFACE) * two_flux_reflectance(q)
    return replace(scene, raw_blot=raw_of(scene, spots))
