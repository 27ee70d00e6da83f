"""The command: words and JSON out, one line for every error, codes as documented."""

from __future__ import annotations

import argparse
import builtins
import hashlib
import json
import os
import re
import shlex
import shutil
import subprocess
import sys
from contextlib import redirect_stderr
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import fakes
import jsonschema
import numpy as np
import pytest
from lots import made_up_lot
from PIL import Image

from cardreader import cli, reader
from cardreader import pipeline as pipeline_module
from cardreader.card.cgats import read_lot, write_lot
from cardreader.card.lots import Lots
from cardreader.commands.read import SMOKING
from cardreader.core.refusal import ADVICE, Reason
from cardreader.core.shipped import shipped
from cardreader.decide.subject import Smoking, Subject
from cardreader.result.asjson import reading_schema
from cardreader.result.astext import reading_text
from cardreader.terminal.exitcodes import MEANING, ExitCode
from cardreader.terminal.frame import INTERRUPTED, TRACEBACK_VARIABLE
from cardreader.terminal.output import counted

ROOT = Path(__file__).parents[2]
DOCS = (ROOT / "docs" / "cli.md").read_text(encoding="utf-8")


@dataclass
class Calls:
    """What the stand-in for the pipeline was asked."""

    reader: Any = None
    subject: Subject | None = None


@dataclass
class _UnreadCalibration:
    """Stands for a calibration that is only named."""

    path: Path | None

    def must_be_of_this_chain(self) -> None:
        """Nothing was read, so nothing can be amiss."""


@pytest.fixture
def pipeline(monkeypatch: pytest.MonkeyPatch) -> Calls:
    """A pipeline that finds in a file's bytes what it is to answer: b"9.0" or b"refuse"."""
    calls = Calls()

    def read_photo(data: bytes, asked: Any, subject: Subject) -> SimpleNamespace:
        calls.reader, calls.subject = asked, subject
        text = data.decode()
        reason = {"refuse": Reason.NO_CARD, "pale": Reason.OUT_OF_RANGE}.get(text)
        out = fakes.reading(float(text)) if reason is None else fakes.refused(reason, True)
        out.sha256 = f"{abs(hash(text)):064x}"[-64:]
        out.subject = subject
        return out

    monkeypatch.setattr(pipeline_module, "read_photo", read_photo)
    monkeypatch.setattr(reader, "calibration_at", _UnreadCalibration)
    monkeypatch.setattr(reader, "load_lots", lambda folder: folder)
    monkeypatch.setattr(
        pipeline_module,
        "combine",
        lambda estimates, _: fakes.Normal(float(np.mean([e.hb_g_dl for e in estimates])), 0.4),
    )
    return calls


@pytest.fixture
def photo(tmp_path: Path) -> Any:
    def make(*contents: str) -> list[str]:
        names = []
        for i, content in enumerate(contents):
            path = tmp_path / f"photo-{i}.jpg"
            path.write_bytes(content.encode())
            names.append(str(path))
        return names

    return make


def _error(capsys: pytest.CaptureFixture[str]) -> str:
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith("cardreader: ")
    assert err.count("\n") == 1
    return err


# --- reading ----------------------------------------------------------------------


def test_read_prints_words(pipeline: Calls, photo: Any, capsys) -> None:
    assert cli.main(["read", *photo("9.0")]) == 0
    assert capsys.readouterr().out == reading_text(fakes.reading(9.0))


def test_read_prints_json(pipeline: Calls, photo: Any, capsys) -> None:
    assert cli.main(["read", "--json", *photo("9.0")]) == 0
    value = json.loads(capsys.readouterr().out)
    jsonschema.validate(value, reading_schema(), cls=jsonschema.Draft202012Validator)
    assert value["hb"]["g_dl"] == 9.0


def test_options_reach_the_pipeline(pipeline: Calls, photo: Any, tmp_path: Path) -> None:
    options = "--gestation-weeks 22 --elevation-m 1500 --smoking 10-19 --protocol who-2024"
    more = "--today 2026-03-31 --lots some-lots --calibration some-file"
    assert cli.main(["read", *photo("9.0"), *options.split(), *more.split()]) == 0
    assert pipeline.subject == Subject(
        gestation_weeks=22, elevation_m=1500.0, smoking=Smoking.FROM_10_TO_19
    )
    assert pipeline.reader.protocol.id == "who-2024"
    assert pipeline.reader.today.isoformat() == "2026-03-31"
    assert pipeline.reader.lots == Path("some-lots")
    assert pipeline.reader.calibration.path == Path("some-file")


