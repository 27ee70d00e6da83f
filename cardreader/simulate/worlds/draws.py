"""Sittings drawn in worlds, down to the numbers that judging needs, by the reader's own stages."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from contextlib import nullcontext
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from cardreader.card.lot import Lot
from cardreader.core.refusal import Refusal
from cardreader.hb.measured import Measured, measured
from cardreader.simulate.cameras import Camera, Family, draw_camera, draw_rendering
from cardreader.simulate.demolots import design_lot
from cardreader.simulate.lamps import draw_lamp
from cardreader.simulate.patchdraw import PatchDraw, patch_draw
from cardreader.simulate.scene import GOOD, ORDINARY, POOR
from cardreader.simulate.worlds.world import World, draw_world, draw_world_scene

Array = NDArray[np.float64]
CONTROLS = (GOOD, ORDINARY, POOR)
HB_RANGE_G_DL = (1.2, 22.0)
_LOT_NUMBER = 5


@dataclass(frozen=True, eq=False)
class WorldPairs:
    """Sittings of many worlds that gave a colour.

    ``hb_g_dl`` (n,) the truth, ``measured`` of n photos, ``world`` (n,) the world's
    number; ``n_refused`` gave none.
    """

    hb_g_dl: Array
    measured: Measured
    world: NDArray[np.intp]
    n_refused: int


@dataclass(frozen=True, eq=False)
class BothWays:
    """The same sittings read with the lot as measured, and with its design only."""

    by_lot: WorldPairs
    by_design: WorldPairs


def draw_worlds(
    n_worlds: int,
    photos: int,
    seed: int,
    workers: int = 1,
    lot: Lot | None = None,
    drawn: Callable[[int], None] = lambda count: None,
) -> BothWays:
    """Draw worlds and sittings in them, haemoglobin uniform, a new phone and lamp each.

    With a lot that has spectra all worlds have its cards; ``drawn`` is told of how many
    more worlds there are.
    """
    draw = partial(_draw_world, photos=photos, seed=seed, lot=lot)
    rows: list[_Row] = []
    with ProcessPoolExecutor(workers) if workers > 1 else nullcontext() as pool:
        for part in (partial(pool.map, chunksize=2) if pool else map)(draw, range(n_worlds)):
            rows += part
            drawn(1)
    return BothWays(
        _gather([row[:3] for row in rows]), _gather([(*row[:2], row[3]) for row in rows])
    )


_Row = tuple[int, float, Measured | None, Measured | None]


def _draw_world(index: int, photos: int, seed: int, lot: Lot | None) -> list[_Row]:
    rng = np.random.default_rng([seed, index])
    world = draw_world(rng, lot)
    own = world.lot(_LOT_NUMBER, rng)
    return [(index, *_sitting(world, own, rng)) for _ in range(photos)]


def _sitting(
    world: World, lot: Lot, rng: np.random.Generator
) -> tuple[float, Measured | None, Measured | None]:
    hb = rng.uniform(*HB_RANGE_G_DL)
    control = CONTROLS[int(rng.integers(len(CONTROLS)))]
    camera, lamp = draw_phone(rng), draw_lamp(rng)
    scene = draw_world_scene(world, rng, hb, lot, control, camera, lamp, volume=1.0)
    drawn = patch_draw(scene, rng)
    return hb, numbers(drawn, lot), numbers(drawn, design_lot())


def draw_phone(rng: np.random.Generator) -> Camera:
    """A camera of the fitting family, with what such phones do to colour afterwards."""
    camera = draw_camera(rng, Family.FITTING)
    return replace(camera, rendering=draw_rendering(rng, Family.FITTING))


def numbers(drawn: PatchDraw, lot: Lot) -> Measured | None:
    """What judging needs of a drawn photo read with a lot's file; None if it gave no colour."""
    colours = drawn.colours(lot)
    return None if isinstance(colours, Refusal) else measured(*colours)


def _gather(rows: list[tuple[int, float, Measured | None]]) -> WorldPairs:
    kept = [(world, hb, found) for world, hb, found in rows if found is not None]
    return WorldPairs(
        hb_g_dl=np.array([hb for _, hb, _ in kept]),
        measured=Measured.stack([found for _, _, found in kept]),
        world=np.array([world for world, _, _ in kept], np.intp),
        n_refused=len(rows) - len(kept),
    )
