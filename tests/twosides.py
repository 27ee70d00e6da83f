"""Synthetic photos of one blot from several views."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from cardreader.simulate import demolots
from cardreader.simulate.blotshape import draw_blot
from cardreader.simulate.cameras import Family
from cardreader.simulate.photograph import photograph
from cardreader.simulate.scene import GOOD, draw_scene
from cardreader.simulate.view import draw_view

HB = 9.4


def photographed_twice(folder: Path) -> list[Path]:
    """Two photos of the same scene, 1600 by 1200, with ``HB`` in the blot."""
    rng = np.random.default_rng(12)
    lot = demolots.IN_DATE
    scene = draw_scene(rng, HB, lot.lot(), lot.print_seed, GOOD, Family.HELD_OUT)
    blot = draw_blot(np.random.default_rng(13))
    paths = []
    for side in (1, 2):
        view = draw_view(np.random.default_rng([14, side]), (1600, 1200))
        paths.append(folder / f"side-{side}.jpg")
        paths[-1].write_bytes(photograph(scene, view, side, blot))
    return paths
