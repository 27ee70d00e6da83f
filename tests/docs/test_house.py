"""What holds of all files of the house."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

TESTS = Path(__file__).parents[1]
PACKAGE = TESTS.parent / "cardreader"
OTHERS = {"argparse", "os", "parser", "sys", "row"}
"""Whose underscores are not ours: of libraries, each with no other name for it."""


def private(name: str) -> bool:
    return name.startswith("_") and not name.endswith("__")


def of_others(tree: ast.Module) -> Iterator[str]:
    """Private names in a test that belong to something else than the test itself."""
    for node in ast.walk(tree):
        match node:
            case ast.ImportFrom(module=str(module), names=names) if module.startswith("cardreader"):
                yield from (name.name for name in names if private(name.name))
            case ast.Attribute(value=ast.Name(id=owner), attr=name) if owner in {"self", *OTHERS}:
                pass
            case ast.Attribute(attr=name) if private(name):
                yield ast.unparse(node)
            case ast.Call(
                func=ast.Attribute(attr="setattr"), args=[_, ast.Constant(str(name)), *_]
            ):
                yield from [name] * private(name)


def test_private_names_are_not_tested() -> None:
    """A test goes by what others may call too, so that what lies behind may change."""
    found = {
        str(path.relative_to(TESTS)): names
        for path in TESTS.rglob("*.py")
        if (names := sorted(set(of_others(ast.parse(path.read_text("utf-8"))))))
    }
    assert found == {}


def test_at_most_eight_modules_lie_flat_and_every_room_is_told_of() -> None:
    """What is not in a room is found by nobody who looks at folders."""
    assert len(list(PACKAGE.glob("*.py"))) <= 8
    rooms = {path.parent.name for path in PACKAGE.glob("*/__init__.py")}
    page = (TESTS.parent / "DEVELOPERS.md").read_text("utf-8")
    house = page.partition("## The house")[2].partition("\n## ")[0]
    assert {room for room in rooms if f"`{room}/`" not in house} == set()
