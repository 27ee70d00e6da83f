"""What becomes of a site's readings when its cards fade, where bleaching is told and where not.

    PYTHONPATH=tests/benchmarks python -m worlds.faded --out faded.md

The six judging worlds written apart from the simulator and four drawn by it. A study of 80
women, one photo each, on fresh cards; then new women beside fresh cards and beside cards whose
inks are bleached, half with the study's phones and lamps. Black keeps. The lot is known by Lab,
by its design, or by photos of its cards.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np

from cardreader.calibrate.condition import SitePairs
from cardreader.calibrate.site import fit_site
from cardreader.calibrate.sitefading import PRIOR_OF, with_fading
from cardreader.core.shipped import shipped
from cardreader.decide.protocolfile import load_protocol
from cardreader.hb.calibration import Calibration
from cardreader.hb.estimate import estimates
from cardreader.hb.measured import Measured
from cardreader.read.printcolours import CardPhoto, print_colours
from cardreader.simulate.demolots import design_lot
from cardreader.simulate.lamps import draw_lamp
from cardreader.simulate.worlds.draws import draw_phone
from cardreader.simulate.worlds.world import draw_world

from .judged import print_table
from .packets import PacketSite
from .sites import (
    CARD_PHOTOS,
    HB_RANGE_G_DL,
    LAB_CV,
    VOLUME_CV,
    WORLDS_SEED,
    _read,
    judging_sites,
    shot_in,
)
from .streams import StreamSite

SEED = 909_001
WOMEN, TESTS = 80, 30
PAIRS = {"Lab": (20, 80), "design": (80,), "photos": (80,)}
CASES = {
    "fresh": (0.0, 0.0, 0.0, 0.0),
    "8 % of all colours": (0.08, 0.08, 0.08, 0.0),
    "20 % of all colours": (0.20, 0.20, 0.20, 0.0),
    "20 % of magenta": (0.0, 0.20, 0.0, 0.0),
    "20 % of yellow": (0.0, 0.0, 0.20, 0.0),
}
Key = tuple[str, int, str, bool]
"""How the lot is known, pairs, cards, and whether bleaching is told."""
CERTAINTY = load_protocol("common-practice").certainty


def main() -> None:
    """Draw, fit, read, print."""
    print_table(__doc__, judge, table, len(judging_sites()))


def judge(number: int) -> dict[Key, np.ndarray]:
    """One site's photos, by what the table tells apart."""
    rng = np.random.default_rng([SEED, number])
    lot, phone, lamp, shot = _site(*judging_sites()[number], rng)
    phones, lamps = [phone() for _ in range(4)], [lamp() for _ in range(5)]

    def one(same: bool, left):  # type: ignore[no-untyped-def]
        hb, volume = rng.uniform(*HB_RANGE_G_DL), float(np.exp(rng.normal(0, VOLUME_CV)))
        by = phones[int(rng.integers(4))] if same else phone()
        under = lamps[int(rng.integers(5))] if same else lamp()
        return hb, shot(hb, volume, by, under, left)

    study = [one(True, np.ones(4)) for _ in range(WOMEN)]
    tests = {
        name: [one(k % 2 == 0, 1 - np.array(share)) for k in range(TESTS)]
        for name, share in CASES.items()
    }
    cards = [CardPhoto(one(True, np.ones(4))[1].samples) for _ in range(CARD_PHOTOS)]
    lots = {
        "Lab": replace(lot, expires=date.max, instrument="an instrument of the benchmark"),
        "design": replace(design_lot(), number=lot.number),
        "photos": print_colours(cards, replace(design_lot(), number=lot.number)).lot,
    }
    of_study = [(*pair, rng.normal()) for pair in study]
    out = {}
    for known, as_known in lots.items():
        pairs = [(hb, _read(photo, as_known), error) for hb, photo, error in of_study]
        pairs = [pair for pair in pairs if pair[1] is not None]
        beside = {
            name: [(hb, _read(photo, as_known)) for hb, photo in rows]
            for name, rows in tests.items()
        }
        prior = Calibration.load(shipped(PRIOR_OF[as_known.basis]))
        for n in PAIRS[known]:
            hb, photos, error = zip(*pairs[:n], strict=True)
            lab = np.array(hb) * (1 + LAB_CV * np.array(error))
            women, seen = np.arange(len(hb)).astype(str), Measured.stack(list(photos))
            for told in (False, True):
                base = with_fading(prior, as_known, seen) if told else prior
                site = SitePairs(seen, lab, LAB_CV * lab, women, women)
                made = fit_site(base, site).calibration
                for name, rows in beside.items():
                    out[known, n, name, told] = _readings(made, rows)
    return out


