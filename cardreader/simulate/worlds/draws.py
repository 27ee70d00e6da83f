"""Sittings drawn in worlds, down to the numbers that judging needs, by the reader's own stages."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from contextlib import nullcontext, suppress
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from cardreader.card.lot import Lot
from cardreader.core.refusal import Refusal
from cardreader.hb.measured import Measured, measured
from cardreader.read.printcolours import CardPhoto, TooFewPhotosError, print_colours
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
PHONES, LAMPS, PRINT_PHOTOS = 4, 5, 20
"""Of those whose photos find a lot's colours."""
_PRINT_SEED = 99
_ANY_HB_G_DL = 10.0


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
class EachWay:
    """The same sittings read with the lot as measured, with its design only and, where asked
    for, with the colours that photos of its cards find."""

    by_lot: WorldPairs
    by_design: WorldPairs
    by_photos: WorldPairs | None = None


def draw_worlds(
    n_worlds: int,
    photos: int,
    seed: int,
    workers: int = 1,
    lot: Lot | None = None,
    drawn: Callable[[int], None] = lambda count: None,
    by_photos: bool = False,
) -> EachWay:
    """Draw worlds and sittings in them, haemoglobin uniform, a new phone and lamp each.

    With a lot that has spectra all worlds have its cards; ``drawn`` is told of how many
    more worlds there are. With ``by_photos`` each lot's colours are also found from photos.
    """
    draw = partial(_draw_world, photos=photos, seed=seed, lot=lot, by_photos=by_photos)
    rows: list[_Row] = []
    with ProcessPoolExecutor(workers) if workers > 1 else nullcontext() as pool:
        for part in (partial(pool.map, chunksize=2) if pool else map)(draw, range(n_worlds)):
            rows += part
            drawn(1)
    by_lot, by_design, found = (
        [(row.world, row.hb_g_dl, row.measured[way]) for row in rows] for way in range(3)
    )
    return EachWay(_gather(by_lot), _gather(by_design), _gather(found) if by_photos else None)


@dataclass(frozen=True, eq=False)
class _Row:
    """One sitting; ``measured`` by the lot, by its design, by photos of its cards."""

    world: int
    hb_g_dl: float
    measured: tuple[Measured | None, Measured | None, Measured | None]


def _draw_world(index: int, photos: int, seed: int, lot: Lot | None, by_photos: bool) -> list[_Row]:
    rng = np.random.default_rng([seed, index])
    world = draw_world(rng, lot)
    own = world.lot(_LOT_NUMBER, rng)
    # Drawn apart, so that the sittings are the same with and without them.
    apart = np.random.default_rng([seed, index, _PRINT_SEED])
    found = photographed_lot(world, own, apart) if by_photos else None
    return [_sitting(world, own, found, index, rng) for _ in range(photos)]


def photographed_lot(world: World, lot: Lot, rng: np.random.Generator) -> Lot | None:
    """The lot as photos of its cards by a few phones under a few lamps find it, if they do."""
    phones, lamps = [draw_phone(rng) for _ in range(PHONES)], [draw_lamp(rng) for _ in range(LAMPS)]
    photos = []
    for _ in range(PRINT_PHOTOS):
        phone, lamp = phones[int(rng.integers(PHONES))], lamps[int(rng.integers(LAMPS))]
        control = CONTROLS[int(rng.integers(2))]  # photos of nothing but a card aren't poor
        scene = draw_world_scene(world, rng, _ANY_HB_G_DL, lot, control, phone, lamp, volume=1.0)
        photos.append(CardPhoto(patch_draw(scene, rng).samples))
    with suppress(TooFewPhotosError):
        return print_colours(photos, replace(design_lot(), number=lot.number)).lot
    return None


def _sitting(
    world: World, lot: Lot, found: Lot | None, index: int, rng: np.random.Generator
) -> _Row:
    hb = rng.uniform(*HB_RANGE_G_DL)
    control = CONTROLS[int(rng.integers(len(CONTROLS)))]
    camera, lamp = draw_phone(rng), draw_lamp(rng)
    scene = draw_world_scene(world, rng, hb, lot, control, camera, lamp, volume=1.0)
    drawn = patch_draw(scene, rng)
    by_photos = None if found is None else numbers(drawn, found)
    return _Row(index, hb, (numbers(drawn, lot), numbers(drawn, design_lot()), by_photos))


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