def test_smoking_choices_are_those_of_the_subject() -> None:
    assert tuple(SMOKING) == tuple(Smoking)


def test_refused_photo_is_an_answer_with_its_own_code(pipeline, photo, capsys) -> None:
    assert cli.main(["read", *photo("refuse")]) == ExitCode.REFUSED
    out, err = capsys.readouterr()
    assert out.startswith("Not read. This does not mean that she is well.")
    assert err == ""


def test_several_photos_are_taken_together(pipeline, photo, capsys) -> None:
    assert cli.main(["read", *photo("8.0", "9.0")]) == 0
    out = capsys.readouterr().out
    assert out.startswith("Photo 1: 8.0 g/dL\nPhoto 2: 9.0 g/dL\n")
    assert "Haemoglobin about 8.5 g/dL" in out
    assert "From 2 of 2 photos" in out
    assert "no clinical accuracy is claimed" in " ".join(out.split())


def test_several_photos_give_the_worst_code(pipeline, photo, capsys) -> None:
    assert cli.main(["read", *photo("8.0", "refuse", "9.0")]) == ExitCode.REFUSED
    out = capsys.readouterr().out
    assert "Photo 2: not read (no card)" in out
    assert "From 2 of 3 photos" in out


def test_several_refused_photos_still_say_what_to_do(pipeline, photo, capsys) -> None:
    assert cli.main(["read", *photo("refuse", "refuse")]) == ExitCode.REFUSED
    out = " ".join(capsys.readouterr().out.split())
    assert "Not read. This does not mean that she is well." in out
    assert "Send her for a blood test." in out
    assert "Screening only." in out


def test_blots_that_disagree_are_told(pipeline, photo, capsys, monkeypatch) -> None:
    assert cli.main(["read", *photo("8.0", "9.0")]) == 0
    assert "The blots disagree" not in capsys.readouterr().out
    wide = fakes.Normal(9.0, 2.5, blots_disagree=True)
    monkeypatch.setattr(pipeline_module, "combine", lambda *_: wide)
    assert cli.main(["read", *photo("6.0", "12.0")]) == 0
    out = capsys.readouterr().out
    assert "The blots disagree. Make new blots and read again." in out
    assert "Severe anaemia is possible." in out


def test_a_pale_blot_takes_away_the_all_clear(pipeline, photo, capsys) -> None:
    assert cli.main(["read", *photo("13.5", "13.4")]) == 0
    assert "Anaemia is unlikely." in capsys.readouterr().out
    assert cli.main(["read", *photo("13.5", "pale")]) == ExitCode.REFUSED
    out = capsys.readouterr().out
    assert "unlikely" not in out
    assert "Is her blood pale and thin? Refer her now." in out


def test_same_file_twice_counts_once(pipeline, photo, capsys) -> None:
    (name,) = photo("9.0")
    assert cli.main(["read", "--json", name, name]) == 0
    value = json.loads(capsys.readouterr().out)
    assert value["combined"]["n_blots"] == 1
    assert len(value["readings"]) == 1


def test_json_of_several(pipeline, photo, capsys) -> None:
    assert cli.main(["read", "--json", *photo("8.0", "9.0", "refuse")]) == ExitCode.REFUSED
    value = json.loads(capsys.readouterr().out)
    assert value["schema"] == "cardreader-readings/1"
    assert value["screening_only"] is True
    assert value["combined"]["hb"]["g_dl"] == 8.5
    assert [r["status"] for r in value["readings"]] == ["read", "read", "refused"]
    for reading in value["readings"]:
        jsonschema.validate(reading, reading_schema(), cls=jsonschema.Draft202012Validator)


def test_no_picture_is_written_over_a_photo(pipeline, photo, tmp_path: Path, capsys) -> None:
    one, two = photo("9.0", "8.0")
    content = Path(one).read_bytes()
    numbered = tmp_path / "blot-2.jpg"
    numbered.write_bytes(content)
    (tmp_path / "link.jpg").symlink_to(one)
    for words in (
        [one, "--annotate", one],
        [one, "--annotate", str(tmp_path / "link.jpg")],
        [two, str(numbered), "--annotate", str(tmp_path / "blot.jpg")],
    ):
        assert cli.main(["read", *words]) == ExitCode.USAGE
        assert "is one of the photos" in capsys.readouterr().err
    assert Path(one).read_bytes() == numbered.read_bytes() == content


def test_annotate(pipeline, photo, tmp_path: Path) -> None:
    out = tmp_path / "out.png"
    assert cli.main(["read", *photo("9.0"), "--annotate", str(out)]) == 0
    assert out.read_bytes().startswith(b"\x89PNG")
    assert cli.main(["read", *photo("9.0", "8.0"), "--annotate", str(tmp_path / "two.jpg")]) == 0
    assert (tmp_path / "two-1.jpg").read_bytes().startswith(b"\xff\xd8")
    assert (tmp_path / "two-2.jpg").exists()


