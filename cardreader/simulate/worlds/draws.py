"""Sittings drawn in worlds, down to the numbers that judging needs, by the reader's own stages."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from contextlib import nullcontext, suppress
from dataclasses import dataclass, replace
from functools import partial
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from cardreader.card.lot import Lot
from cardreader.core.interrupts import end_without_a_word
from cardreader.core.refusal import Refusal
from cardreader.hb.measured import Measured, measured
from cardreader.read.printcolours import CardPhoto, TooFewPhotosError, print_colours
from cardreader.simulate.cameras import Camera, Family, draw_camera, draw_rendering
from cardreader.simulate.demolots import design_lot
from cardreader.simulate.lamps import draw_lamp
from cardreader.simulate.patchdraw import PatchDraw, patch_draw
from cardreader.simulate.scene import GOOD, ORDINARY, POOR, Control
from cardreader.simulate.worlds.world import World, draw_world, draw_world_scene

Array = NDArray[np.float64]
Drawn = TypeVar("Drawn")
CONTROLS = (GOOD, ORDINARY, POOR)
HB_RANGE_G_DL = (1.2, 22.0)
_LOT_NUMBER = 5
PHONES, LAMPS, PRINT_PHOTOS = 4, 5, 20
"""Of those whose photos find a lot's colours."""
_PRINT_SEED, _TWIN_SEED, _SITTING_SEED = 99, 7, 3
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

    def first(self, n_worlds: int) -> WorldPairs:
        """Those of the first worlds; ``n_refused`` stays that of all."""
        keep = self.world < n_worlds
        return replace(
            self,
            hb_g_dl=self.hb_g_dl[keep],
            measured=self.measured[keep],
            world=self.world[keep],
        )


@dataclass(frozen=True, eq=False)
class EachWay:
    """The same sittings read with the lot as measured, with its design only, and with the
    colours that photos of its cards find."""

    by_lot: WorldPairs
    by_design: WorldPairs
    by_photos: WorldPairs


def _none(count: int) -> None: ...


def draw_worlds(
    n_worlds: int,
    photos: int,
    seed: int,
    workers: int = 1,
    lot: Lot | None = None,
    drawn: Callable[[int], None] = _none,
) -> WorldPairs:
    """Draw worlds and sittings in them, haemoglobin uniform, a new phone and lamp each.

    With a lot that has spectra all worlds have its cards; ``drawn`` is told of how many
    more worlds there are.
    """
    draw = partial(_draw_world, photos=photos, seed=seed, lot=lot, each_way=False)
    return _gather(_rows(draw, n_worlds, workers, drawn), 0)


def draw_each_way(
    n_worlds: int,
    photos: int,
    seed: int,
    workers: int = 1,
    drawn: Callable[[int], None] = _none,
) -> EachWay:
    """As `draw_worlds`, by all that may be known of a lot."""
    draw = partial(_draw_world, photos=photos, seed=seed, lot=None, each_way=True)
    rows = _rows(draw, n_worlds, workers, drawn)
    return EachWay(*(_gather(rows, way) for way in range(3)))


def draw_twins(
    n_worlds: int,
    photos: int,
    seed: int,
    shares: Array,
    workers: int = 1,
    drawn: Callable[[int], None] = _none,
) -> list[list[Measured]]:
    """The same sittings beside cards that have lost ``shares`` (k, 4) of each ink.

    Of the worlds that `draw_each_way` draws, for each way of it the k measurements of those
    sittings that gave a colour beside all k cards.
    """
    draw = partial(_draw_twins, photos=photos, seed=seed, shares=shares)
    rows: list[list[tuple[Measured | None, ...]]] = _rows(draw, n_worlds, workers, drawn)
    ways = []
    for way in zip(*rows, strict=True):
        kept = [[one for one in beside if one is not None] for beside in way]
        whole = [beside for beside in kept if len(beside) == len(shares)]
        ways.append([Measured.stack(card) for card in zip(*whole, strict=True)])
    return ways


def _draw_twins(
    index: int, photos: int, seed: int, shares: Array
) -> list[list[tuple[Measured | None, ...]]]:
    """Of each sitting, by each way, beside each card."""
    world, own, lots = _world_each_way(index, seed)
    cards = [replace(world, ink=world.ink * (1 - share)) for share in shares]
    # Drawn apart, so that what is drawn for one card is drawn for all.
    apart = np.random.default_rng([seed, index, _TWIN_SEED])
    twins = []
    for sitting in range(photos):
        hb, control, camera, lamp = _draw_sitting(apart)
        beside = []
        for card in cards:
            same = np.random.default_rng([seed, index, _TWIN_SEED, sitting])
            scene = draw_world_scene(card, same, hb, own, control, camera, lamp, volume=1.0)
            shot = patch_draw(scene, same)
            beside.append(_by_each(shot, lots))
        twins.append(list(zip(*beside, strict=True)))
    return twins


def draw_sittings(
    n_worlds: int,
    photos: int,
    seed: int,
    workers: int = 1,
    drawn: Callable[[int], None] = _none,
) -> list[tuple[WorldPairs, WorldPairs]]:
    """Two photos of each of some sittings of the worlds that `draw_each_way` draws.

    Of both alike for each way of it: first photos, and second ones of the same phone, lamp and
    card; sittings of which both gave a colour.
    """
    draw = partial(_draw_sittings, photos=photos, seed=seed)
    rows: list[tuple[_Row, _Row]] = _rows(draw, n_worlds, workers, drawn)
    ways = []
    for way in range(3):
        both = [pair for pair in rows if all(row.measured[way] is not None for row in pair)]
        ways.append(
            (_gather([one for one, _ in both], way), _gather([two for _, two in both], way))
        )
    return ways


