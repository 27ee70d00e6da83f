"""What a batch says of where it can't write, and of folders without a single reading."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest
from batchrig import ROOT, batch, command, rows

from cardreader.batch.journal import Journal
from cardreader.batch.journalfile import JournalFile
from cardreader.batch.listing import Listing
from cardreader.batch.score import Failure, Job, Outcome, Trouble
from cardreader.batch.sources import PhotoFile, SourceError
from cardreader.reader import Reader
from cardreader.terminal.exitcodes import ExitCode


def test_photos_that_are_all_refused_still_have_their_page(tmp_path: Path) -> None:
    photos, out = tmp_path / "photos", tmp_path / "out"
    photos.mkdir()
    for name in ("a.jpg", "b.jpg"):
        (photos / name).write_bytes(b"no photo " + name.encode())
    done = batch(photos, "--out", out, "--workers", "1")
    assert (done.returncode, done.stderr.count("Traceback")) == (0, 0)
    assert {row["status"] for row in rows(out)} == {"refused"}
    page = (out / "summary.html").read_text(encoding="utf-8")
    assert "no photo was read" in page
    assert "not an image" in page


@pytest.mark.parametrize("kib", [16, 200])
def test_a_full_disk_is_no_fault_of_the_data(tmp_path: Path, kib: int) -> None:
    """A limit on file sizes stops the journal (16 KiB) or the pages (200) as a full disk does."""
    photos, out = tmp_path / "photos", tmp_path / "out"
    photos.mkdir()
    for number in range(300 if kib == 16 else 3000):
        (photos / f"{'long ' * 20}{number:04d}.jpg").write_bytes(b"")
    words = command(photos, "--out", out, "--workers", "1", "--no-summary")
    done = subprocess.run(
        ["bash", "-c", f'ulimit -f {kib}; exec "$@"', "bash", *words],
        capture_output=True,
        text=True,
        cwd=ROOT,
        timeout=120,
    )
    assert done.returncode == ExitCode.NOT_WRITTEN, done.stderr
    assert f"cardreader: {out}: " in done.stderr.splitlines()[-1]
    assert "Traceback" not in done.stderr


def test_a_full_disk_says_how_it_goes_on(tmp_path: Path) -> None:
    """SQLite's own limit on a file's pages stands for the disk's."""
    with closing(JournalFile(tmp_path / "journal.sqlite")) as file:
        file.ask("PRAGMA max_page_count = 20")
        with pytest.raises(OSError, match="free some space and give the same command again"):
            Listing(file).replace(PhotoFile(f"{number:0200d}.jpg") for number in range(3000))


def test_a_wrong_word_leaves_no_folder_behind(tmp_path: Path) -> None:
    out = tmp_path / "out"
    assert batch(tmp_path / "nowhere", "--out", out).returncode == ExitCode.NO_FILE
    assert not out.exists()


@pytest.mark.parametrize("name", ["results.csv", "results.parquet", "summary.html"])
def test_a_table_that_no_run_wrote_is_not_written_over(tmp_path: Path, name: str) -> None:
    """A programme's own results.csv lies beside the photos: it may hold what laboratories said."""
    (tmp_path / "a.jpg").write_bytes(b"no photo")
    (tmp_path / name).write_text("code,hb\nKX-1,9.4\n")
    done = batch(tmp_path, "--out", tmp_path, "--workers", "1")
    assert done.returncode == ExitCode.USAGE
    assert f"{name} is of no earlier run and would be lost" in done.stderr
    assert (tmp_path / name).read_text() == "code,hb\nKX-1,9.4\n"
    (tmp_path / name).unlink()
    for _ in range(2):
        assert batch(tmp_path, "--out", tmp_path, "--workers", "1").returncode == ExitCode.OK


def test_a_source_that_breaks_off_leaves_the_earlier_list(tmp_path: Path) -> None:
    def broken() -> Iterator[PhotoFile]:
        yield PhotoFile("new.jpg")
        raise SourceError("the store went away")

    with Journal(tmp_path / "journal.sqlite") as journal:
        journal.photos.replace([PhotoFile("old.jpg"), PhotoFile("old.jpg")])
        with pytest.raises(SourceError, match="went away"):
            journal.photos.replace(broken())
        with pytest.raises(SourceError, match=r"a\.jpg is listed twice"):
            journal.photos.replace([PhotoFile("a.jpg"), PhotoFile("a.jpg", phone="another")])
        assert [photo.name for photo in journal.photos] == ["old.jpg"]


