"""A scene's spectra seen again: other surfaces in its light, or its own in other light."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from cardreader.simulate.blood import blot_reflectance, paper_reflectance
from cardreader.simulate.inks import print_reflectance, stock_reflectance
from cardreader.simulate.scene import BLOT_VOLUMES, Scene

Array = NDArray[np.float64]


def raw_of(scene: Scene, reflectance: Array, power: Array | None = None) -> Array:
    """Raw colour (..., 3) of reflectances (..., n) at a scene's exposure and white balance.

    ``power`` (n,) puts another lamp in the place of the scene's own.
    """
    gain = scene.raw_stock / scene.camera.raw(stock_reflectance(), scene.power)
    lamp = scene.power if power is None else power
    return np.asarray(scene.camera.raw(reflectance, lamp) * gain)


def paper_tint(scene: Scene) -> float:
    """Yellowing of a scene's blotting paper, worked out from its raw colour."""
    white, yellow = (raw_of(scene, paper_reflectance(t)) for t in (0.0, 1.0))
    way = yellow - white
    return float((scene.raw_paper - white) @ way / (way @ way))


def in_other_light(scene: Scene, power: Array) -> Scene:
    """The scene under another lamp of power (n,), to which the phone did not adapt."""
    tint = paper_tint(scene)
    amounts = scene.volume * BLOT_VOLUMES
    stock = raw_of(scene, stock_reflectance(), power)
    return replace(
        scene,
        raw_patches=raw_of(scene, scene.patch_reflectance, power),
        raw_stock=stock,
        raw_paper=raw_of(scene, paper_reflectance(tint), power),
        raw_marker=raw_of(scene, print_reflectance([0.0, 0.0, 0.0, 1.6]), power),
        raw_blot=raw_of(scene, blot_reflectance(scene.hb_g_dl, scene.so2, amounts, tint), power),
        glare=scene.glare * stock / scene.raw_stock,
        power=power,
    )
