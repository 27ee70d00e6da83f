"""Kept numbers of sample photos: whoever moves them must give the measuring chain a new name.

    python tests/read/test_chain.py

writes them anew, for a chain that was renamed. The photos are synthetic.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from cardreader.hb.measured import Measured
from cardreader.pipeline import measure_photo
from cardreader.read.chain import CHAIN
from cardreader.reader import load_lots

KEPT = Path(__file__).with_name("chain_numbers.json")
SAMPLES = Path(__file__).parents[2] / "sample_images" / "good"
PHOTOS = ("severe-4.8-lamp.jpg", "moderate-8.3-tube.jpg", "above-12.2-tube.jpg")
ROUNDING = 2e-4
"""Decoders and mathematical libraries differ by less than this in ln XYZ; in Hb 0.005 g/dL."""


def numbers(photo: str) -> Measured:
    """What the chain measures on a photo."""
    found = measure_photo((SAMPLES / photo).read_bytes(), load_lots()).findings.measured
    assert found is not None
    return found


def test_the_numbers_kept_are_this_chains() -> None:
    assert json.loads(KEPT.read_text())["chain"] == CHAIN, "write the kept numbers anew"


@pytest.mark.parametrize("photo", PHOTOS)
def test_numbers_move_with_the_chains_name_only(photo: str) -> None:
    kept = Measured.from_json(json.loads(KEPT.read_text())[photo])
    found = numbers(photo)
    moved = np.abs(found.log_ratio - kept.log_ratio).max()
    assert moved < ROUNDING, "numbers moved: rename cardreader.read.chain.CHAIN and refit"
    assert np.abs(found.signature - kept.signature).max() < 5 * ROUNDING


if __name__ == "__main__":
    content = {"chain": CHAIN, **{photo: numbers(photo).as_json() for photo in PHOTOS}}
    KEPT.write_text(json.dumps(content, indent=1) + "\n")
