"""Cards that no longer look as their lot was measured: faded, reprinted, copied, yellowed.

All act on reflectance, so that every lamp and camera sees the change its own way.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from cardreader.card import layout
from cardreader.card.layout import Kind
from cardreader.simulate.blood import (
    SURFACE,
    WAVELENGTHS_NM,
    blot_reflectance,
    paper_reflectance,
)
from cardreader.simulate.colorimetry import observer
from cardreader.simulate.inks import print_reflectance, stock_reflectance
from cardreader.simulate.otherlight import raw_of
from cardreader.simulate.scene import BLOT_VOLUMES, Scene

Array = NDArray[np.float64]


def with_print(scene: Scene, reflectance: Array) -> Scene:
    """The scene with other patches, reflectance (72, n)."""
    return replace(scene, raw_patches=raw_of(scene, reflectance), patch_reflectance=reflectance)


def faded(scene: Scene, share: float, black_too: bool = False) -> Scene:
    """Inks bleached by light: ``share`` of what absorbs blue and green is gone, less of the rest.

    Coloured dyes bleach, yellow and magenta first; black pigment hardly does
    (common practice, no source) unless ``black_too``.
    """
    weight = 0.4 + 0.6 / (1 + np.exp((WAVELENGTHS_NM - 580) / 20))
    coloured = np.array([c.kind is not Kind.NEUTRAL or black_too for c in layout.cells()])
    left = 1 - share * weight * coloured[:, None]
    return with_print(scene, _absorbance_scaled(scene.patch_reflectance, left))


def inks_bleached(scene: Scene, share: ArrayLike) -> Scene:
    """Each ink's own share (4,) of cyan, magenta, yellow and black gone."""
    return with_print(scene, print_reflectance(scene.ink * (1 - np.asarray(share, float))))


def reprinted(scene: Scene, rng: np.random.Generator, scatter: float) -> Scene:
    """Printed again on another machine: inks off by ``scatter``, banded along the card, mottled.

    The lot number stays the same, so the reader expects the colours of the good print.
    """
    knots = np.linspace(WAVELENGTHS_NM[0], WAVELENGTHS_NM[-1], 4)
    tilt = np.interp(WAVELENGTHS_NM, knots, rng.normal(0, scatter, 4))
    contrast = rng.normal(0, scatter)
    cell = rng.normal(0, 0.5 * scatter, (len(scene.patch_reflectance), 1))
    depth = _absorbance(scene.patch_reflectance)
    # A driver's own tone curve: middle tones shift against dark ones.
    bent = 1 + contrast * (1 - depth.mean(axis=1, keepdims=True))
    return with_print(
        scene, _absorbance_scaled(scene.patch_reflectance, bent * np.exp(tilt + cell))
    )


def yellowed_paper(scene: Scene, tint: float) -> Scene:
    """Blotting paper yellowed by ``tint`` (1 is visible at a glance), the blot's ground too."""
    spots = blot_reflectance(scene.hb_g_dl, scene.so2, scene.volume * BLOT_VOLUMES, tint)
    return replace(
        scene,
        raw_paper=raw_of(scene, paper_reflectance(tint)),
        raw_blot=raw_of(scene, spots),
    )


def yellowed_card(scene: Scene, tint: float) -> Scene:
    """Card stock yellowed by ``tint``: unprinted card and all patches lose blue together."""
    loss = 1 - 0.15 * tint / (1 + np.exp((WAVELENGTHS_NM - 450) / 30))
    aged = with_print(scene, scene.patch_reflectance * loss)
    return replace(aged, raw_stock=raw_of(scene, stock_reflectance() * loss))


def printed_copy(scene: Scene, saturation: float = 1.0) -> Scene:
    """A print of a photo of the card and its blot, photographed in its place.

    Every colour that the first phone saw is matched with three inks, within
    their gamut: what was blood is now ink.
    """
    seen = scene.develop(
        np.concatenate([scene.raw_patches, scene.raw_paper[None], scene.raw_blot[::5]])
    )
    grey = seen.mean(axis=-1, keepdims=True)
    ink = _inks_for(np.clip(grey + saturation * (seen - grey), 0.02, 1))
    raw = raw_of(scene, print_reflectance(ink))
    n = len(scene.raw_patches)
    coarse = BLOT_VOLUMES[::5]
    blot = np.stack([np.interp(BLOT_VOLUMES, coarse, c) for c in raw[n + 1 :].T], axis=1)
    return replace(scene, raw_patches=raw[:n], raw_paper=raw[n], raw_blot=blot)


def _absorbance(reflectance: Array) -> Array:
    inner = (reflectance - SURFACE) / (stock_reflectance() - SURFACE)
    return np.asarray(-np.log10(np.clip(inner, 1e-4, 1)))


def _absorbance_scaled(reflectance: Array, factor: Array) -> Array:
    inner = 10.0 ** -(_absorbance(reflectance) * factor)
    return np.asarray(SURFACE + (stock_reflectance() - SURFACE) * inner)


def _inks_for(encoded: Array) -> Array:
    """Amounts (k, 4) of cyan, magenta and yellow whose linear colour comes near (k, 3) encoded."""
    wanted = np.log(np.clip(encoded, 1e-3, 1) ** 2.2)
    thirds = observer()[:, :3] / observer().sum(axis=0)  # crude red, green and blue views
    amounts = np.zeros((len(encoded), 4))
    for _ in range(25):
        seen = np.log(print_reflectance(amounts) @ thirds)
        for ink, view in ((0, 0), (1, 1), (2, 2)):
            amounts[:, ink] += 0.8 * (seen[:, view] - wanted[:, view])
        amounts = np.clip(amounts, 0, 2.5)
    return amounts
