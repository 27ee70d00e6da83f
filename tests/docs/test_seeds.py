"""Seeds by which numbers were set are not those of the tables that judge them."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import build
from cardreader.calibrate.defaultcli import DEFAULT_SEED, WORLDS_SEED

BENCHMARKS = Path(__file__).parents[1] / "benchmarks"


def _tuning() -> set[int]:
    """Of the fits that ship, and all that the origins of gates name."""
    told = " ".join(gate.why for stage in build.STAGES for gate in stage.gates)
    lists = re.findall(r"\bseeds?(?: from)? ((?:[0-9]+(?:, | and | to )?)+)", told)
    named = {int(number) for one in lists for number in re.findall("[0-9]+", one)}
    assert {31337, 51001, 9101, 9202, 661020} <= named
    return {DEFAULT_SEED, WORLDS_SEED, *named}


def _reported() -> dict[str, set[int]]:
    """Seeds that the benchmarks draw by unless told otherwise, by file."""
    found: dict[str, set[int]] = {}
    for path in sorted(BENCHMARKS.rglob("*.py")):
        if seeds := _seeds(ast.parse(path.read_text(encoding="utf-8"))):
            found[str(path.relative_to(BENCHMARKS))] = seeds
    return found


def _seeds(tree: ast.Module) -> set[int]:
    values: list[ast.expr] = []
    for node in ast.walk(tree):
        if isinstance(node, ast.Assign) and "SEED" in ast.unparse(node.targets[0]):
            values.append(node.value)
        if isinstance(node, ast.Call) and any("--seed" in ast.unparse(arg) for arg in node.args):
            values += [word.value for word in node.keywords if word.arg == "default"]
        # The first of a list is the seed, the rest number what is drawn.
        if isinstance(node, ast.Call) and ast.unparse(node.func).endswith("default_rng"):
            (given,) = node.args
            values.append(given.elts[0] if isinstance(given, ast.List) else given)
    plain = [part for value in values for part in (getattr(value, "elts", None) or [value])]
    return {part.value for part in plain if isinstance(part, ast.Constant)}


def test_tuning_seeds_are_apart_from_reported_ones() -> None:
    reported = _reported()
    assert {"accuracy.py", "hard/__main__.py", "worlds/sites.py"} <= set(reported)
    # What that one draws is what the origins tell, and judges no reading.
    told = reported.pop("gates.py")
    assert told <= _tuning()
    for file, seeds in reported.items():
        assert seeds.isdisjoint(_tuning()), file
