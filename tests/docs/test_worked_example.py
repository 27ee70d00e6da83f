"""The researcher's example runs as it stands and says what the samples are known to give."""

from __future__ import annotations

import re
import runpy
from pathlib import Path

ROOT = Path(__file__).parents[2]


def test_the_worked_example_runs(capsys) -> None:
    made = runpy.run_path(str(ROOT / "docs" / "worked_example.py"), run_name="__main__")
    out = capsys.readouterr().out
    expected = list((ROOT / "sample_images" / "good").glob("*.reading.json"))
    assert len(made["read"]) == len(expected)
    # The limits hold about as wide as docs/accuracy.md says such photos scatter.
    assert re.search(r"bias [+-]0\.[0-4]\d g/dL", out)
    assert made["agreement"].upper - made["agreement"].lower < 4.0
    assert made["covered"].count >= len(expected) - 4
    assert made["changed"]
