"""The table of what lamps leave at the prints, beside lamps that it wasn't made of."""

from __future__ import annotations

from datetime import date

import numpy as np

from cardreader.card import layout
from cardreader.read.lampmisfit import N_DIRECTIONS, lamp_misfit
from cardreader.simulate.cameras import Family
from cardreader.simulate.lampmisfit import directions, draw_misfits, misfit
from cardreader.simulate.patchdraw import patch_draw
from cardreader.simulate.scene import GOOD, draw_scene, simulated_lot

# CIE lamps of four kinds, tabulated in CIE 015:2018; none went into the table.
LAMPS = ("A", "D65", "FL2", "FL11", "LED-B3")


def inside(misfits: np.ndarray) -> float:
    """Share of the squares of misfits (n, 36, 3) along the table's directions."""
    table = layout.by_shade(lamp_misfit())[:, 0].reshape(-1, N_DIRECTIONS)
    axes = np.linalg.qr(table)[0]
    rows = misfits.reshape(len(misfits), -1)
    return float(((rows @ axes) ** 2).sum() / (rows**2).sum())


def test_both_prints_of_a_shade_have_its_directions() -> None:
    pairs = layout.by_shade(lamp_misfit())
    assert pairs.shape == (layout.N_SHADES, 2, 3, N_DIRECTIONS)
    assert (pairs[:, 0] == pairs[:, 1]).all()


def test_holds_more_than_half_of_what_tabulated_lamps_leave_at_another_print() -> None:
    """Cameras held out, a lot of the demonstration inks, which no world has: 0.59 was found."""
    lot = simulated_lot(3, date.max, 3)
    found = []
    for k in range(40):
        rng = np.random.default_rng([8, k])
        scene = draw_scene(rng, 9.0, lot, 3, GOOD, Family.HELD_OUT, LAMPS[k % len(LAMPS)])
        samples = patch_draw(scene, rng).samples
        if not samples.clipped_share.any():
            found.append(misfit(samples, lot))
    assert len(found) > 20
    anywhere = np.random.default_rng(1).normal(size=(300, layout.N_SHADES, 3))
    assert inside(np.array(found)) > 0.5
    assert inside(anywhere) < 0.2


def test_a_smaller_draw_finds_the_longest_directions_again() -> None:
    found = directions(draw_misfits(range(60), seed=11), 3)
    assert inside(np.moveaxis(found, -1, 0)) > 0.95
