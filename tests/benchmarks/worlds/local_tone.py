"""What becomes of a site's readings where phones map tone locally.

    PYTHONPATH=tests/benchmarks python -m worlds.local_tone --out fused.md

Twenty worlds drawn by the simulator, their lot known by Lab. A study of 80 women, one photo
each, by phones that leave tone alone or by phones that fuse exposures place by place, which the
prior never saw; then new women read by other phones, of both kinds, under other lamps.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from cardreader.calibrate.site import fit_site
from cardreader.core.shipped import shipped
from cardreader.hb.calibration import Calibration
from cardreader.simulate.cameras import Camera
from cardreader.simulate.lamps import draw_lamp
from cardreader.simulate.localtone import draw_by_fusing
from cardreader.simulate.worlds.draws import draw_phone
from cardreader.simulate.worlds.world import draw_world

from .faded import _readings
from .judged import print_table
from .sites import HB_RANGE_G_DL, LAMPS, PHONES, VOLUME_CV, WORLDS_SEED, _read, pairs_of, shot_in

SEED, WORLDS = 909_013, 20
WOMEN, TESTS = 80, 40
PAIRS = (5, 20, 80)
KINDS = ("plain", "fused")
Key = tuple[int, str, str]
"""Pairs, the study's phones and those read."""


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
    fused = [_mapping(rng, phone) for phone in phones]

    def one(phone: Camera, lamp):  # type: ignore[no-untyped-def]
        hb, volume = rng.uniform(*HB_RANGE_G_DL), float(np.exp(rng.normal(0, VOLUME_CV)))
        return hb, _read(shot_in(world, rng, lot, hb, volume, phone, lamp), lot)

    def study(own: list[Camera]):  # type: ignore[no-untyped-def]
        rows = [
            one(own[int(rng.integers(PHONES))], lamps[int(rng.integers(LAMPS))])
            for _ in range(WOMEN)
        ]
        return [row for row in rows if row[1] is not None]

    studies = {"plain": study(phones), "fused": study(fused)}
    tests = {
        "plain": [one(draw_phone(rng), draw_lamp(rng)) for _ in range(TESTS)],
        "fused": [one(_mapping(rng, draw_phone(rng)), draw_lamp(rng)) for _ in range(TESTS)],
    }
    prior = Calibration.load(shipped("worlds"))
    out: dict[Key, np.ndarray] = {}
    for n in PAIRS:
        for known, pairs in studies.items():
            made = fit_site(prior, pairs_of(rng, pairs[:n])).calibration
            for kind, rows in tests.items():
                out[n, known, kind] = _readings(made, rows)
    return out


def _mapping(rng: np.random.Generator, phone: Camera) -> Camera:
    return replace(phone, local=draw_by_fusing(rng))


def table(found: dict[Key, list[np.ndarray]]) -> str:
    """As Markdown."""
    out = [
        "| pairs | the study's phones | phones read | read | RMSE | bias | 90 % covers | harmful "
        "| missed severe |",
        "|---|---|---|---|---|---|---|---|---|",
    ]
    for (n, known, kind), worlds in sorted(
        found.items(), key=lambda item: (item[0][0], -KINDS.index(item[0][1]))
    ):
        rows = np.vstack(worlds)
        read = rows[rows[:, 0] > 0]
        out.append(
            f"| {n} | {known} | {kind} | {len(read) / len(rows):.0%} "
            f"| {np.sqrt((read[:, 1] ** 2).mean()):.2f} | {read[:, 1].mean():+.2f} "
            f"| {read[:, 2].mean():.0%} "
            f"| {read[:, 4].sum():.0f} | {read[:, 5].sum():.0f} of {read[:, 6].sum():.0f} |"
        )
    return "\n".join(out) + "\n"


if __name__ == "__main__":
    main()
