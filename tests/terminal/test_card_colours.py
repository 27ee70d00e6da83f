"""`card-colours`: photos of a printed lot in, its file out."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from inprocess import run_cardreader
from lots import made_up_lot
from printed import TONES, shoot

from cardreader.card.cgats import read_lot_file, write_lot
from cardreader.card.lots import Lots
from cardreader.pipeline import measure_photo
from cardreader.read.correct import correct
from cardreader.terminal.exitcodes import ExitCode

ROOT = Path(__file__).parents[2]
GOOD = ROOT / "sample_images" / "good"
PHOTOS = 11


def _printed():
    """A print that misses its design: inks too strong, and every shade off by its own bit."""
    lot = made_up_lot()
    rng = np.random.default_rng(8)
    lab = lot.lab * [1.0, 1.12, 1.08] + np.repeat(rng.normal(0, 1.2, (36, 3)), 2, axis=0)
    lab[:, 0] = np.minimum(lab[:, 0], 97.0)
    return replace(lot, lab=lab)


def _shot(seed: int) -> bytes:
    tone = sorted(TONES)[seed % len(TONES)]
    return shoot(_printed(), 5.0 + seed % 8, seed, megapixels=2.0, tone=tone).jpeg


@pytest.fixture(scope="module")
def photographed(tmp_path_factory) -> tuple[Path, str]:
    folder = tmp_path_factory.mktemp("print")
    (folder / "photos").mkdir()
    (folder / "lots").mkdir()
    for seed in range(PHOTOS):
        (folder / "photos" / f"{seed}.jpg").write_bytes(_shot(seed))
    (folder / "photos" / "again.jpg").write_bytes(_shot(0))
    (folder / "photos" / "note.txt").write_text("no photo")
    lot = folder / "lots" / "261101.txt"
    lot.write_text(write_lot(made_up_lot()))
    done = run_cardreader(
        *("card-colours", folder / "photos", "--lots", folder / "lots"),
        *("--out", lot, "--today", "2026-11-02"),
    )
    assert done.returncode == ExitCode.OK, done.stderr
    return lot, done.stdout


@pytest.mark.slow
def test_a_new_photo_misses_the_found_colours_less_than_the_design(photographed):
    lot, said = photographed
    assert f"from {PHOTOS} of {PHOTOS + 1} photos by 1 kind of phone" in said
    assert "fewer than 3 kinds of phone" in said
    assert "1 left out: not_an_image" in said
    known = read_lot_file(lot)
    assert (known.basis, known.number) == ("photographed", 261101)
    assert known.created is not None
    measured = measure_photo(_shot(PHOTOS + 3), Lots([known]))
    assert measured.samples is not None
    by_photos, by_design = (
        correct(measured.samples, one).residual_de00.mean() for one in (known, made_up_lot())
    )
    assert by_photos < 0.5 * by_design


@pytest.mark.slow
def test_found_colours_may_be_found_again_but_never_replace_a_measurement(photographed, tmp_path):
    lot, _ = photographed
    last_day = read_lot_file(lot).expires
    again = run_cardreader(
        *("card-colours", lot.parent.parent / "photos", "--lots", lot.parent, "--out", lot),
    )
    assert again.returncode == ExitCode.OK, again.stderr
    assert read_lot_file(lot).expires == last_day  # printed on the cards; not the design's
    measured = tmp_path / "261101.txt"
    measured.write_text(write_lot(made_up_lot(basis="measured")))
    before = measured.read_bytes()
    done = run_cardreader(
        *("card-colours", lot.parent.parent / "photos", "--lots", lot.parent, "--out", measured),
    )
    assert done.returncode == ExitCode.NOT_WRITTEN
    assert measured.read_bytes() == before


def test_a_measured_lot_is_left_alone(tmp_path):
    photo = sorted(GOOD.glob("*.jpg"))[0]
    done = run_cardreader("card-colours", photo, "--out", tmp_path / "lot.txt")
    assert done.returncode == ExitCode.USAGE
    assert "is measured" in done.stderr
    assert not (tmp_path / "lot.txt").exists()


def test_photos_of_no_card_missing_ones_and_too_few_are_told(tmp_path):
    out = tmp_path / "lot.txt"
    other = tmp_path / "other.jpg"
    other.write_bytes(b"no photo")
    done = run_cardreader("card-colours", other, "--out", out)
    assert done.returncode == ExitCode.BAD_DATA
    assert "no photo shows a card of a known lot" in done.stderr
    done = run_cardreader("card-colours", tmp_path / "missing.jpg", "--out", out)
    assert done.returncode == ExitCode.NO_FILE
    assert "missing.jpg" in done.stderr
    (tmp_path / "lots").mkdir()
    (tmp_path / "lots" / "261101.txt").write_text(write_lot(made_up_lot()))
    other.write_bytes(_shot(1))
    done = run_cardreader("card-colours", other, "--lots", tmp_path / "lots", "--out", out)
    assert done.returncode == ExitCode.BAD_DATA
    assert "at least 10" in done.stderr
    assert not out.exists()
