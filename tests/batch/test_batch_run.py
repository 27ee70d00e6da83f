"""A run: every photo has its row, a killed run ends the same, a new calibration opens nothing."""

from __future__ import annotations

import json
import os
import random
import re
import signal
import subprocess
import time
from contextlib import suppress
from pathlib import Path

import psutil
import pyarrow.parquet as pq
import pytest
from batchrig import (
    ROOT,
    TABLES,
    batch,
    batch_apart,
    command,
    contents,
    fill,
    journal_counts,
    rows,
    variant,
    wait_for_results,
)
from inprocess import run_cardreader

from cardreader.batch.journal import Journal
from cardreader.core.shipped import shipped
from cardreader.hb.calibration import Calibration


@pytest.fixture
def out(tmp_path: Path) -> Path:
    return tmp_path / "out"


@pytest.fixture(scope="module")
def finished(
    tmp_path_factory: pytest.TempPathFactory, card_photo: bytes, bad_files: dict[str, bytes]
) -> tuple[subprocess.CompletedProcess[str], Path]:
    """A run over `batchrig.fill`'s eleven files, and its folder."""
    root = tmp_path_factory.mktemp("finished")
    fill(root / "photos", card_photo, bad_files)
    done = batch_apart(root / "photos", "--out", root / "out", "--workers", "2", "--no-summary")
    return done, root / "out"


def test_every_photo_has_its_row(
    finished: tuple[subprocess.CompletedProcess[str], Path], bad_files: dict[str, bytes]
) -> None:
    done, out = finished
    assert done.returncode == 0, done.stderr
    assert "11 photos: 6 read, 5 refused, 0 failed" in done.stdout
    assert "Screening only" in done.stdout
    assert re.search(r"^To do.*: \d+ refer now .*, \d+ anaemia unlikely\.$", done.stdout, re.M)
    assert re.search(r"^Not read.*: \d+ photograph again, or send for a", done.stdout, re.M)
    assert "Left out, no photos by their names: 1 .txt." in done.stdout
    # The last line of the progress: all done, time taken and left, rate, and what was refused.
    assert re.search(r"11/11 \[\d\d:\d\d<\d\d:\d\d, .*photo.*refused=5", done.stderr)
    table = rows(out)
    assert [row["photo"] for row in table] == sorted(row["photo"] for row in table)
    reasons = {Path(row["photo"]).name: row["reason"] for row in table if row["reason"]}
    assert reasons == dict(name.split(":") for name in bad_files)
    twins = [row for row in table if row["duplicate_of"]]
    assert [Path(row["photo"]).name for row in twins] == ["again.JPG"]
    assert twins[0]["duplicate_of"].endswith("blot-0.jpg")
    assert {row["screening_only"] for row in table} == {"true"}
    # Ten contents, eleven files.
    assert journal_counts(out) == {"measured": 10, "judged": 10}


def test_all_forms_of_the_table_say_the_same(
    finished: tuple[subprocess.CompletedProcess[str], Path],
) -> None:
    _, out = finished
    as_csv, parquet = rows(out), pq.read_table(out / "results.parquet").to_pylist()
    lines = [json.loads(line) for line in (out / "results.jsonl").read_text().splitlines()]
    assert len(as_csv) == len(parquet) == len(lines) == 11
    for text, typed, line in zip(as_csv, parquet, lines, strict=True):
        assert text["photo"] == typed["photo"] == line["photo"]
        assert text["status"] == typed["status"] == line["reading"]["status"]
        assert (typed["hb_g_dl"] is None) == (text["hb_g_dl"] == "") == (typed["status"] != "read")
        if typed["status"] == "read":
            assert typed["hb_g_dl"] == float(text["hb_g_dl"]) == line["reading"]["hb"]["g_dl"]


def test_the_reading_is_the_very_one_of_the_read_command(
    finished: tuple[subprocess.CompletedProcess[str], Path],
) -> None:
    _, out = finished
    lines = [json.loads(line) for line in (out / "results.jsonl").read_text().splitlines()]
    for line in (next(x for x in lines if x["status"] == s) for s in ("read", "refused")):
        alone = run_cardreader("read", line["photo"], "--json", "--today", "2026-11-01")
        assert json.loads(alone.stdout) == line["reading"]


def _many(folder: Path, photo: bytes, bad: dict[str, bytes], count: int) -> None:
    folder.mkdir()
    for i in range(count):
        (folder / f"{i:03d}.jpg").write_bytes(variant(photo, i))
    for name, data in bad.items():
        (folder / name.split(":")[0]).write_bytes(data)


