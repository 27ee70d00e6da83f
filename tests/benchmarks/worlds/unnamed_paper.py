"""What becomes of a site's readings when the blotting paper changes and nobody says so.

    PYTHONPATH=tests/benchmarks python -m worlds.unnamed_paper --out unnamed.md

Twenty worlds drawn by the simulator, their lot known by Lab. A study of 80 women, one photo
each; then new women on the same paper, on another sheet that soaks up blood as it did, and on
another paper altogether (sheet and blot model drawn anew), half with the study's phones and
lamps. Read with what the calibration knows of its paper's colour, and without.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from cardreader.calibrate.site import fit_site
from cardreader.core.shipped import shipped
from cardreader.hb.calibration import Calibration
from cardreader.simulate.lamps import draw_lamp
from cardreader.simulate.worlds.blots import draw_blot_model
from cardreader.simulate.worlds.draws import draw_phone
from cardreader.simulate.worlds.papers import draw_paper
from cardreader.simulate.worlds.world import World, draw_world

from .faded import _readings
from .judged import print_table
from .sites import HB_RANGE_G_DL, LAMPS, PHONES, VOLUME_CV, WORLDS_SEED, _read, pairs_of, shot_in

SEED, WORLDS = 909_011, 20
WOMEN, TESTS = 80, 40
PAIRS = (5, 20, 80)
Key = tuple[int, str, bool]
"""Pairs, paper, and whether the paper's colour is asked."""


def main() -> None:
    """Draw, fit, read, print."""
    print_table(__doc__, judge, table, WORLDS)


def judge(number: int) -> dict[Key, np.ndarray]:
    """One world's photos, by what the table tells apart."""
    rng = np.random.default_rng([SEED, number])
    world = draw_world(np.random.default_rng([WORLDS_SEED, number]))
    lot = world.lot(5, rng)
    phones = [draw_phone(rng) for _ in range(PHONES)]
    lamps = [draw_lamp(rng) for _ in range(LAMPS)]

    def one(on: World, same: bool):  # type: ignore[no-untyped-def]
        hb, volume = rng.uniform(*HB_RANGE_G_DL), float(np.exp(rng.normal(0, VOLUME_CV)))
        phone = phones[int(rng.integers(PHONES))] if same else draw_phone(rng)
        lamp = lamps[int(rng.integers(LAMPS))] if same else draw_lamp(rng)
        return hb, _read(shot_in(on, rng, lot, hb, volume, phone, lamp), lot)

    study = [pair for pair in (one(world, True) for _ in range(WOMEN)) if pair[1] is not None]
    sheet = replace(world, paper=draw_paper(rng))
    papers = {
        "the same": world,
        "another sheet": sheet,
        "another paper": replace(sheet, blot=draw_blot_model(rng)),
    }
    tests = {name: [one(on, k % 2 == 0) for k in range(TESTS)] for name, on in papers.items()}
    prior = Calibration.load(shipped("worlds"))
    out: dict[Key, np.ndarray] = {}
    for n in PAIRS:
        made = fit_site(prior, pairs_of(rng, study[:n])).calibration
        for asked in (False, True):
            reads = made if asked else replace(made, seen_papers=None)
            for name, rows in tests.items():
                out[n, name, asked] = _readings(reads, rows)
    return out


def table(found: dict[Key, list[np.ndarray]]) -> str:
    """As Markdown."""
    out = [
        "| pairs | paper | its colour | read | RMSE | 90 % covers | harmful | missed severe |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for (n, name, asked), worlds in sorted(found.items(), key=lambda item: item[0][::2]):
        rows = np.vstack(worlds)
        read = rows[rows[:, 0] > 0]
        out.append(
            f"| {n} | {name} | {'asked' if asked else 'not asked'} | {len(read) / len(rows):.0%} "
            f"| {np.sqrt((read[:, 1] ** 2).mean()):.2f} | {read[:, 2].mean():.0%} "
            f"| {read[:, 4].sum():.0f} | {read[:, 5].sum():.0f} of {read[:, 6].sum():.0f} |"
        )
    return "\n".join(out) + "\n"


if __name__ == "__main__":
    main()
