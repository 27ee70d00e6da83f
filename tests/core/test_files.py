"""Files and folders stopped while they are written: the old or the new, and nothing beside it."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from cardreader.core import files

STEPS = ("rename", "replace", "fsync", "chmod")


class _Stop:
    """Ctrl-C before, or right after, a step of so many that writing takes."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, at: int, *, after: bool) -> None:
        self._left, self._after, self.met = at, after, False
        for name in STEPS:
            monkeypatch.setattr(files.os, name, self._counted(getattr(os, name)))

    def _counted(self, step: Callable[..., Any]) -> Callable[..., Any]:
        def call(*given: Any, **more: Any) -> Any:
            self._left -= 1
            stops = self._left == 0
            self.met |= stops
            if stops and not self._after:
                raise KeyboardInterrupt
            done = step(*given, **more)
            if stops:
                raise KeyboardInterrupt
            return done

        return call


@pytest.mark.parametrize("after", [False, True])
@pytest.mark.parametrize("there", [False, True])
def test_a_folder_stopped_at_any_step_is_the_old_or_the_new(
    tmp_path: Path, there: bool, after: bool
) -> None:
    old, new = {"a": b"old", "b": b"old"}, {"a": b"new", "c": b"new"}
    at, met = 1, True
    while met:
        root = tmp_path / f"{at}"
        root.mkdir()
        folder = root / "kept"
        if there:
            files.write_folder(folder, old)
        with pytest.MonkeyPatch.context() as patch:
            stop = _Stop(patch, at, after=after)
            try:
                files.write_folder(folder, new)
            except KeyboardInterrupt:
                assert stop.met
        found = (
            {path.name: path.read_bytes() for path in folder.iterdir()} if folder.exists() else {}
        )
        assert found in ((old, new) if there else ({}, new)), f"step {at}"
        assert [path.name for path in root.iterdir()] == ["kept"] * folder.exists(), f"step {at}"
        met, at = stop.met, at + 1
    assert at > 5, "no step was met"
    shutil.rmtree(tmp_path)


@pytest.mark.parametrize("after", [False, True])
def test_a_file_stopped_at_any_step_is_the_old_or_the_new(tmp_path: Path, after: bool) -> None:
    path = tmp_path / "kept"
    at, met = 1, True
    while met:
        path.write_bytes(b"old")
        with pytest.MonkeyPatch.context() as patch:
            stop = _Stop(patch, at, after=after)
            try:
                files.write_atomic(path, b"new")
            except KeyboardInterrupt:
                assert stop.met
        assert path.read_bytes() in (b"old", b"new")
        assert [found.name for found in tmp_path.iterdir()] == ["kept"], f"step {at}"
        met, at = stop.met, at + 1
    assert at > 3, "no step was met"
