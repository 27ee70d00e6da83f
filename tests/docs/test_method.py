"""The page of equations names functions that are there."""

from __future__ import annotations

import dataclasses
import re
from importlib import import_module
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

PAGE = (Path(__file__).parents[2] / "docs" / "method.md").read_text(encoding="utf-8")
ROOMS = "core|colour|card|read|hb|decide|result|calibrate|simulate"
NAMES = sorted(set(re.findall(rf"`((?:{ROOMS})(?:\.\w+)+)`", PAGE)))


def _part(of: Any, name: str) -> Any:
    if isinstance(of, ModuleType) and not hasattr(of, name):
        return import_module(f"{of.__name__}.{name}")
    if dataclasses.is_dataclass(of) and name in {f.name for f in dataclasses.fields(of)}:
        return name
    return getattr(of, name)


@pytest.mark.parametrize("name", NAMES)
def test_each_function_named_exists(name: str) -> None:
    found: Any = import_module("cardreader")
    for part in name.split("."):
        found = _part(found, part)


def test_every_part_of_the_model_names_what_computes_it() -> None:
    parts = re.split(r"^## (\d+\..*)$", PAGE, flags=re.MULTILINE)
    for title, text in zip(parts[1::2], parts[2::2], strict=True):
        assert re.search(rf"`(?:{ROOMS})\.\w+", text), title
    assert len(NAMES) > 40


def _symbol_rows() -> list[list[str]]:
    """Cells of each row of the tables of symbols."""
    rows, inside = [], False
    for line in PAGE.splitlines():
        inside = line.startswith("| symbol |") or (inside and line.startswith("|"))
        if inside and not line.startswith(("| symbol |", "|---")):
            # A bar within a formula is no border.
            rows.append([cell.strip() for cell in re.split(r"(?<!\\)\|", line)[1:-1]])
    return rows


def test_each_symbol_has_its_meaning_its_unit_and_its_function() -> None:
    rows = _symbol_rows()
    assert len(rows) > 40
    for row in rows:
        symbol, meaning, unit, function = row
        assert meaning, row
        assert unit or "$" not in symbol, row
        assert re.search(rf"`(?:{ROOMS})\.\w+", function), row