def _alive(marker: str) -> list[psutil.Process]:
    """Processes whose environment carries the marker."""
    found = []
    for process in psutil.process_iter():
        try:
            if process.environ().get("BATCH_TEST") == marker and process.status() != "zombie":
                found.append(process)
        except psutil.Error:
            continue
    return found


@pytest.mark.slow
def test_killed_at_any_instant_it_ends_with_the_same_table(
    tmp_path: Path, card_photo: bytes, bad_files: dict[str, bytes]
) -> None:
    photos, marker = tmp_path / "photos", f"{os.getpid()}-{tmp_path.name}"
    _many(photos, card_photo, bad_files, 30)
    words = (photos, "--workers", "2", "--no-summary")
    started = time.monotonic()
    assert batch_apart(*words, "--out", tmp_path / "whole").returncode == 0
    whole_s = time.monotonic() - started
    out, measured = tmp_path / "out", [0]
    out.mkdir()
    (out / ".results.csv.abc123.part").write_text("as a kill while writing leaves it")
    kill_at = random.Random()  # any instant: not seeded, and the outcome must not depend on it
    longest_s = 0.0  # the first kill comes at once after the first results: in the middle
    while len(measured) < 9:
        run = _start(command(*words, "--out", out), marker)
        if len(measured) % 2:  # as soon as this run's first results are kept, or a while later
            wait_for_results(out, run)
        with suppress(subprocess.TimeoutExpired):
            run.wait(kill_at.uniform(0.0, longest_s))
        longest_s = 0.6 * whole_s
        with suppress(ProcessLookupError):  # it ended by itself in time
            os.killpg(run.pid, signal.SIGKILL) if len(measured) % 3 else run.kill()
        run.wait()
        _gone(marker)
        measured.append(journal_counts(out)["measured"])
    last = _start(command(*words, "--out", out), marker)
    assert last.wait(60) == 0
    print("measured at each kill:", measured[1:])
    assert measured == sorted(measured), "a kill took back what was committed"
    assert any(0 < n < 35 for n in measured), "no kill hit the middle"
    assert contents(out) == contents(tmp_path / "whole")
    assert journal_counts(out) == {"measured": 35, "judged": 35}
    assert sorted(path.name for path in out.iterdir()) == sorted(("journal.sqlite", *TABLES))


def test_interrupted_it_says_so_and_goes_on(tmp_path: Path, card_photo: bytes) -> None:
    photos, out = tmp_path / "photos", tmp_path / "out"
    _many(photos, card_photo, {}, 30)
    words = command(photos, "--out", out, "--workers", "2", "--no-summary")
    run = _start(words, "interrupted")
    wait_for_results(out, run)
    os.killpg(run.pid, signal.SIGINT)  # as a terminal does
    assert run.wait(60) == 130
    kept = journal_counts(out)["measured"]
    assert 0 < kept < 30
    assert not (out / "results.csv").exists()
    again = batch(photos, "--out", out, "--workers", "2", "--no-summary")
    assert "30 photos: 30 read" in again.stdout
    assert f"measured now: {30 - kept}," in again.stdout


def _start(words: list[str], marker: str) -> subprocess.Popen[bytes]:
    return subprocess.Popen(
        words,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        cwd=ROOT,
        env={**os.environ, "BATCH_TEST": marker},
        start_new_session=True,
    )


def _gone(marker: str) -> None:
    """No worker outlives a killed run for long."""
    patience = time.monotonic() + 20
    while left := _alive(marker):
        assert time.monotonic() < patience, f"left behind: {left}"
        time.sleep(0.05)


def test_a_finished_run_does_nothing_again(folder: Path, out: Path) -> None:
    first = batch(folder, "--out", out, "--workers", "2", "--no-summary")
    assert "measured now: 10" in first.stdout
    before = contents(out)
    again = batch(folder, "--out", out, "--workers", "2", "--no-summary")
    assert "measured now: 0, judged from records: 0" in again.stdout
    assert contents(out) == before


