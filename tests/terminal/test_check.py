"""``cardreader check`` and ``cardreader completion``, run as a person runs them."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from dataclasses import replace
from importlib import metadata
from pathlib import Path
from types import SimpleNamespace

import pytest
from lots import made_up_lot

from cardreader import cli
from cardreader.card.cgats import write_lot
from cardreader.card.lots import Lots
from cardreader.commands import check
from cardreader.core.shipped import shipped
from cardreader.hb.calibration import Calibration
from cardreader.hb.lotcolours import LotColours
from cardreader.terminal import clock
from cardreader.terminal.exitcodes import ExitCode

ROOT = Path(__file__).parents[2]


def _found(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, dict[str, dict]]:
    code = cli.main(["check", "--json", *words])
    return code, {row["what"]: row for row in json.loads(capsys.readouterr().out)}


def test_a_fit_machine(tmp_path: Path, capsys) -> None:
    code, found = _found(capsys, "--data", str(tmp_path / "register"))
    assert code == 0
    assert not any(row["state"] == "wrong" for row in found.values())
    assert found["decoder jpg"]["state"] == "fine"
    assert "no clinical accuracy" in found["calibration"]["words"]
    assert str(tmp_path) in found["data folder"]["words"]
    assert not (tmp_path / "register").exists(), "looking makes nothing"
    assert cli.main(["check", "--data", str(tmp_path)]) == 0
    assert "fine   Python" in capsys.readouterr().out


def test_what_makes_it_unfit(tmp_path: Path, capsys, monkeypatch) -> None:
    lots = tmp_path / "lots"
    lots.mkdir()
    (lots / "1.txt").write_text(write_lot(made_up_lot()).replace('EXPIRES "20', 'EXPIRES "19'))
    (tmp_path / "file").write_text("no folder")
    code, found = _found(capsys, "--lots", str(lots), "--data", str(tmp_path / "file" / "x"))
    assert code == ExitCode.UNFIT
    assert found["data folder"]["state"] == "wrong"
    assert "lots and calibration" in found or found["card lots"]["state"] == "wrong"


def test_a_clock_that_lies_before_the_calibration(tmp_path: Path, capsys, monkeypatch) -> None:
    class Stopped(clock.datetime):
        @classmethod
        def now(cls, zone=None):
            return cls(2001, 1, 1, tzinfo=zone)

    monkeypatch.setattr(clock, "datetime", Stopped)
    code, found = _found(capsys, "--data", str(tmp_path))
    assert code == ExitCode.UNFIT
    assert "lies before the calibration" in found["clock"]["words"]


def test_a_calibration_that_is_missing_is_no_fault_of_the_clock(tmp_path: Path, capsys) -> None:
    missing = str(tmp_path / "none")
    code, found = _found(capsys, "--data", str(tmp_path), "--calibration", missing)
    assert code == ExitCode.UNFIT
    assert missing in found["lots and calibration"]["words"]
    assert found["clock"]["state"] == "fine"


def test_a_calibration_for_none_of_the_lots_is_told(tmp_path: Path, capsys) -> None:
    (tmp_path / "1.txt").write_text(write_lot(made_up_lot()))
    _, found = _found(capsys, "--data", str(tmp_path), "--lots", str(tmp_path))
    assert found["calibration"]["state"] == "look"
    assert "none of them is known" in found["calibration"]["words"]
    _, found = _found(capsys, "--data", str(tmp_path))
    assert "none of them is known" not in found["calibration"]["words"]


def test_old_and_missing_libraries(tmp_path: Path, capsys, monkeypatch) -> None:
    wanted = ["numpy>=999", "nowhere-at-all>=1", "absent>=2; extra == 'web'", "pillow>=1"]
    monkeypatch.setattr(metadata, "requires", lambda name: wanted)
    code, found = _found(capsys, "--data", str(tmp_path))
    assert code == ExitCode.UNFIT
    assert "missing: nowhere-at-all; too old: numpy" in found["libraries"]["words"]
    assert found["extra web"]["state"] == "look"
    assert "'.[web]'" in found["extra web"]["words"]


def test_little_room_is_told(tmp_path: Path, capsys, monkeypatch) -> None:
    monkeypatch.setattr(check.shutil, "disk_usage", lambda path: SimpleNamespace(free=10**8))
    code, found = _found(capsys, "--data", str(tmp_path))
    assert (code, found["data folder"]["state"]) == (0, "look")
    assert "0.1 GB free" in found["data folder"]["words"]


def _completed(line: str, tmp_path: Path) -> list[str]:
    """What bash would offer at the end of a line, as its own completion machinery finds it."""
    (tmp_path / "photos").mkdir(exist_ok=True)
    (tmp_path / "photo.jpg").touch()
    script = f"""
    eval "$({sys.executable} -m cardreader completion bash)"
    cd {tmp_path}
    COMP_WORDS=({line}); [[ "{line}" == *" " ]] && COMP_WORDS+=("")
    COMP_CWORD=$(( ${{#COMP_WORDS[@]}} - 1 )); COMP_LINE="{line}"; COMP_POINT=${{#COMP_LINE}}
    $(complete -p cardreader | sed 's/.*-F \\([^ ]*\\).*/\\1/')
    printf '%s\\n' "${{COMPREPLY[@]}}"
    """
    done = subprocess.run(["bash", "-c", script], capture_output=True, text=True, cwd=ROOT)
    assert done.returncode == 0, done.stderr
    return done.stdout.split()


LINES = pytest.mark.parametrize(
    ("line", "offered"),
    [
        ("cardreader re", {"read", "registers", "restore"}),
        ("cardreader read --sm", {"--smoking"}),
        ("cardreader read --smoking ", {"none", "some", "under-10", "10-19", "20-or-more"}),
        ("cardreader study va", {"validate"}),
        ("cardreader read pho", {"photos", "photo.jpg"}),
    ],
)


@LINES
def test_bash_completes(line: str, offered: set[str], tmp_path: Path) -> None:
    assert {word.rstrip("/") for word in _completed(line, tmp_path)} == offered


@pytest.mark.skipif(shutil.which("fish") is None, reason="fish is not installed")
@LINES
def test_fish_completes(line: str, offered: set[str], tmp_path: Path, capsys) -> None:
    assert cli.main(["completion", "fish"]) == 0
    (tmp_path / "script.fish").write_text(capsys.readouterr().out)
    (folder := tmp_path / "there" / "photos").mkdir(parents=True)
    (folder.parent / "photo.jpg").touch()
    words = f"source {tmp_path}/script.fish; complete -C '{line}'"
    done = subprocess.run(
        ["fish", "--no-config", "-c", words], capture_output=True, text=True, cwd=folder.parent
    )
    assert done.returncode == 0, done.stderr
    said = {one.split("\t")[0].rstrip("/") for one in done.stdout.splitlines()}
    assert said == offered


@pytest.mark.parametrize("shell", ["zsh", "fish"])
def test_other_shells_get_a_script(shell: str, capsys) -> None:
    assert cli.main(["completion", shell]) == 0
    script = capsys.readouterr().out
    assert "calibrate-default" in script
    assert "--gestation-weeks" in script
    assert "read many photos into one table" in script  # whole, and no half of a paragraph
    assert "as blots of" not in script


@pytest.mark.skipif(not Path("/proc/self").is_dir(), reason="no folder that takes no file")
def test_a_folder_that_takes_no_file_whatever_its_rights_say(capsys) -> None:
    code, found = _found(capsys, "--data", "/proc/x")
    assert code == ExitCode.UNFIT
    assert found["data folder"]["words"] == "/proc can't be written to"


def test_a_lot_of_other_colours_than_the_calibration_learnt_makes_it_unfit(
    tmp_path: Path, capsys
) -> None:
    lot = Lots.load(shipped("lots"))[27_001]
    lab = lot.lab + 4.0 * (lot.lab[:, :1] < 50)
    then = LotColours.of(replace(lot, lab=lab))
    path = tmp_path / "own.json"
    path.write_text(replace(Calibration.load(shipped("worlds")), lot_colours=(then,)).to_json())
    code, found = _found(capsys, "--data", str(tmp_path), "--calibration", str(path))
    assert code == ExitCode.UNFIT
    assert found["card lot 027001"]["state"] == "wrong"
    assert "put the old file back" in found["card lot 027001"]["words"]
