"""The conditions that only change colours, by the thousand and without pictures.

What sampling a photo would give is drawn directly (`cardreader.simulate.patchdraw`)
and goes through the reader's own colour stages. Rare errors show here that a few
photos a cell cannot show; what pictures alone can show does not.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import fileformats
import numpy as np
import spoiledblots
from conditions import CONDITIONS, Condition, Level, one_ink_bleached, vivid
from sitting import Sitting, draw_sitting
from verdict import Fate, Verdict, judge_estimate

from cardreader.core.refusal import Refusal
from cardreader.decide.protocol import Protocol
from cardreader.hb.calibration import Calibration
from cardreader.hb.estimate import read_hb
from cardreader.hb.measured import measured
from cardreader.simulate import wornprint
from cardreader.simulate.notblood import dried_brown, red_ink
from cardreader.simulate.otherlight import raw_of
from cardreader.simulate.patchdraw import patch_draw
from cardreader.simulate.scene import BLOT_VOLUMES, Scene, with_light_factor


def _veiled(sitting: Sitting, share: float) -> Scene:
    tint = sitting.rng.lognormal(0, 0.1, 3)
    return replace(sitting.scene, glare=share * sitting.scene.raw_stock * tint)


def _spot(sitting: Sitting, amount: float, spectrum: Callable[..., Any]) -> Scene:
    spots = raw_of(sitting.scene, spectrum(amount * BLOT_VOLUMES))
    return replace(sitting.scene, raw_blot=spots)


def _dye(sitting: Sitting, amount: float) -> Scene:
    scene = spoiledblots.dyed(sitting.scene, sitting.rng)
    scaled = [np.interp(amount * BLOT_VOLUMES, BLOT_VOLUMES, c) for c in scene.raw_blot.T]
    return replace(scene, raw_blot=np.stack(scaled, axis=1))


def _gamut(sitting: Sitting, embedded: bool) -> Scene:
    return sitting.scene if embedded else fileformats.wide_gamut(sitting.scene)


CHANGES: dict[str, Callable[[Sitting, Any], Scene]] = {
    "nothing wrong": lambda s, _: s.scene,
    "veiling glare": _veiled,
    "overexposed": lambda s, v: with_light_factor(s.scene, v),
    "underexposed": lambda s, v: with_light_factor(s.scene, v),
    "P3 photo": _gamut,
    "livelier in the file": vivid,
    "duller in the file": vivid,
    "colour inks faded": lambda s, v: wornprint.faded(s.scene, v),
    "one ink faded": one_ink_bleached,
    "all inks faded": lambda s, v: wornprint.faded(s.scene, v, black_too=True),
    "card yellowed": lambda s, v: wornprint.yellowed_card(s.scene, v),
    "paper yellowed": lambda s, v: wornprint.yellowed_paper(s.scene, v),
    "poor reprint": lambda s, v: wornprint.reprinted(s.scene, s.rng, v),
    "printed copy": lambda s, v: wornprint.printed_copy(s.scene, v),
    "blot gone brown": lambda s, v: spoiledblots.browned(s.scene, v),
    "blood thinned": lambda s, v: spoiledblots.thinned(s.scene, v),
    "red ink": lambda s, v: _spot(s, v, red_ink),
    "any red dye": _dye,
    "old brown blot": lambda s, v: _spot(s, v, dried_brown),
}
"""How each condition changes the scene; names and levels are those of `conditions`."""


@dataclass(frozen=True)
class Cell:
    """A condition at a level, with its number in the whole matrix."""

    number: int
    condition: Condition
    level: Level


def cells() -> list[Cell]:
    """All cells that can be drawn."""
    pairs = [(c, level) for c in CONDITIONS for level in c.levels]
    return [Cell(k, c, v) for k, (c, v) in enumerate(pairs) if c.name in CHANGES]


def draw(
    seed: int, cell: Cell, index: int, calibration: Calibration, protocol: Protocol
) -> Verdict:
    """Draw one sitting of a cell and judge what the colour stages make of it."""
    sitting = draw_sitting(seed, 1000 + cell.number, index)
    scene = CHANGES[cell.condition.name](sitting, cell.level.value)
    colours = patch_draw(scene, sitting.rng).colours(scene.lot)
    if isinstance(colours, Refusal):
        return Verdict(Fate.REFUSED, colours.reason)
    result = read_hb(measured(*colours), calibration)
    if isinstance(result, Refusal):
        return Verdict(Fate.REFUSED, result.reason)
    return judge_estimate(result, protocol, sitting.scene.hb_g_dl, cell.condition.blood)
