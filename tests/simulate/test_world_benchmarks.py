"""The benchmarks of sites still run: what only they use is seen by no other test."""

from __future__ import annotations

import importlib

import numpy as np
import pytest
from benchmarks.worlds.sites import draw_site


@pytest.mark.parametrize("kind", ["streams", "packets", "drawn"])
def test_a_site_of_each_kind_is_drawn_and_read(kind: str) -> None:
    site = draw_site(kind, 0, 0, women=2, tests=1)
    assert site.name.startswith(kind)
    assert len(site.by_lot) == len(site.hb_g_dl) == 2 * 2 + 2
    assert sum(photo is not None for photo in site.by_lot) >= 5


@pytest.mark.parametrize(
    ("name", "number", "pairs"),
    [
        ("unnamed_paper", 0, (8,)),
        ("local_tone", 0, (8,)),
        ("two_blots", 0, (8,)),
        ("faded", 6, {"Lab": (8,), "design": (), "photos": ()}),
    ],
)
def test_a_world_of_each_benchmark_is_judged_and_told(name, number, pairs, monkeypatch) -> None:
    benchmark = importlib.import_module(f"benchmarks.worlds.{name}")
    few = {"WOMEN": 12, "TESTS": 4, "PAIRS": pairs}
    if name == "faded":
        few["CASES"] = {"fresh": (0.0, 0.0, 0.0, 0.0)}  # of faded cards so few none may be read
    for constant, value in few.items():
        monkeypatch.setattr(benchmark, constant, value)
    found = benchmark.judge(number)
    told = benchmark.table({key: [rows] for key, rows in found.items()}).splitlines()
    assert len(told) == 2 + len(found) > 2
    assert len({line.count("|") for line in told}) == 1
    assert all(np.isfinite(np.array(rows, float)).all() for rows in found.values())
