"""A few hundred fuzz cases of every loader; `python tests/fuzz` runs a hundred thousand."""

from __future__ import annotations

import random

import pytest
from targets import TARGETS

CASES = {"photos of a card": 6, "study tables (CSV)": 40}


@pytest.mark.parametrize("name", sorted(TARGETS))
def test_every_case_ends_as_it_may(name: str) -> None:
    target = TARGETS[name]
    ends = set()
    for number in range(CASES.get(name, 150)):
        ends.add(target.run(target.make(random.Random(f"smoke/{name}/{number}"))))
    assert len(ends) > 1 or "manifests" in name


def test_an_undamaged_photo_is_opened_in_every_format() -> None:
    from targets import small_pictures

    assert {TARGETS["pictures"].run(data) for data in small_pictures()} == {"opened"}
