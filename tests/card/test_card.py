"""Lots of cards: what is accepted, what is refused, and the colours derived."""

from __future__ import annotations

from dataclasses import FrozenInstanceError, replace
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from lots import made_up_lot
from skimage.color import lab2xyz

from cardreader.card import layout
from cardreader.card.cgats import write_lot
from cardreader.card.cgatstable import LotFileError
from cardreader.card.lot import Lot
from cardreader.card.lots import Lots
from cardreader.colour.cielab import lab_to_xyz, xyz_to_lab
from cardreader.core.shipped import shipped


def spectral(**changes: Any) -> Lot:
    nm = np.arange(400.0, 701.0, 10.0)
    data = {
        "wavelengths_nm": nm,
        "spectra": np.full((72, nm.size), 0.3),
        "paper_spectrum": np.full(nm.size, 0.85),
        "stock_spectrum": np.full(nm.size, 0.9),
    }
    return replace(made_up_lot(), **(data | changes))


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"number": -1}, "outside"),
        ({"number": 146**3}, "outside"),
        ({"basis": "guessed"}, "basis"),
        ({"lab": np.zeros((71, 3))}, "shape"),
        ({"lab": np.full((72, 3), np.nan)}, "finite"),
        ({"lab": np.full((72, 3), 101.0)}, "outside 0..100"),
        ({"lab": np.full((72, 3), (50, 200, 0))}, "beyond"),
        ({"lab": np.full((72, 3), (5, 0, 120))}, "vivid"),
        ({"paper_lab": np.array([-1, 0, 0])}, "paper_lab"),
        ({"stock_lab": np.array([np.inf, 0, 0])}, "stock_lab"),
        ({"note": "two\nlines"}, "one line"),
        ({"note": 'said "so"'}, "quotes"),
        ({"instrument": "x" * 201}, "longer"),
        ({"created": date(2030, 1, 1)}, "before it was made"),
        ({"spectra": np.full((72, 31), 0.3)}, "or none"),
    ],
)
def test_impossible_lots_are_refused(changes: dict[str, Any], says: str) -> None:
    with pytest.raises(ValueError, match=says):
        replace(made_up_lot(), **changes)


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"spectra": np.full((72, 30), 0.3)}, "shape"),
        ({"spectra": np.full((72, 31), 30.0)}, "outside"),
        ({"paper_spectrum": np.full(31, -0.1)}, "outside"),
        ({"wavelengths_nm": np.arange(700.0, 399.0, -10.0)}, "rise"),
        ({"stock_spectrum": None}, "or none"),
    ],
)
def test_impossible_spectra_are_refused(changes: dict[str, Any], says: str) -> None:
    spectral()
    with pytest.raises(ValueError, match=says):
        spectral(**changes)


def test_a_lot_cannot_be_changed() -> None:
    lab = made_up_lot().lab.copy()
    lot = replace(made_up_lot(), lab=lab)
    lab[:] = 0
    assert lot.lab.max() > 0
    with pytest.raises(ValueError, match="read-only"):
        lot.lab[0] = 0
    with pytest.raises(FrozenInstanceError):
        lot.number = 1  # type: ignore[misc]


def test_lot_id_is_the_number_as_printed() -> None:
    assert made_up_lot(1234).lot_id == "001234"


def test_last_day_of_use_is_still_good() -> None:
    lot = made_up_lot()
    assert not lot.is_expired(lot.expires)
    assert lot.is_expired(lot.expires + timedelta(days=1))


def test_xyz_agrees_with_scikit_image() -> None:
    lot = made_up_lot()
    # scikit-image holds D50 as (0.9642, 1, 0.8251), colour-science as its chromaticity.
    assert np.allclose(lot.xyz, lab2xyz(lot.lab, illuminant="D50", observer="2"), atol=3e-4)
    assert lot.xyz.shape == (len(layout.cells()), 3)


def test_white_of_lab_is_cie_d50() -> None:
    # CIE 15:2004, D50 for the 2 degree observer: 96.42, 100.00, 82.51 (from memory).
    assert np.allclose(100 * lab_to_xyz([100, 0, 0]), [96.42, 100, 82.51], atol=0.015)
    assert np.allclose(xyz_to_lab(lab_to_xyz([50, 20, -30])), [50, 20, -30])


def test_folder_of_lots(tmp_path: Path) -> None:
    for number in (3, 141_001):
        (tmp_path / f"{number}.txt").write_text(write_lot(made_up_lot(number)))
    (tmp_path / "readme.md").write_text("not a lot")
    lots = Lots.load(tmp_path)
    assert sorted(lots) == [3, 141_001]
    assert lots[3].number == 3
    assert 4 not in lots
    assert lots.get(4) is None

    (tmp_path / "copy.txt").write_text(write_lot(made_up_lot(3, note="again")))
    with pytest.raises(LotFileError, match=r"copy\.txt and 3\.txt both describe lot 000003"):
        Lots.load(tmp_path)


def test_a_bad_file_in_the_folder_is_named(tmp_path: Path) -> None:
    (tmp_path / "bad.txt").write_text("CGATS.17\nBEGIN_DATA\n")
    with pytest.raises(LotFileError, match=r"bad\.txt: line 2"):
        Lots.load(tmp_path)
    with pytest.raises(NotADirectoryError):
        Lots.load(tmp_path / "missing")


def test_two_lots_of_one_number_are_refused() -> None:
    with pytest.raises(ValueError, match="two lots"):
        Lots([made_up_lot(5), made_up_lot(5)])


def test_shipped_lots_load() -> None:
    assert shipped("lots").is_dir()
    for number, lot in Lots.load(shipped("lots")).items():
        assert lot.number == number
