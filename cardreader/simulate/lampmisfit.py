"""The table of what lamps leave over at the prints, made of worlds whose phones leave colour alone.

    python -m cardreader.simulate.lampmisfit calibration/prints/lamp-misfit.csv

Tone, light and matrix are fitted to each card as the reader does, with no share for a phone's
rendering; the table holds the principal directions of what is left over.
"""

from __future__ import annotations

import sys
from collections.abc import Iterable
from io import StringIO
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from cardreader.card import layout
from cardreader.card.layout import Kind
from cardreader.card.lot import Lot
from cardreader.core.files import write_atomic
from cardreader.read.lampmisfit import N_DIRECTIONS
from cardreader.read.lightfit import fit_light
from cardreader.read.matrix import fit_matrix
from cardreader.read.sample import PatchSamples
from cardreader.read.vividness import misfit_unit
from cardreader.simulate.cameras import Family, draw_camera
from cardreader.simulate.lamps import draw_lamp
from cardreader.simulate.patchdraw import patch_draw
from cardreader.simulate.scene import GOOD
from cardreader.simulate.worlds.world import draw_world, draw_world_scene

Array = NDArray[np.float64]

WORLDS, PHONES, SEED = 500, 3, 20262
_HB_RANGE_G_DL = (3.0, 15.0)
_LOT_NUMBER = 5
_STRANGE_SHARE = 0.03
"""The cards that miss most don't shape the table."""


def draw_misfits(worlds: Iterable[int], seed: int = SEED) -> Array:
    """Misfits (n, 36, 3) of shades under lamps and phones drawn in these worlds, in units of
    `read.vividness`; phones that clipped a print are left out."""
    found = []
    for index in worlds:
        rng = np.random.default_rng([seed, index])
        world = draw_world(rng, None)
        lot = world.lot(_LOT_NUMBER, rng)
        for _ in range(PHONES):
            camera, lamp = draw_camera(rng, Family.FITTING), draw_lamp(rng)
            hb = rng.uniform(*_HB_RANGE_G_DL)
            scene = draw_world_scene(world, rng, hb, lot, GOOD, camera, lamp, volume=1.0)
            samples = patch_draw(scene, rng).samples
            if not samples.clipped_share.any():
                found.append(misfit(samples, lot))
    return np.array(found)


def misfit(samples: PatchSamples, lot: Lot) -> Array:
    """What tone, light and matrix leave over at each shade, (36, 3)."""
    light = fit_light(samples.linear, lot, layout.of_kind(Kind.NEUTRAL))
    seen = light.reflectance(samples.linear, layout.centres_mm())
    left = (seen @ fit_matrix(seen, lot.xyz).T - lot.xyz) / misfit_unit(lot.xyz)
    return np.asarray(layout.by_shade(left).mean(axis=1))


def directions(misfits: Array, n: int = N_DIRECTIONS) -> Array:
    """The n principal directions (36, 3, n) of misfits (m, 36, 3), each as long as its sd."""
    rows = misfits.reshape(len(misfits), -1)
    size = np.linalg.norm(rows, axis=1)
    rows = rows[size <= np.quantile(size, 1 - _STRANGE_SHARE)]
    variance, axes = np.linalg.eigh(rows.T @ rows / len(rows))
    longest = (axes * np.sqrt(np.maximum(variance, 0)))[:, ::-1][:, :n]
    return np.asarray(longest.reshape(*misfits.shape[1:], n))


def main(out: Path) -> None:
    """Write the table."""
    misfits = draw_misfits(range(WORLDS))
    text = StringIO()
    np.savetxt(
        text,
        directions(misfits).reshape(-1, N_DIRECTIONS),
        fmt="%.4f",
        delimiter=",",
        header="Directions in which lamps make the card's prints miss their colours: a row for\n"
        "X, Y and Z of each of the 36 shades, in units of read.vividness.misfit_unit. Synthetic:\n"
        f"from {len(misfits)} simulated cards in {WORLDS} worlds, seed {SEED}.",
    )
    write_atomic(out, text.getvalue())


if __name__ == "__main__":
    main(Path(sys.argv[1]))