def test_only_a_changed_photo_is_read_again(folder: Path, out: Path, card_photo: bytes) -> None:
    batch(folder, "--out", out, "--workers", "1", "--no-summary")
    (folder / "day 1" / "blot-1.jpg").write_bytes(variant(card_photo, 77))
    (folder / "day 1" / "blot-2.jpg").rename(folder / "moved.jpg")
    again = batch(folder, "--out", out, "--workers", "1", "--no-summary")
    assert "11 photos: 6 read" in again.stdout
    assert "measured now: 1," in again.stdout  # the moved one is known by its content
    assert any(row["photo"].endswith("moved.jpg") for row in rows(out))
    assert not any(row["photo"].endswith("blot-2.jpg") for row in rows(out))


@pytest.fixture
def other_calibration(tmp_path: Path) -> Path:
    """The shipped calibration with its locus moved by a made-up 2 % of light."""
    content = json.loads((shipped("default") / "model.json").read_text())
    content["id"] = "moved"
    content["locus"] = [[v + 0.02 for v in knot] for knot in content["locus"]]
    path = tmp_path / "moved.json"
    path.write_text(json.dumps(content))
    Calibration.load(path)
    return path


@pytest.mark.slow
def test_a_new_calibration_judges_from_records_as_reading_anew_does(
    folder: Path, tmp_path: Path, out: Path, other_calibration: Path
) -> None:
    batch(folder, "--out", out, "--workers", "2", "--no-summary")
    first = rows(out)
    other = ("--calibration", other_calibration, "--protocol", "who-2024")
    anew = tmp_path / "anew"
    batch(folder, "--out", anew, "--workers", "2", "--no-summary", *other)
    photos = folder.rename(tmp_path / "put away")  # not one of them can be opened now
    judged = batch("--out", out, "--workers", "2", "--no-summary", *other)
    assert "11 photos: 6 read, 5 refused" in judged.stdout
    assert "measured now: 0, judged from records: 10" in judged.stdout
    assert contents(out) == contents(anew)
    values = [row["hb_g_dl"] for row in rows(out) if row["hb_g_dl"]]
    assert values != [row["hb_g_dl"] for row in first if row["hb_g_dl"]]
    # And back again: both judgements are kept.
    photos.rename(folder)
    back = batch(folder, "--out", out, "--workers", "2", "--no-summary")
    assert "measured now: 0, judged from records: 0" in back.stdout
    assert rows(out) == first


def test_a_lot_that_expires_is_judged_anew_and_refused(folder: Path, out: Path) -> None:
    batch(folder, "--out", out, "--workers", "1", "--no-summary")
    later = batch(folder, "--out", out, "--workers", "1", "--no-summary", today="2099-01-01")
    assert "0 read, 11 refused" in later.stdout
    told = re.search(r"^Without a reading: (.*\d lot_expired.*)", later.stdout, re.MULTILINE)
    assert told
    assert sum(map(int, re.findall(r"\d+", told[1]))) == 11, "a file that is there twice counts too"
    assert "measured now: 0" in later.stdout
    assert {row["reason"] for row in rows(out) if row["lot_id"]} == {"lot_expired"}


def test_two_runs_into_one_folder_are_kept_apart(folder: Path, out: Path) -> None:
    out.mkdir()
    with Journal(out / "journal.sqlite"):  # as a run has it open
        second = batch(folder, "--out", out, "--workers", "1", "--no-summary")
    assert second.returncode == 5
    assert "another batch is writing" in second.stderr
    assert not (out / "results.csv").exists()


@pytest.mark.parametrize(
    ("words", "code", "message"),
    [
        (["nowhere"], 4, "no such folder or file"),
        ([], 2, "no earlier run"),
        (["memory://nothing"], 4, "nothing is there"),
    ],
)
def test_what_cannot_be_listed_is_one_line(
    out: Path, words: list[str], code: int, message: str
) -> None:
    done = batch(*words, "--out", out)
    assert done.returncode == code
    assert message in done.stderr
    assert len(done.stderr.splitlines()) == 1


def test_a_folder_with_nothing_but_an_archive_says_what_is_there(tmp_path: Path, out: Path) -> None:
    (tmp_path / "sent").mkdir()
    (tmp_path / "sent" / "photos.zip").write_bytes(b"PK")
    done = batch(tmp_path / "sent", "--out", out)
    assert done.returncode == 4
    assert "no photo there (there: 1 .zip)" in done.stderr
    assert not out.exists()


def test_a_journal_that_is_none_is_one_line(folder: Path, out: Path) -> None:
    out.mkdir()
    (out / "journal.sqlite").write_bytes(b"something else" * 100)
    done = batch(folder, "--out", out)
    assert done.returncode == 5
    assert "is not a journal" in done.stderr