# --- what goes wrong --------------------------------------------------------------


@pytest.mark.parametrize(
    ("arguments", "fault"),
    [
        ([], "required: COMMAND"),
        (["fly"], "invalid choice"),
        (["read"], "required: PHOTO"),
        (["registers"], "required: list|card|add|forget|renew (see cardreader registers --help)"),
        (["user"], "required: add|password, NAME (see cardreader user --help)"),
        (["read", "x", "--trimester", "4"], "--trimester"),
        (["read", "x", "--trimester", "3", "--gestation-weeks", "8"], "8 weeks is trimester 1"),
        (["read", "x", "--gestation-weeks", "80"], "80 weeks is outside"),
        (["read", "x", "--elevation-m", "9000"], "9000 m is outside"),
        (["read", "x", "--elevation-m", "nan"], "outside"),
        (["read", "x", "--smoking", "pipe"], "--smoking"),
        (["read", "x", "--annotate", "y.gif"], "must end in .jpg"),
        (["read", "x", "--today", "31.3.2026"], "write it as 2026-03-31"),
        (["read", "x", "--gestation-weeks", "8,5"], "'8,5' is not a whole number, such as 22"),
        (["read", "x", "--elevation-m", "1,5"], "'1,5' is not a number, such as 1200.5"),
        (["read", "x", "--jsn"], "unrecognized arguments: --jsn (see cardreader read --help)"),
        (["study", "plan", "--json-lines"], "--json-lines (see cardreader study plan --help)"),
        (["card", "--lot", "1", "--out", "card.docx"], "ends in .pdf or .svg"),
        (["simulate", "--out", "d", "--hb", "30"], "not a number from 3 to 18"),
        (["simulate", "--out", "d", "--count", "0"], "whole number, 1 to 10000"),
        (["simulate", "--out", "d", "--seed", "-1"], "not a whole number"),
        (["calibrate-default", "--out", "d", "--sittings", "5"], "whole number, 300 to"),
        (["calibrate-default", "--out", "d", "--workers", "0"], "whole number, 1 to 1024"),
    ],
)
def test_misuse(arguments: list[str], fault: str, capsys) -> None:
    assert cli.main(arguments) == ExitCode.USAGE
    assert fault in _error(capsys)


def test_a_pipe_to_which_nobody_writes(tmp_path: Path, capsys, monkeypatch) -> None:
    monkeypatch.setattr("cardreader.core.piped.PATIENCE_S", 0.05)
    os.mkfifo(pipe := tmp_path / "photo.jpg")
    assert cli.main(["read", str(pipe)]) == ExitCode.NO_FILE
    assert f"{pipe}: it is a pipe, and nothing came from it" in _error(capsys)


def test_missing_photo(tmp_path: Path, capsys) -> None:
    missing = tmp_path / "missing.jpg"
    assert cli.main(["read", str(missing)]) == ExitCode.NO_FILE
    assert _error(capsys) == f"cardreader: {missing}: No such file or directory\n"
    assert cli.main(["read", str(tmp_path)]) == ExitCode.NO_FILE
    assert f"cardreader batch {tmp_path}" in _error(capsys)
    assert cli.main(["read", "a\0b"]) == ExitCode.NO_FILE
    assert "null" in _error(capsys)


def test_bad_protocol(pipeline, photo, tmp_path: Path, capsys) -> None:
    own = tmp_path / "own.toml"
    own.write_text("schema = 1\n", encoding="utf-8")
    assert cli.main(["read", *photo("9.0"), "--protocol", str(own)]) == ExitCode.BAD_DATA
    assert "own.toml: id is missing" in _error(capsys)
    assert cli.main(["read", *photo("9.0"), "--protocol", "nowhere"]) == ExitCode.BAD_DATA
    assert "no protocol 'nowhere'" in _error(capsys)


def test_bad_lots_and_calibration(photo, tmp_path: Path, capsys) -> None:
    (tmp_path / "lots").mkdir()
    (tmp_path / "lots" / "1.txt").write_text("no lot", encoding="utf-8")
    (tmp_path / "bad.json").write_text("{}", encoding="utf-8")
    (tmp_path / "worse.json").write_bytes(b"\xff")
    for option, name, fault in (
        ("--lots", "nowhere", "nowhere"),
        ("--lots", "lots", "1.txt"),
        ("--calibration", "bad.json", "bad.json"),
        ("--calibration", "worse.json", "worse.json"),
    ):
        asked = ["read", *photo("9.0"), option, str(tmp_path / name)]
        assert cli.main(asked) == ExitCode.BAD_DATA
        assert fault in _error(capsys)


