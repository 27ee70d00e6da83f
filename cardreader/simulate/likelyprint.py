"""The table of what a print likely is, made of worlds whose prints are known.

    python -m cardreader.simulate.likelyprint calibration/prints/likely-print.csv

In each world photos of its cards are read beside the design as `read.printcolours` reads them, and
the print is regressed on what they leave over: ridge regression, of which the directions of
prints that it foretells best are kept (reduced-rank regression, Izenman 1975 (m)).
"""

from __future__ import annotations

import sys
from collections.abc import Iterable
from io import StringIO
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from cardreader.core.files import write_atomic
from cardreader.read.likelyprint import RANK, PrintRegression
from cardreader.read.printcolours import TooFewPhotosError, print_misses
from cardreader.simulate.demolots import design_lot
from cardreader.simulate.worlds.draws import card_photos
from cardreader.simulate.worlds.world import draw_world

Array = NDArray[np.float64]

WORLDS, SEED = 500, 20264
RIDGE = 1e-3
"""In (ln XYZ)²: a fifth of this to three times as much do as well where a print model or the
inks are left out (worlds of seed 20261)."""
_LOT_NUMBER = 5


def draw_prints(worlds: Iterable[int], seed: int = SEED) -> tuple[Array, Array]:
    """What photos left over at the prints of these worlds, and the prints, both (n, 36, 3):
    ln XYZ against the design's."""
    left, prints = [], []
    design = design_lot()
    for index in worlds:
        rng = np.random.default_rng([seed, index])
        world = draw_world(rng)
        lot = world.lot(_LOT_NUMBER, rng)
        try:
            found = print_misses(card_photos(world, lot, rng), design)
        except TooFewPhotosError:
            continue
        left.append(found.median)
        prints.append(np.log(lot.xyz / design.xyz)[::2])
    return np.array(left), np.array(prints)


def regress(left: Array, prints: Array, rank: int = RANK, ridge: float = RIDGE) -> PrintRegression:
    """Prints on what was left over at them, both (n, 36, 3)."""
    shape = left.shape[1:]
    x, y = left.reshape(len(left), -1), prints.reshape(len(prints), -1)
    x_mean, y_mean = x.mean(axis=0), y.mean(axis=0)
    x, y = x - x_mean, y - y_mean
    slope = np.linalg.solve(x.T @ x + ridge * len(x) * np.eye(x.shape[1]), x.T @ y)
    ways = np.linalg.svd(x @ slope, full_matrices=False)[2][:rank].T
    traces = slope @ ways
    sd = (x @ traces).std(axis=0)
    return PrintRegression(
        x_mean.reshape(shape),
        y_mean.reshape(shape),
        (traces / sd).reshape(*shape, -1),
        (ways * sd).reshape(*shape, -1),
    )


def main(out: Path) -> None:
    """Write the table."""
    left, prints = draw_prints(range(WORLDS))
    text = StringIO()
    np.savetxt(
        text,
        regress(left, prints).table,
        fmt="%.5f",
        delimiter=",",
        header="What a print likely is, by what photos left over at it: a row for ln X, Y and Z\n"
        f"of each of the 36 shades; means of both, then {RANK} traces and {RANK} misses, see\n"
        f"read.likelyprint. Synthetic: from {len(left)} simulated worlds, seed {SEED}.",
    )
    write_atomic(out, text.getvalue())


if __name__ == "__main__":
    main(Path(sys.argv[1]))
