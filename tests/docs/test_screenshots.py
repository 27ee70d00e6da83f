"""Every screenshot of the docs is made by a test of the pages, and none lies about unused."""

from __future__ import annotations

import re
from pathlib import Path

ROOT = Path(__file__).parents[2]


def test_each_is_shown_and_made():
    texts = [path.read_text(encoding="utf-8") for path in (ROOT / "docs").glob("*.md")]
    shown = {name for text in texts for name in re.findall(r"screenshots/([\w-]+)\.png", text)}
    there = {path.stem for path in (ROOT / "docs" / "screenshots").glob("*.png")}
    tests = "".join(p.read_text(encoding="utf-8") for p in (ROOT / "tests/web").glob("test_*.py"))
    made = set(re.findall(r'shot\(\w+, "([\w-]+)"\)', tests)) | {"french-summary"}
    assert there == shown
    assert shown <= made