def test_result_that_cannot_be_written(pipeline, photo, tmp_path: Path, capsys) -> None:
    out = tmp_path / "no-such-folder" / "out.png"
    assert cli.main(["read", *photo("9.0"), "--annotate", str(out)]) == ExitCode.NOT_WRITTEN
    _, err = capsys.readouterr()
    assert err == f"cardreader: {out}: No such file or directory\n"


def test_a_defect_is_one_line_and_never_a_traceback(pipeline, photo, capsys, monkeypatch) -> None:
    assert cli.main(["read", *photo("not a number")]) == ExitCode.DEFECT
    assert "defect: ValueError" in _error(capsys)
    monkeypatch.setenv(TRACEBACK_VARIABLE, "1")
    with pytest.raises(ValueError, match="not a number"):
        cli.main(["read", *photo("not a number")])


def test_a_command_without_its_extra_says_what_to_install(
    pipeline, photo, capsys, monkeypatch
) -> None:
    def lacking(*_: object) -> None:
        raise ModuleNotFoundError("No module named 'fastapi'", name="fastapi")

    monkeypatch.setattr(pipeline_module, "read_photo", lacking)
    assert cli.main(["read", *photo("any")]) == ExitCode.USAGE
    assert "fastapi is missing" in _error(capsys)


@pytest.mark.parametrize(
    ("words", "lacks", "extra"),
    [
        (["simulate", "--out", "demo"], "colour", "simulate"),
        (["study", "plan"], "scipy", "study"),
        (["audit"], "sqlalchemy", "web"),
        (["meet"], "sqlalchemy", "web"),
        (["calibrate-default", "--out", "new"], "scipy", "study"),
        (["calibrate-prior", "--out", "new"], "scipy", "study"),
        (["batch", "photos", "--out", "table"], "threadpoolctl", "batch"),
        (["batch", "photos", "--out", "table"], "jinja2", "batch"),  # for the summary, at the end
    ],
)
def test_a_lean_install_names_the_extra_that_a_command_needs(tmp_path, words, lacks, extra) -> None:
    """As where nothing but the plain install's libraries is there."""
    code = f"import sys; sys.modules[{lacks!r}] = None; from cardreader.cli import main; "
    code += f"sys.exit(main({words!r}))"
    (tmp_path / "photos").mkdir()
    shutil.copy(next((ROOT / "sample_images" / "good").glob("*.jpg")), tmp_path / "photos")
    environment = {**os.environ, "PYTHONPATH": str(ROOT), "HOME": str(tmp_path)}
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, cwd=tmp_path, env=environment
    )
    assert done.returncode == ExitCode.USAGE
    assert len(done.stderr.splitlines()) == 1
    assert done.stderr.startswith(f"cardreader: {lacks}")
    assert f"is missing: pip install '.[{extra}]' in the checkout" in done.stderr


def test_a_heif_photo_that_nothing_here_opens_is_told_as_that(
    tmp_path: Path, capsys, monkeypatch
) -> None:
    """ "Take the photo again" gives another of the same kind."""
    monkeypatch.setitem(sys.modules, "pillow_heif", None)
    photo = tmp_path / "photo.heic"
    photo.write_bytes(b"\0\0\0\x18ftypheic\0\0\0\0mif1heic" + bytes(100))
    assert cli.main(["read", str(photo)]) == ExitCode.REFUSED
    said = capsys.readouterr().err
    assert said.startswith(f"cardreader: {photo} is a HEIC or HEIF photo: pip install '.[heif]'")
    assert said.count("\n") == 1


# --- cards and synthetic photos ----------------------------------------------------


@pytest.fixture
def lots_folder(tmp_path: Path) -> Path:
    folder = tmp_path / "lots"
    folder.mkdir()
    lot = made_up_lot()
    (folder / f"{lot.lot_id}.txt").write_text(write_lot(lot), encoding="utf-8")
    return folder


@pytest.mark.parametrize(("name", "start"), [("c.pdf", b"%PDF-"), ("c.svg", b"<")])
def test_card(tmp_path: Path, lots_folder: Path, name: str, start: bytes, capsys) -> None:
    out = tmp_path / name
    arguments = ["card", "--lot", "77", "--out", str(out), "--lots", str(lots_folder)]
    assert cli.main([*arguments, "--page", "letter", "--copies", "2"]) == 0
    assert out.read_bytes().startswith(start)
    assert "lot 000077" in capsys.readouterr().out


