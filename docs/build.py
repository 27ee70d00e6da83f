"""Makes the pages that are taken from the code: ``python docs/build.py``.

A test fails while a page is not what this makes of the code.
"""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import numpy as np

import apipage
import sitespage
from cardreader.batch.gates import GATES as BATCH
from cardreader.calibrate.benchgates import BENCH
from cardreader.calibrate.gates import GATES as CALIBRATE
from cardreader.calibrate.studycolumns import study_schema
from cardreader.card.gates import GATES as CARD
from cardreader.core.gates import Origin, Stage
from cardreader.decide.gates import GATES as DECIDE
from cardreader.hb.gates import GATES as HB
from cardreader.read.gates import GATES as READ
from cardreader.register.gates import GATES as REGISTER
from cardreader.web.gates import GATES as WEB

FOLDER = Path(__file__).parent
STAGES: tuple[Stage, ...] = (
    *CARD, *READ, *HB, *DECIDE, *CALIBRATE, *BENCH, *BATCH, *REGISTER, *WEB
)  # fmt: skip

GATES_HEAD = """\
# Gates and priors

The numbers that decide whether a photo is read and what comes out, and those that the batch,
the register and the pages go by, each with its unit and origin. Made by `python docs/build.py`
from the modules `gates` of each room; a test fails when a number is missing here or has another
value. Thresholds of anaemia are the protocol's own (`calibration/protocols/`), with their
sources beside them; a fitted calibration carries its own.

- **standard**: a standard or a definition gives it.
- **derived**: it follows from others.
- **measured**: set by what was seen on simulated photos or draws, or on photographs by others
  (tags and charts, never blood); the last column says what.
- **chosen**: somebody found it sensible; the last column says why, and where it tells a reading
  what half or double would do. What was measured since is told with its seed: 40201 is that of
  `python tests/benchmarks/gates.py`, simulated sittings that no limit was set on.

Nothing was measured on blood. Where it says that seeds were not
kept, nobody can tell whether the figures in [accuracy.md](accuracy.md) (seed 1) and
[hard.md](hard.md) (seed {hard_seed}) are of photos that the limit was set on: take those figures
for flattering by so much. Whoever sets a number anew keeps its seeds, on this page, apart from
those.
"""


def gates_page() -> str:
    """The text of gates.md."""
    count = {origin: 0 for origin in Origin}
    parts = []
    for stage in STAGES:
        if not stage.gates:
            continue
        rows = ["| constant | value | unit | origin | why |", "|---|---|---|---|---|"]
        for gate in stage.gates:
            count[gate.origin] += 1
            value = _shown(stage.value(gate))
            rows.append(f"| `{gate.name}` | {value} | {gate.unit} | {gate.origin} | {gate.why} |")
        module = stage.module.__name__.removeprefix("cardreader.")
        parts.append(f"## {stage.title} (`{module}`)\n\n" + "\n".join(rows) + "\n")
    told = ", ".join(f"{n} {origin}" for origin, n in count.items())
    return "\n".join(
        [
            GATES_HEAD.replace("{hard_seed}", _hard_seed()),
            f"In all {sum(count.values())}: {told}.\n",
            *parts,
        ]
    )


def _hard_seed() -> str:
    found = re.search(r"^Seed ([0-9]+), ", (FOLDER / "hard.md").read_text("utf-8"), re.MULTILINE)
    assert found is not None
    return found.group(1)


def _shown(value: Any) -> str:
    if isinstance(value, dict):
        return "; ".join(f"{name} {_shown(item)}" for name, item in value.items())
    if isinstance(value, tuple | list | np.ndarray):
        return ", ".join(_shown(item) for item in value)
    return f"{value:.6g}" if isinstance(value, float) else str(value)


def study_table() -> str:
    """The table schema of the study table, for tools of that standard."""
    return json.dumps(study_schema(), indent=1, ensure_ascii=False) + "\n"


PAGES = {
    "gates.md": gates_page,
    "reference.md": apipage.page,
    "sites.md": sitespage.page,
    "study-table.json": study_table,
}

if __name__ == "__main__":
    for name, page in PAGES.items():
        (FOLDER / name).write_text(page(), encoding="utf-8")