def _readings(made: Calibration, rows) -> np.ndarray:  # type: ignore[no-untyped-def]
    """Read, error, held, width, harmful, severe missed; a row a photo."""
    kept = [row for row in rows if row[1] is not None]
    truth = np.array([hb for hb, _ in kept])
    found = estimates(Measured.stack([photo for _, photo in kept]), made)
    final = found.final()
    low, high = final.interval(0.9)
    well = final.all_below(11.0) < CERTAINTY.not_anaemic_at_most
    missed = (truth < 7) & (final.all_below(7.0) < CERTAINTY.severe_raised_at)
    columns = (found.readable, final.median - truth, (low <= truth) & (truth <= high))
    told = np.column_stack([*columns, high - low, well & (truth <= 9), missed, truth < 7])
    gone = np.zeros((len(rows) - len(kept), told.shape[1]))
    return np.vstack([told, gone]).astype(float)


def _site(kind: str, variant: int, rng: np.random.Generator):  # type: ignore[no-untyped-def]
    if kind != "drawn":
        own = (StreamSite if kind == "streams" else PacketSite)(variant)

        def shot(hb, volume, phone, lamp, left):  # type: ignore[no-untyped-def]
            return own.photo(rng, hb, volume, phone, lamp, left)

        return own.lot(rng), lambda: own.phone(rng), lambda: own.lamp(rng), shot
    world = draw_world(np.random.default_rng([WORLDS_SEED, variant]))
    lot = world.lot(5, rng)

    def drawn(hb, volume, phone, lamp, left):  # type: ignore[no-untyped-def]
        card = replace(world, ink=world.ink * left)
        return shot_in(card, rng, lot, hb, volume, phone, lamp)

    return lot, lambda: draw_phone(rng), lambda: draw_lamp(rng), drawn


def table(found: dict[Key, list[np.ndarray]]) -> str:
    """As Markdown."""
    out = [
        "| lot by | pairs | cards | bleaching | read | bias | worst world | RMSE | 90 % covers "
        "| worst world | width | harmful | missed severe |",
        "|---|---|---|---|---|---|---|---|---|---|---|---|---|",
    ]
    for (known, n, name, told), worlds in found.items():
        rows = np.vstack(worlds)
        read = rows[rows[:, 0] > 0]
        each = [world[world[:, 0] > 0] for world in worlds]
        each = [world for world in each if len(world) > 4]
        bias = max((world[:, 1].mean() for world in each), key=abs, default=np.nan)
        worst = min((world[:, 2].mean() for world in each), default=np.nan)
        out.append(
            f"| {known} | {n} | {name} | {'told' if told else 'not told'} "
            f"| {len(read) / len(rows):.0%} "
            f"| {read[:, 1].mean():+.2f} | {bias:+.2f} | {np.sqrt((read[:, 1] ** 2).mean()):.2f} "
            f"| {read[:, 2].mean():.0%} | {worst:.0%} "
            f"| {read[:, 3].mean():.2f} | {read[:, 4].sum():.0f} "
            f"| {read[:, 5].sum():.0f} of {read[:, 6].sum():.0f} |"
        )
    return "\n".join(out) + "\n"


if __name__ == "__main__":
    main()
