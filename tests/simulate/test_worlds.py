"""Worlds: structurally different, physically possible, and read by the reader's own stages."""

from __future__ import annotations

import numpy as np
import pytest

from cardreader.card.cgats import write_lot
from cardreader.colour.cielab import delta_e_2000
from cardreader.simulate.blood import WAVELENGTHS_NM, two_flux_reflectance
from cardreader.simulate.colorimetry import lab
from cardreader.simulate.demolots import design_lot
from cardreader.simulate.worlds import inks, papers, prints
from cardreader.simulate.worlds.blots import MODELS, draw_blot_model, methaemoglobin_per_cm
from cardreader.simulate.worlds.draws import draw_each_way, draw_worlds
from cardreader.simulate.worlds.world import draw_world


@pytest.mark.parametrize("model", prints.MODELS)
@pytest.mark.parametrize("family", inks.FAMILIES)
def test_more_ink_is_darker_and_no_ink_is_the_stock(model, family):
    rng = np.random.default_rng(3)
    press = prints.draw_press(rng, model, inks.draw_colorants(rng, family))
    amounts = np.linspace(0, press.most, 9)[:, None] * np.array([0.5, 0.5, 0.5, 0.2])
    seen = press(amounts)
    assert np.all((seen > 0) & (seen < 1))
    assert np.all(np.diff(seen.mean(axis=1)) < 0)
    assert seen[0] == pytest.approx(press.stock, abs=1e-9)


def test_the_design_comes_out_near_what_was_asked():
    """Printers differ by some dE00; shades of blood must still be shades of blood."""
    asked = design_lot().lab
    off = [
        delta_e_2000(lab(draw_world(np.random.default_rng([8, i])).printed), asked).mean()
        for i in range(12)
    ]
    assert 0.5 < np.median(off) < 6


def test_a_layer_with_nothing_below_is_kubelka_and_munk_for_an_endless_pile():
    """Kubelka 1948: as scattering grows the backing ceases to matter."""
    k = np.array([0.05, 0.5, 2.0])
    for backing in (0.0, 0.9):
        seen = papers.layer_reflectance(k, np.full(3, 60.0), np.full(3, backing))
        assert seen == pytest.approx(two_flux_reflectance(k), abs=1e-6)


def test_a_layer_that_neither_absorbs_nor_scatters_shows_its_backing():
    seen = papers.layer_reflectance(np.array([1e-9]), np.array([1e-6]), np.array([0.4]))
    assert seen == pytest.approx([0.4], abs=1e-4)


@pytest.mark.parametrize("model", MODELS)
def test_more_haemoglobin_is_darker_in_every_blot_model(model):
    rng = np.random.default_rng(5)
    paper, blot = papers.draw_paper(rng, "white"), draw_blot_model(rng, model)
    seen = blot.reflectance(paper, np.array([0.0, 3.0, 8.0, 15.0]), 0.95, 0.02)
    assert np.all(np.diff(seen.mean(axis=1)) < 0)
    assert np.all((seen > 0) & (seen < 1))


def test_methaemoglobin_browns_a_blot():
    """More is absorbed at its band of 630 nm, less at the oxygenated bands of 541 and 577 nm."""
    rng = np.random.default_rng(6)
    paper, blot = papers.draw_paper(rng, "white"), draw_blot_model(rng, "sheet")
    fresh, old = (blot.reflectance(paper, 10.0, 0.95, met) for met in (0.0, 0.3))
    assert old[WAVELENGTHS_NM == 630] < fresh[WAVELENGTHS_NM == 630]
    assert old[WAVELENGTHS_NM == 575] > fresh[WAVELENGTHS_NM == 575]
    assert methaemoglobin_per_cm(10.0).argmax() == np.argmin(np.abs(WAVELENGTHS_NM - 405))


def test_worlds_differ_in_how_much_blood_stands_in_the_paper():
    soak = [draw_blot_model(np.random.default_rng([2, i])).soak for i in range(300)]
    assert np.std(np.log(soak)) == pytest.approx(0.30, abs=0.04)
    assert len({draw_blot_model(np.random.default_rng([2, i])).model for i in range(40)}) == 4


def test_a_brightened_paper_shines_under_daylight_and_not_under_an_led():
    for seed in range(40):
        world = draw_world(np.random.default_rng(seed))
        if world.paper.kind == "brightened":
            break
    blue = np.argmin(np.abs(WAVELENGTHS_NM - 440))
    assert world.blank(1.0)[blue] > world.blank(0.0)[blue] + 0.05


def test_sittings_are_the_same_whatever_the_processes_and_what_is_known_of_the_lot():
    one, two = draw_worlds(3, 5, seed=9), draw_each_way(3, 5, seed=9, workers=2)
    assert np.array_equal(one.measured.rows(), two.by_lot.measured.rows())
    assert len(one.hb_g_dl) + one.n_refused == 15
    assert len(two.by_design.hb_g_dl) >= 12
    assert len(two.by_photos.hb_g_dl) >= 12


def test_a_lot_with_spectra_gives_worlds_of_its_own_print():
    rng = np.random.default_rng(4)
    lot = draw_world(rng).lot(5, rng)
    assert write_lot(lot)  # a lot as a file can hold it
    first, second = (draw_world(np.random.default_rng(i), lot) for i in (1, 2))
    assert np.allclose(first.printed, lot.spectra)
    assert np.allclose(first.printed, second.printed)
    assert first.blot != second.blot
    drawn = draw_worlds(2, 4, seed=1, lot=lot)
    assert len(drawn.hb_g_dl) >= 6
