"""A few hundred fuzz cases of every loader, a third of them in the quick set; `python tests/fuzz`
runs a hundred thousand."""

from __future__ import annotations

import random

import pytest
from targets import TARGETS

CASES = {
    "photos of a card": 6,
    "study tables (CSV)": 40,
    "calibrations, hashed anew": 80,
    "lists of photos (TXT, CSV)": 80,
    "journals of a batch (SQLite)": 30,
    "laboratory results (CSV)": 50,
    "backups, damaged": 12,
    "backups, hostile": 6,
    "registers (SQLite), damaged": 20,
    "forms sent to the server": 30,
    "files sent to the server": 20,
    "JSON sent to the server": 30,
    "addresses asked of the server": 30,
}
"""Of the slower ones fewer, so that all together take seconds."""


def _cases(name: str) -> int:
    return CASES.get(name, 150)


def _ends(name: str, numbers: range) -> set[str]:
    target = TARGETS[name]
    return {target.run(target.make(random.Random(f"smoke/{name}/{n}"))) for n in numbers}


@pytest.mark.parametrize("name", sorted(TARGETS))
def test_the_first_cases_end_as_they_may(name: str) -> None:
    assert _ends(name, range(_cases(name) // 3))


@pytest.mark.slow
@pytest.mark.parametrize("name", sorted(TARGETS))
def test_the_other_cases_end_as_they_may(name: str) -> None:
    ends = _ends(name, range(_cases(name) // 3, _cases(name)))
    assert len(ends) > 1 or "manifests" in name


def test_every_target_gets_its_part_of_a_run() -> None:
    assert sum(target.share for target in TARGETS.values()) == pytest.approx(1.0)


def test_an_undamaged_photo_is_opened_in_every_format() -> None:
    from targets import small_pictures

    assert {TARGETS["pictures"].run(data) for data in small_pictures()} == {"opened"}
