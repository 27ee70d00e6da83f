"""Each version says by how much readings moved, and is named alike everywhere."""

from __future__ import annotations

import json
import re
import tomllib
from pathlib import Path

import pytest
import yaml
from shift import shift

from cardreader import __version__

ROOT = Path(__file__).parents[2]
CHANGES = (ROOT / "CHANGELOG.md").read_text(encoding="utf-8")
VERSIONS = re.findall(r"^## (\d+\.\d+\.\d+) \((\d{4}-\d\d-\d\d)\)$", CHANGES, re.MULTILINE)


def test_the_version_is_the_same_everywhere() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    cited = yaml.safe_load((ROOT / "CITATION.cff").read_text(encoding="utf-8"))
    newest, day = VERSIONS[0]
    assert project["version"] == cited["version"] == newest
    assert str(cited["date-released"]) == day
    assert cited["license"] == project["license"]
    assert __version__ == newest


def test_every_version_but_the_first_says_how_far_readings_moved() -> None:
    parts = re.split(r"^## .*$", CHANGES, flags=re.MULTILINE)[1:-1]
    assert len(parts) >= len(VERSIONS) - 1
    for part in parts:
        assert re.search(r"^Readings: ", part, re.MULTILINE), part[:60]


def _folder(path: Path, values: dict[str, float | None], photo: str = "") -> Path:
    path.mkdir()
    for name, hb in values.items():
        interval = {"low_g_dl": hb - 1, "high_g_dl": hb + 1} if hb else None
        reading = {
            "photo": {"sha256": photo or name},
            "hb": {"g_dl": hb, "interval": interval} if hb else None,
            "decision": {"outcome": "anaemic" if hb and hb < 11 else "not_anaemic"},
        }
        (path / f"{name}.reading.json").write_text(json.dumps(reading))
    return path


def test_a_shift_counts_photos_that_both_could_read(tmp_path: Path) -> None:
    old = _folder(tmp_path / "old", {"a": 9.0, "b": 10.8, "c": 12.0, "d": None, "gone": 8.0})
    new = _folder(tmp_path / "new", {"a": 9.1, "b": 11.4, "c": None, "d": 7.0, "here": 8.0})
    moved = shift(old, new)
    assert (moved.count, moved.largest_name) == (2, "b")
    assert moved.mean == pytest.approx(0.35)
    assert moved.largest == pytest.approx(0.6)
    assert moved.width == pytest.approx(0.0)
    assert (moved.outcomes, moved.lost, moved.gained) == (("b",), ("c",), ("d",))
    assert "largest +0.60 (b)" in str(moved)


def test_another_photo_of_the_same_name_is_no_shift(tmp_path: Path) -> None:
    old, new = _folder(tmp_path / "old", {"a": 9.0}), _folder(tmp_path / "new", {"a": 9.5}, "other")
    with pytest.raises(ValueError, match="share no photo"):
        shift(old, new)