def _draw_sittings(index: int, photos: int, seed: int) -> list[tuple[_Row, _Row]]:
    world, own, lots = _world_each_way(index, seed)
    apart = np.random.default_rng([seed, index, _SITTING_SEED])
    rows = []
    for _ in range(photos):
        hb, control, camera, lamp = _draw_sitting(apart)
        scene, shots = None, []
        for _ in range(2):
            scene = draw_world_scene(world, apart, hb, own, control, camera, lamp, 1.0, scene)
            shot = patch_draw(scene, apart)
            shots.append(_Row(index, hb, _by_each(shot, lots)))
        rows.append((shots[0], shots[1]))
    return rows


@dataclass(frozen=True, eq=False)
class _Row:
    """One sitting; ``measured`` by the lot and, each way, by its design and by photos."""

    world: int
    hb_g_dl: float
    measured: tuple[Measured | None, ...]


def _rows(
    draw: Callable[[int], list[Drawn]], n_worlds: int, workers: int, drawn: Callable[[int], None]
) -> list[Drawn]:
    rows: list[Drawn] = []
    pool_of = partial(ProcessPoolExecutor, initializer=end_without_a_word)
    with pool_of(workers) if workers > 1 else nullcontext() as pool:
        for part in (partial(pool.map, chunksize=2) if pool else map)(draw, range(n_worlds)):
            rows += part
            drawn(1)
    return rows


def _draw_world(index: int, photos: int, seed: int, lot: Lot | None, each_way: bool) -> list[_Row]:
    rng = np.random.default_rng([seed, index])
    world = draw_world(rng, lot)
    own = world.lot(_LOT_NUMBER, rng)
    others = _other_ways(world, own, index, seed) if each_way else []
    return [_sitting(world, own, others, index, rng) for _ in range(photos)]


def _world_each_way(index: int, seed: int) -> tuple[World, Lot, list[Lot | None]]:
    """A world that `draw_each_way` draws, its lot, and all that may be known of it."""
    rng = np.random.default_rng([seed, index])
    world = draw_world(rng)
    own = world.lot(_LOT_NUMBER, rng)
    return world, own, [own, *_other_ways(world, own, index, seed)]


def _other_ways(world: World, own: Lot, index: int, seed: int) -> list[Lot | None]:
    """A lot's design, and the lot as photos of its cards find it, if they do.

    Drawn apart, so that the sittings are the same with and without.
    """
    apart = np.random.default_rng([seed, index, _PRINT_SEED])
    return [design_lot(), photographed_lot(world, own, apart)]


def photographed_lot(world: World, lot: Lot, rng: np.random.Generator) -> Lot | None:
    """The lot as photos of its cards by a few phones under a few lamps find it, if they do."""
    photos = card_photos(world, lot, rng)
    with suppress(TooFewPhotosError):
        return print_colours(photos, replace(design_lot(), number=lot.number)).lot
    return None


def card_photos(world: World, lot: Lot, rng: np.random.Generator) -> list[CardPhoto]:
    """Photos of a lot's cards by a few phones under a few lamps."""
    phones, lamps = [draw_phone(rng) for _ in range(PHONES)], [draw_lamp(rng) for _ in range(LAMPS)]
    photos = []
    for _ in range(PRINT_PHOTOS):
        phone, lamp = phones[int(rng.integers(PHONES))], lamps[int(rng.integers(LAMPS))]
        control = CONTROLS[int(rng.integers(2))]  # photos of nothing but a card aren't poor
        scene = draw_world_scene(world, rng, _ANY_HB_G_DL, lot, control, phone, lamp, volume=1.0)
        photos.append(CardPhoto(patch_draw(scene, rng).samples))
    return photos


def _sitting(
    world: World, own: Lot, others: list[Lot | None], index: int, rng: np.random.Generator
) -> _Row:
    hb, control, camera, lamp = _draw_sitting(rng)
    scene = draw_world_scene(world, rng, hb, own, control, camera, lamp, volume=1.0)
    return _Row(index, hb, _by_each(patch_draw(scene, rng), [own, *others]))


def _draw_sitting(rng: np.random.Generator) -> tuple[float, Control, Camera, tuple[str, Array]]:
    """Haemoglobin, and the control, phone and lamp under which it is photographed."""
    hb = rng.uniform(*HB_RANGE_G_DL)
    control = CONTROLS[int(rng.integers(len(CONTROLS)))]
    return hb, control, draw_phone(rng), draw_lamp(rng)


def _by_each(shot: PatchDraw, lots: list[Lot | None]) -> tuple[Measured | None, ...]:
    """A drawn photo read with each lot's file, where there is one."""
    return tuple(None if lot is None else numbers(shot, lot) for lot in lots)


def draw_phone(rng: np.random.Generator) -> Camera:
    """A camera of the fitting family, with what such phones do to colour afterwards."""
    camera = draw_camera(rng, Family.FITTING)
    return replace(camera, rendering=draw_rendering(rng, Family.FITTING))


def numbers(drawn: PatchDraw, lot: Lot) -> Measured | None:
    """What judging needs of a drawn photo read with a lot's file; None if it gave no colour."""
    colours = drawn.colours(lot)
    return None if isinstance(colours, Refusal) else measured(*colours)


def _gather(rows: list[_Row], way: int) -> WorldPairs:
    kept = [(row, found) for row in rows if (found := row.measured[way]) is not None]
    return WorldPairs(
        hb_g_dl=np.array([row.hb_g_dl for row, _ in kept]),
        measured=Measured.stack([found for _, found in kept]),
        world=np.array([row.world for row, _ in kept], np.intp),
        n_refused=len(rows) - len(kept),
    )