def test_the_first_lot_file_makes_its_folder(tmp_path: Path, lots_folder: Path) -> None:
    """As the way from a card to a site begins: there is no folder of own lots yet."""
    file = tmp_path / "my-lots" / "000078.txt"
    arguments = ["card", "--lot", "78", "--out", str(tmp_path / "c.svg")]
    assert cli.main([*arguments, "--lots", str(lots_folder), "--lot-file", str(file)]) == 0
    assert 'BASIS "nominal"' in file.read_text(encoding="utf-8")


def test_card_writes_a_lot_file_that_can_be_read(tmp_path: Path, lots_folder: Path) -> None:
    lot_file = tmp_path / "new.txt"
    arguments = ["card", "--lot", "77", "--out", str(tmp_path / "c.pdf")]
    assert cli.main([*arguments, "--lots", str(lots_folder), "--lot-file", str(lot_file)]) == 0
    lot = read_lot(lot_file.read_text(encoding="utf-8"))
    assert (lot.number, lot.basis) == (77, "nominal")


def test_no_advice_promises_that_anything_is_kept() -> None:
    """It is printed by ``read`` and given by the API too, which keep nothing."""
    assert not [reason for reason, words in ADVICE.items() if "kept" in words]


def test_a_measured_lot_file_is_not_written_over(tmp_path: Path, lots_folder: Path, capsys) -> None:
    asked, sheet = tmp_path / "asked.txt", str(tmp_path / "card.pdf")
    words = ["card", "--lot", "77", "--out", sheet, "--lots", str(lots_folder)]
    assert cli.main([*words, "--lot-file", str(asked)]) == ExitCode.OK
    assert cli.main([*words, "--lot-file", str(asked)]) == ExitCode.OK  # asked for again: no loss
    measured = asked.read_text().replace('"nominal"', '"measured"')
    asked.write_text(measured)
    capsys.readouterr()
    assert cli.main([*words, "--lot-file", str(asked)]) == ExitCode.NOT_WRITTEN
    assert "measured lot would be lost" in capsys.readouterr().err
    assert asked.read_text() == measured


def test_a_new_lot_is_used_for_a_year_or_until_the_day_named(
    tmp_path: Path, lots_folder: Path, capsys
) -> None:
    """Not until the design's last day, which is years ahead: prints fade sooner."""
    file = tmp_path / "asked.txt"
    words = ["card", "--lot", "79", "--out", str(tmp_path / "c.svg"), "--lots", str(lots_folder)]
    words += ["--lot-file", str(file)]
    before = date.today()
    assert cli.main(words) == ExitCode.OK
    left = (read_lot(file.read_text()).expires - before).days
    assert left in (365, 366)
    named = (before + timedelta(days=90)).isoformat()
    assert cli.main([*words, "--expires", named]) == ExitCode.OK
    assert read_lot(file.read_text()).expires.isoformat() == named
    assert f"use by {named}" in (tmp_path / "c.svg").read_text()
    assert f"use by {named}" in capsys.readouterr().out
    past = (before - timedelta(days=1)).isoformat()
    assert cli.main([*words, "--expires", past]) == ExitCode.USAGE
    assert "is past" in _error(capsys)


def test_card_faults(tmp_path: Path, lots_folder: Path, capsys) -> None:
    base = ["card", "--out", str(tmp_path / "c.pdf"), "--lots", str(lots_folder)]
    assert cli.main([*base, "--lot", "99999999"]) == ExitCode.USAGE
    assert "99999999" in _error(capsys)
    assert cli.main([*base, "--lot", "1", "--copies", "99"]) == ExitCode.USAGE
    assert "99 cards" in _error(capsys)
    (lots_folder / "empty").mkdir()
    empty = ["card", "--out", str(tmp_path / "c.pdf"), "--lots", str(lots_folder / "empty")]
    assert cli.main([*empty, "--lot", "10000001"]) == ExitCode.USAGE
    assert "10000001" in _error(capsys)


def test_the_first_lot_of_an_empty_folder_has_the_colours_of_the_design(tmp_path: Path) -> None:
    mine, file = tmp_path / "my-lots", tmp_path / "my-lots" / "000012.txt"
    mine.mkdir()
    words = ["card", "--out", str(tmp_path / "c.pdf"), "--lots", str(mine), "--lot", "12"]
    assert cli.main([*words, "--lot-file", str(file)]) == ExitCode.OK
    design = Lots.load(shipped("lots"))[1]
    assert read_lot(file.read_text()).lab == pytest.approx(design.lab, abs=1e-4)


