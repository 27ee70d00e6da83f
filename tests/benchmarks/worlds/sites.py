"""Simulated studies at judging sites: women with laboratory values, then new women to read."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from cardreader.calibrate.condition import SitePairs
from cardreader.card import layout
from cardreader.card.lot import Lot
from cardreader.core.refusal import Refusal
from cardreader.hb.measured import Measured, measured
from cardreader.read.blot import blot_colour
from cardreader.read.correct import correct
from cardreader.read.printcolours import CardPhoto, print_colours
from cardreader.simulate.cameras import Camera
from cardreader.simulate.demolots import design_lot
from cardreader.simulate.lamps import draw_lamp
from cardreader.simulate.patchdraw import PatchDraw, patch_draw
from cardreader.simulate.scene import GOOD, ORDINARY
from cardreader.simulate.worlds.draws import draw_phone
from cardreader.simulate.worlds.world import World, draw_world, draw_world_scene

from .packets import PacketSite
from .streams import StreamSite

Array = NDArray[np.float64]
VOLUME_CV = 0.03
LAB_CV = 0.02
PHONES, LAMPS = 4, 5
HB_RANGE_G_DL = (3.0, 18.0)
CARD_PHOTOS, MIDDLE_HB_G_DL = 20, 10.0
"""Photos of cards by which the lot's colours are found, of any woman's blot."""
JUDGING_SEED, WORLDS_SEED = 4242, 777001
"""Of what is reported. The prior's worlds have seed 20261, worlds for tuning 31337."""

STUDY, SAME, UNSEEN = 0, 1, 2


@dataclass(frozen=True, eq=False)
class SiteData:
    """Photos of one site, for each way of knowing its lot; those without colour left out.

    ``part`` (n,) is STUDY, SAME (new women, the study's phones and lamps) or UNSEEN
    (other phones and lamps); ``woman`` and ``blot`` (n,) number women and blots.
    """

    name: str
    hb_g_dl: Array
    lab_g_dl: Array
    part: NDArray[np.intp]
    woman: NDArray[np.intp]
    blot: NDArray[np.intp]
    by_lot: list[Measured | None]
    by_design: list[Measured | None]
    by_photos: list[Measured | None]
    lot: Lot


def judging_sites() -> list[tuple[str, int]]:
    """Every site: two written apart from the simulator with three materials each, four drawn."""
    return [
        *(("streams", variant) for variant in range(3)),
        *(("packets", variant) for variant in range(3)),
        *(("drawn", index) for index in range(4)),
    ]


def draw_site(kind: str, variant: int, study: int, women: int, tests: int) -> SiteData:
    """Draw a study of ``women`` with two photos each, and ``tests`` new women of each kind."""
    numbered = ["streams", "packets", "drawn"].index(kind)
    rng = np.random.default_rng([JUDGING_SEED, numbered, variant, study])
    name, lot, phone, lamp, shot = _site(kind, variant, rng)
    phones, lamps = [phone() for _ in range(PHONES)], [lamp() for _ in range(LAMPS)]
    rows: list[tuple] = []  # type: ignore[type-arg]
    shots = []

    def add(part: int, woman: int, hb: float, lab: float, blot: int, volume: float) -> None:
        known = part != UNSEEN
        one = phones[int(rng.integers(PHONES))] if known else phone()
        under = lamps[int(rng.integers(LAMPS))] if known else lamp()
        shots.append(shot(hb, volume, one, under))
        rows.append((part, woman, hb, lab, blot))

    for woman in range(women):
        hb = rng.uniform(*HB_RANGE_G_DL)
        lab = hb * (1 + LAB_CV * rng.normal())
        first, second = np.exp(rng.normal(0, VOLUME_CV, 2))
        again = woman % 4 == 0  # every fourth woman: one blot photographed twice
        add(STUDY, woman, hb, lab, 2 * woman, first)
        add(STUDY, woman, hb, lab, 2 * woman + (not again), first if again else second)
    for part in (SAME, UNSEEN):
        for k in range(tests):
            hb, woman = rng.uniform(*HB_RANGE_G_DL), part * 10_000 + k
            add(part, woman, hb, hb, 2 * woman, float(np.exp(rng.normal(0, VOLUME_CV))))
    # Last, so that all women are the same whatever the cards' photos are.
    cards = [
        CardPhoto(shot(MIDDLE_HB_G_DL, 1.0, *_of(rng, phones, lamps)).samples)
        for _ in range(CARD_PHOTOS)
    ]
    found = print_colours(cards, replace(design_lot(), number=lot.number)).lot
    columns = list(zip(*rows, strict=True)) or [()] * 5
    by_lot, by_design, by_photos = (
        [_read(drawn, known) for drawn in shots] for known in (lot, design_lot(), found)
    )
    return SiteData(
        name,
        np.array(columns[2]), np.array(columns[3]), np.array(columns[0]), np.array(columns[1]),
        np.array(columns[4], dtype=int), by_lot, by_design, by_photos, lot,
    )  # fmt: skip


def _of(rng: np.random.Generator, phones: list, lamps: list) -> tuple:  # type: ignore[type-arg]
    return phones[int(rng.integers(len(phones)))], lamps[int(rng.integers(len(lamps)))]


def pairs_of(rng: np.random.Generator, study: Sequence[tuple[float, Measured]]) -> SitePairs:
    """A study's photos, one a woman with what she truly has, as pairs by a laboratory."""
    hb, photos = zip(*study, strict=True)
    lab = np.array(hb) * (1 + LAB_CV * rng.normal(size=len(hb)))
    women = np.arange(len(hb)).astype(str)
    return SitePairs(Measured.stack(list(photos)), lab, LAB_CV * lab, women, women)


def _site(kind: str, variant: int, rng: np.random.Generator):  # type: ignore[no-untyped-def]
    if kind != "drawn":
        own = (StreamSite if kind == "streams" else PacketSite)(variant)

        def shot(hb, volume, phone, lamp):  # type: ignore[no-untyped-def]
            return own.photo(rng, hb, volume, phone, lamp)

        lot = own.lot(rng)
        return own.name, lot, lambda: own.phone(rng), lambda: own.lamp(rng), shot
    world = draw_world(np.random.default_rng([WORLDS_SEED, variant]))
    lot = world.lot(5, rng)

    def drawn(hb, volume, phone, lamp):  # type: ignore[no-untyped-def]
        return shot_in(world, rng, lot, hb, volume, phone, lamp)

    camera: Callable[[], object] = lambda: draw_phone(rng)  # noqa: E731
    structure = f"{world.press.model if world.press else 'given'}/{world.blot.model}"
    name = f"drawn {variant} ({structure}, {world.family}, {world.paper.kind})"
    return name, lot, camera, lambda: draw_lamp(rng), drawn


def shot_in(  # type: ignore[no-untyped-def]
    world: World, rng: np.random.Generator, lot: Lot, hb: float, volume: float, phone: Camera, lamp
) -> PatchDraw:
    """A photo in a drawn world, under good or ordinary control."""
    control = (GOOD, ORDINARY)[int(rng.integers(2))]
    return patch_draw(
        draw_world_scene(world, rng, hb, lot, control, phone, lamp, volume=volume), rng
    )


def _read(drawn, lot: Lot) -> Measured | None:  # type: ignore[no-untyped-def]
    correction = correct(drawn.samples, lot)
    if isinstance(correction, Refusal):
        return None
    bay = drawn.blot_rgb, drawn.paper_rgb, drawn.covariance
    return measured(blot_colour(*bay, layout.CENTRE_MM, correction), correction)
