"""Pages made from the code are what the code says now; every deciding number is on its page."""

from __future__ import annotations

import ast
import inspect
import pkgutil
import re
from importlib import import_module
from operator import attrgetter
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import build
import cardreader
from cardreader.core.gates import Stage, chosen
from marked import with_part

LIMITS = ("Settings", "SessionLimits", "GateLimits")
"""Classes whose fields are limits where nothing else is said."""
DOCS = Path(__file__).parents[2] / "docs"
SIMULATED = ("cardreader.simulate", "cardreader.calibrate.demo", "cardreader.calibrate.defaultcli")
"""What is drawn, how much of it and by which seeds: it decides nothing of a real photo."""
DECIDE_NOTHING = {
    "drawing and layout of pages, pictures and figures": (
        "calibrate.document", "calibrate.figures", "calibrate.report.accounts", "card.artwork",
        "card.drawing", "card.printsheet", "result.annotate", "result.astext", "web.plot",
    ),
    "definitions, each with its source beside it": (
        "colour.cielab", "colour.icc", "colour.oklab", "core.robust",
    ),
    "lengths of what is shown, written or kept whole": (
        "batch.cli", "core.jsontext", "core.oneline", "decide.counsel", "register.identity",
        "register.merge.together", "result.asjson", "web.api.women", "web.announce",
    ),
    "how long a command waits, when it speaks, whose a file is, what a machine needs": (
        "commands.card", "commands.check", "core.files", "core.piped", "terminal.frame",
        "terminal.progress", "web.later", "web.meetcli", "web.zipped",
    ),
    "figures of docs/sites.md, which a test holds to that page": ("web.expected",),
}  # fmt: skip


@pytest.mark.parametrize("name", build.PAGES)
def test_a_page_is_what_the_code_says(name: str) -> None:
    text = (DOCS / name).read_text(encoding="utf-8")
    assert text == build.PAGES[name](), "run python docs/build.py"


def test_a_part_between_marks_is_made_anew_and_nothing_else() -> None:
    page = "by hand\n<!-- a: begin -->\nold <!-- b: begin -->\n<!-- a: end -->\nby hand\n"
    made = with_part(page, "a", "new")
    assert made == "by hand\n<!-- a: begin -->\nnew\n<!-- a: end -->\nby hand\n"
    for broken in (made.replace("end", "and"), made + made, "", "<!-- a: end --><!-- a: begin -->"):
        with pytest.raises(ValueError, match="the page needs one mark"):
            with_part(broken, "a", "new")


def _numbers(module: Any) -> set[str]:
    """Constants of a module that are numbers, or tables of them."""
    return {name for name in _named(module) if _is_number(attrgetter(name)(module))}


def _named(module: Any) -> set[str]:
    tree, names = ast.parse(inspect.getsource(module)), set()
    for statement in tree.body:
        if isinstance(statement, ast.Assign):
            targets = statement.targets
        elif isinstance(statement, ast.AnnAssign) and statement.value is not None:
            targets = [statement.target]
        else:
            continue
        # What is worked out from other constants has no origin of its own.
        if any(isinstance(node, ast.Name | ast.Call) for node in _parts(statement.value)):
            continue
        names |= {n.id for t in targets for n in ast.walk(t) if isinstance(n, ast.Name)}
    for holder in (s for s in tree.body if isinstance(s, ast.ClassDef)):
        if holder.name in LIMITS:
            names |= {f"{holder.name}.{f}" for f in vars(getattr(module, holder.name))}
    return names


def _parts(value: ast.expr) -> list[ast.AST]:
    """All nodes but the call that makes an array of plain numbers."""
    if isinstance(value, ast.Call) and ast.unparse(value.func) == "np.array":
        return [node for part in value.args for node in ast.walk(part)]
    return list(ast.walk(value))


def _is_number(value: Any) -> bool:
    if isinstance(value, dict):
        return bool(value) and all(_is_number(v) for v in value.values())
    if isinstance(value, tuple | np.ndarray):
        return len(value) > 0 and all(_is_number(v) for v in value)
    return isinstance(value, int | float | np.floating) and not isinstance(value, bool)


@pytest.mark.parametrize("stage", build.STAGES, ids=lambda stage: stage.module.__name__)
def test_every_number_of_a_stage_has_its_origin_told(stage: Stage) -> None:
    told = {gate.name for gate in stage.gates} | set(stage.beside)
    assert _numbers(stage.module) - told == set()


def test_every_module_that_reads_is_on_the_page() -> None:
    """A new module with numbers of its own must join a stage."""
    import importlib
    import pkgutil

    import cardreader.hb
    import cardreader.read

    on_page = {stage.module.__name__ for stage in build.STAGES}
    for room in (cardreader.read, cardreader.hb):
        for info in pkgutil.iter_modules(room.__path__, room.__name__ + "."):
            numbers = _numbers(importlib.import_module(info.name))
            assert info.name in on_page or not numbers, info.name


def test_a_name_that_is_not_there_or_told_twice_is_a_mistake() -> None:
    with pytest.raises(ValueError, match="has no NOWHERE"):
        Stage("", build, (chosen("NOWHERE", "1", "?"),))
    with pytest.raises(ValueError, match="twice"):
        Stage("", build, (chosen("STAGES", "1", "?"),), beside=("STAGES",))


def _with_numbers() -> set[str]:
    """Modules of the program that hold numbers by name."""
    found = set()
    for module in pkgutil.walk_packages(cardreader.__path__, "cardreader."):
        # Origins themselves, alembic's scripts, and what runs as it is imported.
        if re.search(r"gates|\.migrations\b|__main__$", module.name):
            continue
        if not module.name.startswith(SIMULATED) and _numbers(import_module(module.name)):
            found.add(module.name)
    return found


def test_no_module_with_numbers_is_passed_over() -> None:
    """Every one tells their origins, or is named here with why it need not."""
    staged = {stage.module.__name__ for stage in build.STAGES}
    beside = {f"cardreader.{name}" for names in DECIDE_NOTHING.values() for name in names}
    found = _with_numbers()
    assert found - staged - beside == set()
    assert beside <= found - staged, "named without need"