# --- the real pipeline -------------------------------------------------------------


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder that the command filled with two rendered photos."""
    folder = tmp_path_factory.mktemp("demo")
    words = ["simulate", "--out", str(folder), "--hb", "5", "14", "--seed", "4", "--json-lines"]
    with (folder / "told.jsonl").open("w") as told, redirect_stderr(told):
        assert cli.main(words) == 0
    return folder


def test_progress_is_told_to_programs_a_json_object_a_line(demo: Path) -> None:
    told = [json.loads(line) for line in (demo / "told.jsonl").read_text().splitlines()]
    # Rendering a photo takes longer than the half second between two lines.
    assert {line["event"] for line in told} >= {"progress"}
    for line in told:
        assert (line["stage"], line["unit"], line["total"]) == ("rendering", "photo", 2)
        assert 0 < line["done"] <= 2
        assert line["elapsed_s"] >= 0
    assert [line["done"] for line in told] == sorted(line["done"] for line in told)


@pytest.fixture(scope="module")
def truth(demo: Path) -> list[dict[str, Any]]:
    rows: list[dict[str, Any]] = json.loads((demo / "truth.json").read_text(encoding="utf-8"))
    return rows


@pytest.fixture(scope="module")
def synthetic(demo: Path, truth: list[dict[str, Any]]) -> dict[float, str]:
    """Photos by true haemoglobin; the reader is given nothing but the file."""
    return {row["hb_g_dl"]: str(demo / row["file"]) for row in truth}


def test_simulated_photos_are_labelled_and_their_truth_is_told(demo: Path, truth) -> None:
    assert [row["hb_g_dl"] for row in truth] == [5.0, 14.0]
    lots = {path.stem for path in shipped("lots").glob("*.txt")}
    for row in truth:
        data = (demo / row["file"]).read_bytes()
        assert data.startswith(b"\xff\xd8")
        assert hashlib.sha256(data).hexdigest() == row["sha256"]
        assert row["synthetic"] is True
        assert "synthetic" in row["file"]
        assert row["lot_id"] in lots


@pytest.mark.parametrize(("hb_g_dl", "outcome"), [(5.0, "severe"), (14.0, "not_anaemic")])
def test_photo_to_json(synthetic, hb_g_dl: float, outcome: str, tmp_path: Path, capsys) -> None:
    picture = tmp_path / "out.jpg"
    arguments = ["read", synthetic[hb_g_dl], "--json", "--annotate", str(picture)]
    assert cli.main(arguments) == 0
    value = json.loads(capsys.readouterr().out)
    jsonschema.validate(value, reading_schema(), cls=jsonschema.Draft202012Validator)
    assert value["decision"]["outcome"] == outcome
    assert value["hb"]["interval"]["low_g_dl"] <= value["hb"]["g_dl"]
    assert abs(value["hb"]["g_dl"] - hb_g_dl) < 4 * sum(value["hb"]["sd"].values())
    assert value["calibration"]["statement"]["code"] == "simulated_calibration"
    assert value["card"]["statement"]["code"] == "simulated_lot"
    with Image.open(picture) as image:
        assert image.width == 1080


def test_both_blots_of_one_woman(synthetic, capsys) -> None:
    assert cli.main(["read", *synthetic.values(), "--json"]) == 0
    combined = json.loads(capsys.readouterr().out)["combined"]
    assert combined["n_blots"] == 2
    assert combined["blots_disagree"] is True, "5 and 14 g/dL are no two blots of one woman"
    assert combined["decision"]["refer"] is True


def test_what_is_no_photo_is_refused(tmp_path: Path, capsys) -> None:
    junk = tmp_path / "junk.jpg"
    junk.write_bytes(b"\xff\xd8 no photo")
    assert cli.main(["read", "--json", str(junk)]) == ExitCode.REFUSED
    value = json.loads(capsys.readouterr().out)
    jsonschema.validate(value, reading_schema(), cls=jsonschema.Draft202012Validator)
    assert value["refusal"]["reason"] == "not_an_image"
    assert value["decision"]["outcome"] == "not_read"


def test_expired_card_is_refused(synthetic, capsys) -> None:
    assert cli.main(["read", synthetic[14.0], "--today", "2050-01-01"]) == ExitCode.REFUSED
    out = " ".join(capsys.readouterr().out.split())
    assert "past its expiry date" in out
    assert "unlikely" not in out


# --- the command as a whole --------------------------------------------------------


def _parsers() -> dict[str, argparse.ArgumentParser]:
    top = cli.build_parser()
    return {"": top, **_below(top)}


def _below(parser: argparse.ArgumentParser) -> dict[str, argparse.ArgumentParser]:
    for action in parser._actions:
        if isinstance(action, argparse._SubParsersAction):
            return action.choices
    return {}


def _every_command() -> dict[str, argparse.ArgumentParser]:
    """Every command by its words, those of ``study`` too."""
    return {
        **_below(cli.build_parser()),
        **{f"study {name}": parser for name, parser in _below(_parsers()["study"]).items()},
    }


def test_help_of_each_command_has_one_example_that_is_understood() -> None:
    for words, parser in _every_command().items():
        text = parser.format_help()
        assert text.count("example:\n") == 1, words
        (example,) = re.findall(r"example:\n  (.*)\n", text)
        plain = re.sub(r'eval "\$\((.*)\)"', r"\1", example)
        given = shlex.split(plain)
        assert given[0] == "cardreader"
        assert " ".join(given[1:]).startswith(words)
        cli.build_parser().parse_args(given[1:])


def test_shared_options_read_the_same_everywhere() -> None:
    shared = ("--lots", "--calibration", "--protocol", "--data", "--database", "--json-lines")
    told: dict[str, set[tuple[object, ...]]] = {option: set() for option in shared}
    for words, parser in _every_command().items():
        for action in parser._actions:
            for option in {*action.option_strings} & {*shared}:
                if (words, option) in _OWN_MEANING:
                    continue
                told[option].add((action.metavar, action.help, str(action.type)))
    assert {option: len(ways) for option, ways in told.items()} == dict.fromkeys(shared, 1)


_OWN_MEANING = {
    ("check", "--data"),  # any folder that shall be written to
    ("study bridge", "--calibration"),  # the old one, which must be named
    ("study drift", "--calibration"),  # none when left out
    # As the register's server last judged when left out.
    *((words, "--protocol") for words in ("serve", "take-in", "meet")),
}


def test_every_command_and_option_is_documented() -> None:
    missing = []
    for name, parser in _parsers().items():
        start = DOCS.index(f"## `cardreader {name}") if name else 0
        stop = DOCS.find("\n## `cardreader ", start + 1) if name else len(DOCS)
        section = DOCS[start : stop if stop > 0 else len(DOCS)]
        for action in parser._actions:
            for option in action.option_strings:
                where = DOCS if option in ("-h", "--help") else section
                if f"`{option}" not in where and f"cardreader {option}" not in where:
                    missing.append(f"{name} {option}")
            for choice in action.choices or ():
                if str(choice) not in section:
                    missing.append(f"{name} {action.dest}={choice}")
    assert missing == []


def test_every_exit_code_is_documented_in_help_and_docs() -> None:
    assert set(MEANING) == set(ExitCode)
    for name, parser in _parsers().items():
        text = parser.format_help()
        for code, meaning in MEANING.items():
            assert f"{code.value}  {meaning}" in text, name
            assert f"| {code.value} | {meaning} |" in DOCS


def test_every_option_has_help() -> None:
    for parser in _parsers().values():
        for action in parser._actions:
            assert action.help or isinstance(action, argparse._SubParsersAction)


def test_help_starts_without_the_heavy_libraries() -> None:
    heavy = ["numpy", "scipy", "matplotlib", "colour", "cv2", "skimage", "sklearn", "PIL"]
    code = (
        "import sys; from cardreader.cli import main; main(['read', '--help']); "
        f"print(sorted(set({heavy!r}) & set(sys.modules)), file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT)
    assert done.stderr.strip() == "[]"
    assert "Read haemoglobin" in done.stdout


def test_a_reading_loads_nothing_that_it_does_not_need() -> None:
    """Other commands, and parts of libraries that a function of theirs brings in when called."""
    idle = ["cardreader.batch", "cardreader.simulate", "cardreader.web", "importlib.metadata"]
    idle += ["numpy.ma", "PIL.PngImagePlugin", "PIL.WebPImagePlugin", "statistics", "tempfile"]
    code = (
        "import sys; from cardreader.cli import main; code = main(sys.argv[1:]); "
        f"print(code, sorted(set({idle!r}) & set(sys.modules)), file=sys.stderr)"
    )
    photo = ROOT / "sample_images" / "good" / "above-11.3-daylight.jpg"
    done = subprocess.run(
        [sys.executable, "-c", code, "read", str(photo), "--today", "2026-11-02"],
        capture_output=True,
        text=True,
        cwd=ROOT,
    )
    assert done.stderr.strip() == "0 []"


def test_a_command_asked_for_alone_is_the_same_as_among_all() -> None:
    every = _parsers()
    for name, parser in _below(cli.build_parser()).items():
        alone = _below(cli.build_parser(name))
        assert len(alone) < len(every) - 1 or name == "completion"
        assert alone[name].format_help() == parser.format_help()


def test_module_runs_and_passes_its_code_on() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "cardreader", "read", "missing.jpg"],
        capture_output=True,
        text=True,
        cwd=ROOT,
    )
    assert done.returncode == ExitCode.NO_FILE
    assert done.stderr == "cardreader: missing.jpg: No such file or directory\n"


def _shell(command: str) -> subprocess.CompletedProcess[str]:
    script = command.replace("cardreader", f"{sys.executable} -m cardreader")
    return subprocess.run(["bash", "-c", script], capture_output=True, text=True, cwd=ROOT)


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no device that is always full")
def test_full_disk_is_told_in_one_line(tmp_path: Path) -> None:
    (tmp_path / "junk.jpg").write_bytes(b"no photo")
    done = _shell(f"cardreader read {tmp_path / 'junk.jpg'} > /dev/full")
    assert done.returncode == ExitCode.NOT_WRITTEN
    assert done.stderr == "cardreader: the result can't be written: No space left on device\n"


def test_a_reader_that_leaves_early_makes_no_noise() -> None:
    done = _shell("(cardreader --help; echo code $? >&2) | true")
    assert "Traceback" not in done.stderr
    assert "BrokenPipe" not in done.stderr


def test_interrupt(pipeline, photo, monkeypatch, capsys) -> None:
    def interrupt(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(pipeline_module, "read_photo", interrupt)
    assert cli.main(["read", *photo("any")]) == INTERRUPTED == 130
    assert _error(capsys) == "cardreader: stopped: every file that was written is whole\n"


def test_output_is_ascii_whatever_the_camera_calls_itself(
    pipeline, photo, capsys, monkeypatch
) -> None:
    named = fakes.reading(9.0)
    named.photo.exif.make_model = "Fot\u00f3 \udcff"
    monkeypatch.setattr(pipeline_module, "read_photo", lambda *_: named)
    assert cli.main(["read", "--json", *photo("9.0")]) == 0
    out = capsys.readouterr().out
    assert out.isascii()
    assert json.loads(out)["photo"]["make_model"].startswith("Fot\u00f3")


def test_version(capsys) -> None:
    assert cli.main(["--version"]) == 0
    assert capsys.readouterr().out.startswith("cardreader 0.")


def test_ctrl_c_while_modules_are_loaded_is_one_line(monkeypatch, capsys):
    from cardreader.__main__ import start

    real = builtins.__import__

    def stopped(name, *given, **more):
        if name == "cardreader.cli":
            raise KeyboardInterrupt
        return real(name, *given, **more)

    monkeypatch.setattr(builtins, "__import__", stopped)
    assert start() == INTERRUPTED
    monkeypatch.undo()
    assert capsys.readouterr().err == "cardreader: stopped\n"


def test_one_of_a_kind_is_said_as_one() -> None:
    assert [counted(n, "photo") for n in (0, 1, 2)] == ["0 photos", "1 photo", "2 photos"]
    assert [counted(n, "woman", "women") for n in (1, 2)] == ["1 woman", "2 women"]


@pytest.mark.parametrize("closed", ["nope.jpg", "junk.jpg"])
def test_closed_streams_are_no_defect(closed: str, tmp_path: Path) -> None:
    (tmp_path / "junk.jpg").write_bytes(b"no photo")
    photo = tmp_path / closed
    if closed == "junk.jpg":
        done = _shell(f"cardreader read {photo} >&-")
        assert done.returncode == ExitCode.NOT_WRITTEN
        assert done.stderr == "cardreader: the result can't be written: standard output is closed\n"
        return
    done = _shell(f"cardreader read {photo} 2>&-")
    assert (done.returncode, done.stdout) == (ExitCode.NO_FILE, "")


def test_defaults_in_the_docs_are_those_of_the_program() -> None:
    compared = 0
    for name, parser in _parsers().items():
        if not name:
            continue
        start = DOCS.index(f"## `cardreader {name}")
        stop = DOCS.find("\n## `cardreader ", start + 1)
        section = DOCS[start : stop if stop > 0 else len(DOCS)]
        for action in parser._actions:
            own = re.search(r"default:? ([\d.]+\d|\d)", action.help or "")
            for option in action.option_strings:
                row = re.search(rf"\| `{option}[ `].*", section)
                said = re.search(r"([\d.]+\d|\d) when left out", row[0]) if row else None
                if own and said:
                    compared += 1
                    assert said[1] == own[1], f"{name} {option}"
    assert compared >= 10