def test_ctrl_c_says_how_to_go_on(tmp_path: Path, card_photo: bytes) -> None:
    photos = tmp_path / "photos"
    photos.mkdir()
    (photos / "a.jpg").write_bytes(card_photo)
    code = (
        "import sys; from cardreader import cli; from cardreader.batch import run\n"
        "def interrupt(*_, **__): raise KeyboardInterrupt\n"
        "run.TableFiles = interrupt\n"
        f"sys.exit(cli.main({command(photos, '--out', tmp_path / 'out')[3:]!r}))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT)
    assert done.returncode == 130
    assert "stopped: the same command goes on from here" in done.stderr
    assert not (tmp_path / "out" / "results.csv").exists()


def test_progress_for_programs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """How many there are is known once all are listed; the last lines say that all is done."""
    monkeypatch.setattr("cardreader.terminal.progress.PATIENCE_S", 0.0)
    monkeypatch.setattr("cardreader.terminal.progress.JSON_EVERY_S", 0.0)
    photos = tmp_path / "photos"
    photos.mkdir()
    for number in range(6):
        (photos / f"{number}.jpg").write_bytes(b"no photo %d" % (number // 2))
    words = ("--out", tmp_path / "out", "--workers", "1", "--no-summary", "--json-lines")
    done = batch(photos, *words)
    assert done.returncode == 0, done.stderr
    told = [json.loads(line) for line in done.stderr.splitlines()]
    assert {line["stage"] for line in told} == {"photos", "tables"}
    ended = [line for line in told if line["event"] == "stage_ended"]
    assert [(line["done"], line["total"]) for line in ended] == [(6, 6), (6, 6)]
    assert all(line["done"] <= (line["total"] or 6) for line in told)


def test_a_double_shares_the_trouble_of_its_content(tmp_path: Path, reader: Reader) -> None:
    job, trouble = Job(reader), Trouble(Failure.TOO_SLOW, "no result in 1 s", "hash")
    first, double = PhotoFile("a.jpg", "1"), PhotoFile("b.jpg", "2")
    with Journal(tmp_path / "journal.sqlite") as journal:
        journal.photos.replace([first, double])
        journal.add(Outcome(first.name, "hash", trouble=trouble), first, job)
        journal.note(double, "hash")
        assert journal.outcome(double, job).trouble == journal.outcome(first, job).trouble


def _without_rights(*words: str | Path) -> subprocess.CompletedProcess[str]:
    """As whoever may not write everywhere: as root with that right of root's taken."""
    plain = ["setpriv", "--bounding-set=-dac_override,-dac_read_search"]
    return subprocess.run(
        [*(plain if os.geteuid() == 0 else []), *command(*words, "--workers", "1")],
        capture_output=True,
        text=True,
        cwd=ROOT,
        timeout=120,
    )


@pytest.mark.skipif(shutil.which("setpriv") is None, reason="root writes everywhere")
@pytest.mark.parametrize("mode", [0o000, 0o444])
def test_a_journal_that_may_not_be_written_is_told_as_that(tmp_path: Path, mode: int) -> None:
    photos, out = tmp_path / "photos", tmp_path / "out"
    photos.mkdir()
    (photos / "a.jpg").write_bytes(b"no photo")
    assert batch(photos, "--out", out, "--workers", "1").returncode == ExitCode.OK
    (out / "journal.sqlite").chmod(mode)
    out.chmod(0o555)
    try:
        done = _without_rights(photos, "--out", out)
    finally:
        out.chmod(0o755)
    assert done.returncode == ExitCode.NOT_WRITTEN, done.stderr
    assert f"{out}: this user may not write the journal there" in done.stderr.splitlines()[-1]


def test_a_folder_in_the_journals_place_is_no_defect(tmp_path: Path) -> None:
    (tmp_path / "a.jpg").write_bytes(b"no photo")
    (tmp_path / "out" / "journal.sqlite").mkdir(parents=True)
    done = batch(tmp_path / "a.jpg", "--out", tmp_path / "out", "--workers", "1")
    assert done.returncode == ExitCode.NOT_WRITTEN
    assert "journal.sqlite: unable to open" in done.stderr.splitlines()[-1]


@pytest.mark.parametrize("name", ["photos.xlsx", "photos.ODS", "photos.tsv"])
def test_a_spreadsheet_is_no_photo(tmp_path: Path, name: str) -> None:
    """It was read as one, refused as no image, and the command ended well."""
    (tmp_path / name).write_bytes(b"PK")
    done = batch(tmp_path / name, "--out", tmp_path / "out", "--workers", "1")
    assert done.returncode == ExitCode.NO_FILE
    assert "is a spreadsheet: save it as CSV UTF-8" in done.stderr
    assert not (tmp_path / "out").exists()
