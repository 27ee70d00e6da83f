"""What the reader would sample from a photo of a scene, without drawing the photo.

Geometry, blur and JPEG hardly move the mean of a flat patch, so a benchmark of
the colour stages can draw thousands of scenes and hand their patch means to
the same `correct`, `blot_colour` and `estimate` that read photos.
"""

from __future__ import annotations

from dataclasses import dataclass

import colour
import numpy as np
from numpy.typing import NDArray

from cardreader.card import layout
from cardreader.card.lot import Lot
from cardreader.core.refusal import Refusal
from cardreader.read.blot import BlotColour, blot_colour, too_deep
from cardreader.read.correct import ColourCorrection, correct
from cardreader.read.sample import PatchSamples
from cardreader.simulate.scene import BLOT_VOLUMES, Scene
from cardreader.simulate.surround import luma_about

Array = NDArray[np.float64]
_PIXEL_NOISE = 0.004
_PIXELS = 400
_PAPER_MM = (layout.CENTRE_MM[0] - 0.4 * layout.BAY_MM, layout.CENTRE_MM[1])
"""Blank paper beside the blot."""
_TABLE = (0.05, 0.45)
"""What lies about the card, as a share of its stock: cloth, wood, stone and dark ones."""


@dataclass(frozen=True)
class PatchDraw:
    """Patch samples and the blot's and blank paper's colour in the middle of the bay.

    ``blot_rgb`` and ``paper_rgb`` are nominal linear RGB, shape (3,);
    ``covariance`` (3, 3) is that of the mean ``blot_rgb``.
    """

    samples: PatchSamples
    blot_rgb: Array
    paper_rgb: Array
    covariance: Array

    def colours(self, lot: Lot) -> tuple[BlotColour, ColourCorrection] | Refusal:
        """What the reader's own colour stages make of it, given the lot's file."""
        correction = correct(self.samples, lot)
        if isinstance(correction, Refusal):
            return correction
        deep = too_deep(self.blot_rgb, layout.CENTRE_MM, correction)
        if deep is not None:
            return deep
        blot = blot_colour(
            self.blot_rgb, self.paper_rgb, self.covariance, layout.CENTRE_MM, correction
        )
        return blot, correction


def patch_draw(scene: Scene, rng: np.random.Generator) -> PatchDraw:
    """Draw the means that sampling a photo of the scene would give."""
    at = np.array([*((c.x_mm, c.y_mm) for c in layout.cells()), layout.CENTRE_MM, _PAPER_MM])
    core = [np.interp(1.0, BLOT_VOLUMES, column) for column in scene.raw_blot.T]
    lit = scene.shade(at)
    lit[-1] = lit[-2]  # the reader takes the light's fall-off between the two off
    raw = np.concatenate([scene.raw_patches, [core], [scene.raw_paper]]) * lit[:, None]
    about = None
    if scene.camera.local is not None:
        raw_table = scene.raw_stock * rng.spawn(1)[0].uniform(*_TABLE)
        about = luma_about(scene, at, scene.camera.local.reach_mm, raw_table)
    seen = _seen(scene, raw, about)
    patches, bay = seen[:-2], seen[-2:]
    error = _PIXEL_NOISE * np.sqrt(np.clip(patches, 1e-3, None)) / np.sqrt(_PIXELS)
    samples = PatchSamples(
        linear=patches + rng.normal(0, 1, patches.shape) * error,
        clipped_share=(patches >= 0.98).any(axis=1).astype(float),
    )
    blot_error = _PIXEL_NOISE * np.sqrt(bay[0]) / np.sqrt(_PIXELS)
    return PatchDraw(samples, bay[0], bay[1], np.diag(blot_error**2))


def _seen(scene: Scene, raw: Array, about: Array | None) -> Array:
    encoded = np.round(scene.develop(raw + scene.glare, about) * 255 * 16) / (255 * 16)
    return np.asarray(colour.models.eotf_sRGB(encoded))
