"""One sitting: a card, a phone, a lamp and a blot, from which any condition makes its photo."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardreader.simulate import demolots
from cardreader.simulate.blotshape import Blot, draw_blot
from cardreader.simulate.cameras import Camera, Family, draw_camera
from cardreader.simulate.cardmap import CardMap
from cardreader.simulate.phonefile import jpeg
from cardreader.simulate.photograph import develop, expose
from cardreader.simulate.scene import ORDINARY, Scene, draw_scene
from cardreader.simulate.view import View, draw_view, fitted

SIZE = (1600, 1200)
"""What the reader keeps of a photo from most phones; drawing more costs time and adds nothing."""

CONTROL = replace(ORDINARY, volume_cv=0.03)
HB_G_DL = (3.5, 16.0)
LOT = demolots.IN_DATE.lot()

Picture = NDArray[np.uint8]
Field = NDArray[np.float64]


@dataclass(frozen=True)
class Sitting:
    """What a photo would be like if nothing were wrong; ``index`` counts within a cell."""

    key: tuple[int, int, int]
    scene: Scene
    rng: np.random.Generator

    @property
    def index(self) -> int:
        """Number within the cell."""
        return self.key[2]

    @cached_property
    def view(self) -> View:
        """An ordinary view of the whole card."""
        return draw_view(np.random.default_rng([*self.key, 1]), SIZE)

    @cached_property
    def blot(self) -> Blot:
        """A good blot."""
        return draw_blot(np.random.default_rng([*self.key, 2]))

    def seen(self, **changes: Any) -> View:
        """The view with fields changed, the whole card still in the frame."""
        return fitted(replace(self.view, **changes))


def draw_sitting(seed: int, cell: int, index: int) -> Sitting:
    """Cameras and lamps that no calibration was fitted to; ordinary control of all else."""
    rng = np.random.default_rng([seed, cell, index])
    # Golden-ratio steps spread few sittings evenly over the range.
    share = (rng.uniform() * 0.05 + 0.6180339887 * index + 0.37 * cell) % 1.0
    hb = HB_G_DL[0] + share * (HB_G_DL[1] - HB_G_DL[0])
    lot = demolots.IN_DATE
    scene = draw_scene(rng, hb, LOT, lot.print_seed, CONTROL, Family.HELD_OUT, camera=_phone(rng))
    return Sitting((seed, cell, index), scene, rng)


def _phone(rng: np.random.Generator) -> Camera:
    """A held-out camera with a colour mosaic.

    The stacked sensor among the measured ones clips a channel of most shades and is
    refused whatever the condition; tests/benchmarks/accuracy.py has it.
    """
    while (camera := draw_camera(rng, Family.HELD_OUT)).name == "measured-2":
        pass
    return camera


def take(
    sitting: Sitting,
    *,
    scene: Scene | None = None,
    view: View | None = None,
    blot: Blot | None = None,
    bend: Callable[[Field], Field] | None = None,
    on_card: Callable[[CardMap], None] | None = None,
    second_lamp: tuple[Scene, Callable[[tuple[int, int]], Field]] | None = None,
    rows: Field | None = None,
) -> Picture:
    """Take the photo: an upright picture (h, w, 3).

    ``second_lamp`` is the scene under another lamp and the share (h, w) of its
    light at each pixel; ``rows`` (h, 3) multiplies the light of every row.
    """
    scene, view, blot = scene or sitting.scene, view or sitting.view, blot or sitting.blot
    state = int(sitting.rng.integers(1 << 31))
    raw = expose(scene, view, blot, np.random.default_rng(state), bend, on_card)
    if second_lamp:
        other, share_of = second_lamp
        lit = expose(other, view, blot, np.random.default_rng(state), bend, on_card)
        share = share_of((view.size[1], view.size[0])).astype(np.float32)[..., None]
        raw += share * (lit - raw)
    if rows is not None:
        raw *= rows.astype(np.float32)[:, None]
    return develop(scene, view, raw, sitting.rng)


def stored(sitting: Sitting, picture: Picture, view: View | None = None) -> bytes:
    """The picture as the phone's JPEG."""
    view = view or sitting.view
    return jpeg(picture, sitting.rng, view.jpeg_quality, view.subsampling, view.orientation)
