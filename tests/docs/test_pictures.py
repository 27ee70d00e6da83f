"""The pictures of the docs are what the program makes today."""

from __future__ import annotations

import shutil
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context

import numpy as np
import pytest
from PIL import Image

import pictures

LARGEST_DIFFERENCE = 6.0
"""Mean of 255 levels: other versions of fonts and of JPEG stay below 2 here, another
reading or another layout is far above."""
LARGEST_SHARE = 3e-4
"""Of pixels far off; another number of one digit changes 1e-3 of the annotated photo."""


@pytest.mark.parametrize("name", [name for name in pictures.PICTURES if name != "summary.png"])
def test_picture_is_up_to_date(name: str) -> None:
    _compare(name, pictures.PICTURES[name]())


@pytest.mark.slow
@pytest.mark.skipif(shutil.which("chromium") is None, reason="needs a browser")
def test_summary_is_up_to_date() -> None:
    # Apart: another test's browser may be open in this process.
    with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as apart:
        _compare("summary.png", apart.submit(pictures.PICTURES["summary.png"]).result())


def _compare(name: str, made: Image.Image) -> None:
    kept = Image.open(pictures.FOLDER / name).convert("RGB")
    assert kept.size == made.size
    small = (kept.width // 4, kept.height // 4)
    difference = np.array(kept.resize(small), float) - np.array(made.resize(small), float)
    assert np.abs(difference).mean() < LARGEST_DIFFERENCE, "run python docs/pictures.py"
    if name.endswith(".jpg"):  # the others are drawn by programs of other versions elsewhere
        far_off = (np.abs(difference).max(axis=-1) > 60).mean()
        assert far_off < LARGEST_SHARE, "run python docs/pictures.py"
