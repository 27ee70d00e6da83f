"""Ctrl-C at any step of backup and restore: the register is the old or the new, and it is said."""

from __future__ import annotations

import base64
import os
import shutil
import signal
import sqlite3
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from inprocess import run_cardreader

from cardreader.core import files
from cardreader.register import backup

SECRETS = {
    "CARDREADER_NEW_PASSWORD": "an invented password",
    "CARDREADER_BACKUP_PASSPHRASE": "an invented passphrase",
}
KEYS = {name: base64.urlsafe_b64encode(name.encode().ljust(32)) for name in ("one", "two")}
STEPS = ((os, "replace"), (os, "fsync"), (os, "chmod"), (backup, "fill"), (backup, "_settle"))


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A register with a user, another with two, and the backup of that."""
    root = tmp_path_factory.mktemp("stopped")
    for data, names in (("one", ["amina"]), ("two", ["amina", "binta"])):
        for name in names:
            new = ["--new-register"] * (name == "amina")
            done = run_cardreader("user", "add", name, *new, "--data", root / data, **SECRETS)
            assert done.returncode == 0, done.stderr
        (root / data / "photo.key").write_bytes(KEYS[data])
    done = run_cardreader("backup", root / "two.backup", "--data", root / "two", **SECRETS)
    assert done.returncode == 0, done.stderr
    return root


class _Interrupted:
    """A signal as a terminal sends it at one of the steps; ``met`` says whether it came to it."""

    def __init__(self, patch: pytest.MonkeyPatch, at: int) -> None:
        self._left, self.met = at, False
        for place, name in STEPS:
            patch.setattr(place, name, self._counted(getattr(place, name)))

    def _counted(self, step: Callable[..., Any]) -> Callable[..., Any]:
        def call(*given: Any, **more: Any) -> Any:
            self._left -= 1
            if self._left == 0:
                self.met = True
                os.kill(os.getpid(), signal.SIGINT)
            return step(*given, **more)

        return call


def _at_every_step(run: Callable[[int], bool]) -> int:
    at = 1
    while run(at):
        at += 1
    return at - 1


@pytest.mark.slow
def test_a_stopped_restore_leaves_the_register_that_was_or_the_new_one(
    made: Path, tmp_path: Path
) -> None:
    codes = set()

    def stopped(at: int) -> bool:
        data = Path(shutil.copytree(made / "one", tmp_path / f"{at}"))
        with pytest.MonkeyPatch.context() as patch:
            interrupted = _Interrupted(patch, at)
            done = run_cardreader(
                "restore", made / "two.backup", "--replace", "--data", data, **SECRETS
            )
        codes.add(done.returncode)
        if done.returncode == 130:
            assert "stopped: the register is as it was" in done.stderr
        users, key = _users(data), (data / "photo.key").read_bytes()
        if done.returncode == 130:
            assert (users, key) == (1, KEYS["one"]), f"step {at}"
        else:
            assert (done.returncode, users, key) == (0, 2, KEYS["two"]), f"step {at}"
        assert not [path.name for path in data.iterdir() if "restored" in path.name]
        return interrupted.met

    assert _at_every_step(stopped) > 5
    assert codes == {0, 130}


def test_a_stopped_backup_leaves_no_file(made: Path, tmp_path: Path) -> None:
    def stopped(at: int) -> bool:
        file = tmp_path / f"{at}.backup"
        with pytest.MonkeyPatch.context() as patch:
            interrupted = _Interrupted(patch, at)
            done = run_cardreader("backup", file, "--data", made / "two", **SECRETS)
        if done.returncode == 130:
            assert "stopped: every file that was written is whole" in done.stderr
        assert file.exists() or done.returncode == 130
        left = [path.name for path in tmp_path.iterdir() if path.suffix != ".backup"]
        assert left == [], f"step {at}"
        return interrupted.met

    assert _at_every_step(stopped) > 2


def _users(data: Path) -> int:
    db = sqlite3.connect(data / "register.db")
    try:
        return int(db.execute("SELECT count(*) FROM account").fetchone()[0])
    finally:
        db.close()


def test_steps_that_belong_together_are_not_parted() -> None:
    with files.too_late_to_stop():
        os.kill(os.getpid(), signal.SIGINT)
    with pytest.raises(KeyboardInterrupt):
        os.kill(os.getpid(), signal.SIGINT)
