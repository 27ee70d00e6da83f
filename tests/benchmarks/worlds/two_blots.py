"""What two blots of a woman come to at a site, taken in one sitting or in two.

    PYTHONPATH=tests/benchmarks python -m worlds.two_blots --out two.md

Twenty worlds drawn by the simulator, their lot known by Lab. A study of 80 women, one photo
each; then new women, two blots each: of one sitting (the same phone, lamp and card), of two with
phones and lamps of the study, and the second with a phone and a lamp that it had not. What is a
woman's own, as her plasma, is drawn anew for each blot.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import replace

import numpy as np

from cardreader.calibrate.site import fit_site
from cardreader.calibrate.sitesittings import with_sittings
from cardreader.core.shipped import shipped
from cardreader.hb.calibration import Calibration
from cardreader.hb.combine import combine
from cardreader.hb.estimate import HbEstimate, read_hb
from cardreader.hb.measured import Measured
from cardreader.simulate.cameras import Camera
from cardreader.simulate.lamps import draw_lamp
from cardreader.simulate.patchdraw import patch_draw
from cardreader.simulate.scene import ORDINARY, Scene
from cardreader.simulate.worlds.draws import draw_phone
from cardreader.simulate.worlds.world import draw_world, draw_world_scene

from .judged import print_table
from .sites import HB_RANGE_G_DL, LAMPS, PHONES, VOLUME_CV, WORLDS_SEED, _of, _read, pairs_of

SEED, WORLDS = 909_012, 20
WOMEN, TESTS = 80, 60
PAIRS = (10, 20, 80)
CONTROL = replace(ORDINARY, volume_cv=VOLUME_CV)
KINDS = {
    "one blot": (0,),
    "two of one sitting": (0, 1),
    "two, phones and lamps of the study": (0, 2),
    "two, one of them with others": (0, 3),
    "all four": (0, 1, 2, 3),
}
Key = tuple[int, str]
"""Pairs, and which of a woman's blots."""
Sitting = tuple[Camera, tuple[str, np.ndarray]]


def main() -> None:
    """Draw, fit, read, print."""
    print_table(__doc__, judge, table, WORLDS)


def judge(number: int) -> dict[Key, list[tuple[float, ...]]]:
    """One world's women, by what the table tells apart."""
    rng = np.random.default_rng([SEED, number])
    world = draw_world(np.random.default_rng([WORLDS_SEED, number]))
    lot = world.lot(5, rng)
    phones = [draw_phone(rng) for _ in range(PHONES)]
    lamps = [draw_lamp(rng) for _ in range(LAMPS)]

    def of_the_study() -> Sitting:
        return _of(rng, phones, lamps)

    def blot(hb: float, sitting: Sitting, like: Scene | None = None) -> Scene:
        return draw_world_scene(world, rng, hb, lot, CONTROL, *sitting, like=like)

    def read(scene: Scene) -> Measured | None:
        return _read(patch_draw(scene, rng), lot)

    hbs = rng.uniform(*HB_RANGE_G_DL, WOMEN)
    study = [(hb, read(blot(hb, of_the_study()))) for hb in hbs]
    women = []
    for hb in rng.uniform(*HB_RANGE_G_DL, TESTS):
        sitting = of_the_study()
        first = blot(hb, sitting)
        others = blot(hb, sitting, first), blot(hb, of_the_study())
        last = blot(hb, (draw_phone(rng), draw_lamp(rng)))
        women.append((hb, [read(scene) for scene in (first, *others, last)]))
    prior = with_sittings(Calibration.load(shipped("worlds")))
    kept = [(hb, seen) for hb, seen in study if seen is not None]
    out: dict[Key, list[tuple[float, ...]]] = defaultdict(list)
    for n in PAIRS:
        made = fit_site(prior, pairs_of(rng, kept[:n])).calibration
        for truth, seen in women:
            blots = [None if one is None else read_hb(one, made) for one in seen]
            for name, which in KINDS.items():
                taken = [one for k in which if isinstance(one := blots[k], HbEstimate)]
                if len(taken) == len(which):
                    out[n, name].append(_row(truth, combine(taken, made)))
    return out


def _row(truth: float, read: HbEstimate) -> tuple[float, ...]:
    low, high = read.interval_g_dl
    return (
        read.hb_g_dl - truth,
        float(low <= truth <= high),
        high - low,
        float(read.blots_disagree),
    )


def table(found: dict[Key, list[list[tuple[float, ...]]]]) -> str:
    """As Markdown."""
    out = [
        "| pairs | blots | RMSE | 90 % covers | width | told to disagree | women |",
        "|---|---|---|---|---|---|---|",
    ]
    for (n, name), worlds in found.items():
        rows = [woman for world in worlds for woman in world]
        off, held, width, disagree = np.array(rows).T
        out.append(
            f"| {n} | {name} | {np.sqrt((off**2).mean()):.2f} | {held.mean():.1%} "
            f"| {width.mean():.2f} | {disagree.mean():.1%} | {len(rows)} |"
        )
    return "\n".join(out) + "\n"


if __name__ == "__main__":
    main()
