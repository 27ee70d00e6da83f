"""Photos of one blot told by a list or by their names are read as one, as the read command does."""

from __future__ import annotations

import json
import re
import shutil
import sqlite3
from dataclasses import replace
from pathlib import Path

import pytest
from batchrig import batch, contents, rows, variant
from twosides import photographed_twice

from cardreader.api import load_reader, read_many, read_same_blot
from cardreader.batch.advice import Remedy, remedies
from cardreader.batch.blots import blot_pattern, find_photos, join, named_by
from cardreader.batch.journal import Journal
from cardreader.batch.score import Failure, Job, Task, score
from cardreader.batch.sources import PhotoFile, SourceError
from cardreader.batch.tally import Tally
from cardreader.calibrate.papers import papers_of
from cardreader.core.refusal import Reason
from cardreader.core.shipped import shipped
from cardreader.decide.rule import MAY_HIDE_SEVERE, NO_PHOTO_HELPS
from cardreader.decide.subject import Subject
from cardreader.hb.calibration import Calibration
from cardreader.hb.container import save
from cardreader.reader import Reader
from cardreader.result.asjson import reading_json


@pytest.fixture(scope="module")
def photos(tmp_path_factory: pytest.TempPathFactory, card_photo: bytes) -> Path:
    """Two sides of one blot in one village, and a photo of the same number in another."""
    root = tmp_path_factory.mktemp("villages")
    for village in ("east", "west"):
        (root / village).mkdir()
    one, other = photographed_twice(root / "east")
    one.rename(root / "east" / "17-a.jpg")
    other.rename(root / "east" / "17-b.jpg")
    (root / "west" / "17-a.jpg").write_bytes(card_photo)
    return root


@pytest.fixture(scope="module")
def together(photos: Path, reader: Reader) -> dict[str, object]:
    """What the pipeline makes of the two sides."""
    sides = [photos / "east" / f"17-{side}.jpg" for side in "ab"]
    found: dict[str, object] = reading_json(read_same_blot(sides, reader).together)
    return found


def _lines(out: Path) -> list[dict[str, object]]:
    return [json.loads(line) for line in (out / "results.jsonl").read_text().splitlines()]


def test_names_tell_which_photos_show_one_blot(
    photos: Path, tmp_path: Path, together: dict[str, object]
) -> None:
    out = tmp_path / "out"
    words = (photos, "--out", out, "--same-blot", "(.*)-[ab]", "--workers", "1")
    done = batch(*words)
    assert done.returncode == 0, done.stderr
    assert "2 photos: 2 read" in done.stdout
    assert "of several photos of one blot: 1," in done.stdout
    first, other = _lines(out)
    assert first["photo"] == f"{photos}/east/17-a.jpg"
    assert first["beside"] == [f"{photos}/east/17-b.jpg"]
    assert first["reading"] == json.loads(json.dumps(together))
    assert other["beside"] == [], "another village has its number 17 too"
    table = rows(out)
    assert [row["photos"] for row in table] == ["2", "1"]
    assert table[0]["blot"] == f"{photos}/east/17"
    again = batch(*words)
    assert "measured now: 0, judged from records: 0" in again.stdout


def test_the_same_is_judged_anew_from_its_record(
    photos: Path, tmp_path: Path, together: dict[str, object]
) -> None:
    away, out, anew = tmp_path / "photos", tmp_path / "out", tmp_path / "anew"
    shutil.copytree(photos / "east", away)
    named = ("--same-blot", "(.*)-[ab]", "--workers", "1", "--no-summary")
    batch(away, "--out", out, *named)
    batch(away, "--out", anew, *named, "--protocol", "who-2024")
    away.rename(tmp_path / "put away")
    judged = batch("--out", out, "--workers", "1", "--no-summary", "--protocol", "who-2024")
    assert "measured now: 0, judged from records: 1" in judged.stdout
    assert contents(out) == contents(anew)


def test_a_list_tells_it_too(
    photos: Path, tmp_path: Path, reader: Reader, together: dict[str, object]
) -> None:
    (tmp_path / "list.csv").write_text(
        "photo,blot,phone\n"
        f"{photos}/east/17-b.jpg,woman 4,\n{photos}/west/17-a.jpg,,\n"
        f"{photos}/east/17-a.jpg,woman 4,Pelqua 3\n"
    )
    found = read_many(tmp_path / "list.csv", reader)
    assert [(row["blot"], row["photos"]) for row in found] == [("woman 4", 2), (None, 1)]
    assert next(iter(found.to_json())) == json.loads(json.dumps(together))
    assert found[0]["phone"] == "Pelqua 3"


def test_one_blot_is_one_womans(tmp_path: Path) -> None:
    (tmp_path / "list.csv").write_text("photo,blot,trimester\na.jpg,4,1\nb.jpg,4,2\n")
    with pytest.raises(SourceError, match="blot 4: its photos are listed with different facts"):
        find_photos([str(tmp_path / "list.csv")])


def test_a_photo_that_is_missing_fails_its_blot(
    photos: Path, reader: Reader, tmp_path: Path
) -> None:
    task = Task(f"{photos}/east/17-a.jpg", Subject(), beside=(str(tmp_path / "none.jpg"),))
    trouble = score(task, Job(reader)).trouble
    assert trouble is not None
    assert trouble.kind is Failure.CANT_OPEN


def test_the_same_file_twice_is_one_photo(
    tmp_path: Path, reader: Reader, card_photo: bytes
) -> None:
    for name in ("a.jpg", "b.jpg"):
        (tmp_path / name).write_bytes(card_photo)
    both = score(Task(f"{tmp_path}/a.jpg", Subject(), beside=(f"{tmp_path}/b.jpg",)), Job(reader))
    alone = score(Task(f"{tmp_path}/a.jpg", Subject()), Job(reader))
    assert (both.sha256, both.reading) == (alone.sha256, alone.reading)


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["(", "photos"], "is no pattern"),
        (["x-[ab]", "photos"], "no part in brackets"),
        (["(.*)-[ab]"], "needs a SOURCE"),
    ],
)
def test_mistakes_with_the_pattern_are_one_line(
    tmp_path: Path, sound_folder: Path, words: list[str], message: str
) -> None:
    done = batch(*words[1:], "--out", sound_folder, "--same-blot", words[0])
    assert done.returncode == 2
    assert message in done.stderr
    assert done.stderr.count("\n") == 1


@pytest.fixture
def sound_folder(tmp_path: Path) -> Path:
    with Journal(tmp_path / "journal.sqlite"):
        return tmp_path


def test_a_pattern_that_fits_nothing_is_told(tmp_path: Path, card_photo: bytes) -> None:
    (tmp_path / "1.jpg").write_bytes(b"no photo")
    words = ("--out", tmp_path / "out", "--workers", "1", "--no-summary")
    done = batch(tmp_path / "1.jpg", *words, "--same-blot", "(.*)-[ab]")
    assert done.returncode == 0
    assert "no two photos' names fit --same-blot" in done.stderr


def test_a_changed_photo_changes_its_blot(tmp_path: Path) -> None:
    sides = [PhotoFile("a", "1:1", blot="x"), PhotoFile("b", "2:2", blot="x")]
    same, changed = join(sides), join([sides[0], PhotoFile("b", "2:3", blot="x")])
    assert same.beside == changed.beside == ("b",)
    assert same.stamp != changed.stamp
    assert join([sides[0], PhotoFile("b", None, blot="x")]).stamp is None
    pattern = blot_pattern(r"^(\d+)(?:-\d)?\.jpg")
    named = list(named_by(pattern, [PhotoFile("v/12-1.jpg"), PhotoFile("v/x.jpg")]))
    assert [photo.blot for photo in named] == ["v/12", None]


def test_many_blots_are_joined_in_the_journal(tmp_path: Path) -> None:
    photos = [
        PhotoFile(f"{number:03d}{side}.jpg", f"{number}", blot=f"{number}" if number % 3 else None)
        for side in "ba"
        for number in range(90)
    ]
    with Journal(tmp_path / "journal.sqlite") as journal:
        journal.photos.replace(photos)
        kept = list(journal.photos)
    assert len(kept) == 60 + 2 * 30
    assert [photo.name for photo in kept] == sorted(photo.name for photo in kept)
    joined = [photo for photo in kept if photo.beside]
    assert len(joined) == 60
    assert all(photo.beside == (photo.name.replace("a", "b"),) for photo in joined)


@pytest.mark.parametrize(("schema", "lacks"), [(1, ("blot", "beside", "paper")), (2, ("paper",))])
def test_a_journal_from_before_is_taken_over(
    tmp_path: Path, schema: int, lacks: tuple[str, ...]
) -> None:
    path = tmp_path / "journal.sqlite"
    with Journal(path) as journal:
        journal.photos.replace([PhotoFile("a.jpg")])
    db = sqlite3.connect(path)
    with db:
        for column in lacks:
            db.execute(f"ALTER TABLE listed DROP COLUMN {column}")
        db.execute(f"PRAGMA user_version = {schema}")
    db.close()
    with Journal(path) as journal:
        assert list(journal.photos) == [PhotoFile("a.jpg")]


def test_another_paper_is_judged_anew_and_told(tmp_path: Path, card_photo: bytes) -> None:
    (tmp_path / "a.jpg").write_bytes(variant(card_photo, 1))
    words = ("--out", tmp_path / "out", "--workers", "1", "--no-summary")
    batch(tmp_path / "a.jpg", *words)
    assert rows(tmp_path / "out")[0]["paper"] == ""
    named = batch(tmp_path / "a.jpg", *words, "--paper", "B-17")
    assert "measured now: 0, judged from records: 1" in named.stdout
    assert rows(tmp_path / "out")[0]["paper"] == "B-17"
    (line,) = _lines(tmp_path / "out")
    assert re.search('"batch": "B-17"', json.dumps(line["reading"]))
    assert named.stdout.startswith("Blotting paper B-17.\n")


def test_what_is_left_to_do_is_told_of_photos_that_were_not_read(
    tmp_path: Path, card_photo: bytes
) -> None:
    (tmp_path / "a.jpg").write_bytes(variant(card_photo, 1))
    words = ("--out", tmp_path / "out", "--workers", "1", "--no-summary")
    done = batch(tmp_path / "a.jpg", *words)
    assert "out: 1 photo: 1 read" in done.stdout
    assert done.stdout.endswith(" anaemia unlikely.\n")
    (tmp_path / "b.jpg").write_text("no photo")
    done = batch(tmp_path / "a.jpg", tmp_path / "b.jpg", *words)
    assert "out: 2 photos: 1 read, 1 refused" in done.stdout
    assert "Not read, which does not mean well: 1 photograph again, or send for a" in done.stdout


def test_advice_at_the_end_fits_why_photos_were_not_read(tmp_path: Path, card_photo: bytes) -> None:
    """A new photo helps no file that isn't there."""
    (tmp_path / "a.jpg").write_bytes(variant(card_photo, 1))
    (tmp_path / "list.csv").write_text("photo\na.jpg\nmoved.jpg\n")
    words = ("--out", tmp_path / "out", "--workers", "1")
    done = batch(tmp_path / "list.csv", *words)
    assert "Not read, which does not mean well: 1 can't be opened: put the file" in done.stdout
    assert "photograph" not in done.stdout
    page = (tmp_path / "out" / "summary.html").read_text()
    assert "Not read</b>, which does not mean well: can&#39;t be opened" in page
    later = batch(tmp_path / "a.jpg", *words, today="2099-01-01")
    assert "1 photograph again beside a card that is in date" in later.stdout


def test_every_reason_has_its_remedy_and_no_photo_is_asked_for_in_vain() -> None:
    reasons = [*Reason, *Failure]
    told = remedies([(str(reason), 1) for reason in reasons])
    assert sum(count for _, count in told) == len(reasons)
    for reason in NO_PHOTO_HELPS:
        assert remedies([(str(reason), 2)]) == ((Remedy.BLOOD_TEST, 2),)
    # The palest blood is no photo to take again at leisure.
    for reason in MAY_HIDE_SEVERE:
        ((remedy, _),) = remedies([(str(reason), 1)])
        assert "refer her now" in remedy.value
    # Whoever is not read may be severe: nothing ends without a way to a blood test.
    assert all("blood test" in remedy.value for remedy in Remedy)


def test_an_archive_is_no_photo(tmp_path: Path) -> None:
    archive = Path(shutil.make_archive(str(tmp_path / "photos"), "zip", tmp_path))
    done = batch(archive, "--out", tmp_path / "out")
    assert (done.returncode, (tmp_path / "out").exists()) == (4, False)
    assert "photos.zip is an archive: unpack it and name the folder" in done.stderr


@pytest.mark.parametrize(
    ("paper", "words", "taken"),
    [
        ("", "not said, taken to be B-1; --paper names another", "B-1"),
        ("B-1", "B-1", ""),
        ("B-2", "B-2, which the calibration never saw: no value until blood tests on it", ""),
    ],
)
def test_the_paper_that_blots_are_taken_to_be_on_is_told_everywhere(
    tmp_path: Path, card_photo: bytes, paper: str, words: str, taken: str
) -> None:
    """As `read` tells it: at the start, on the summary, beside the table and in it."""
    shipped_one = Calibration.load(shipped("default"))
    known = replace(shipped_one, papers=papers_of(shipped_one, ("B-1",)))
    save(tmp_path / "calibration", known, {})
    (tmp_path / "a.jpg").write_bytes(variant(card_photo, 1))
    out = tmp_path / "out"
    told = ("--paper", paper) if paper else ()
    where = ("--out", out, "--workers", "1", "--calibration", tmp_path / "calibration")
    done = batch(tmp_path / "a.jpg", *where, *told)
    assert done.returncode == 0, done.stderr
    assert done.stdout.startswith(f"Blotting paper {words}.\n")
    assert f"<dt>Blotting paper</dt><dd>{words}</dd>" in (out / "summary.html").read_text("utf-8")
    kept = json.loads((out / "run.json").read_text("utf-8"))["paper"]
    assert kept == {"batch": paper or None, "taken": taken or None, "another": paper == "B-2"}
    (row,) = rows(out)
    assert (row["paper"], row["paper_taken"]) == (paper, taken)
    assert (row["reason"] == "not_calibrated") is (paper == "B-2")


def test_each_photo_is_read_on_the_paper_that_the_list_says(
    tmp_path: Path, card_photo: bytes
) -> None:
    """A year's folder has more than one batch, and read on another a blot is grams off."""
    shipped_one = Calibration.load(shipped("default"))
    known = replace(shipped_one, papers=papers_of(shipped_one, ("B-1", "B-2")))
    save(tmp_path / "calibration", known, {})
    for number in (1, 2, 3):
        (tmp_path / f"{number}.jpg").write_bytes(variant(card_photo, number))
    (tmp_path / "4.jpg").write_bytes((tmp_path / "1.jpg").read_bytes())
    (tmp_path / "list.csv").write_text("photo,paper\n1.jpg, B-1\n2.jpg,B-9\n3.jpg,\n4.jpg,B-2\n")
    out = tmp_path / "out"
    where = ("--out", out, "--workers", "1", "--calibration", tmp_path / "calibration")
    done = batch(tmp_path / "list.csv", *where, "--paper", "B-2")
    assert done.returncode == 0, done.stderr
    assert done.stdout.startswith("Blotting paper as listed; where the list names none: B-2.\n")
    found = rows(out)
    assert [row["paper"] for row in found] == ["B-1", "B-9", "B-2", "B-2"]
    assert [row["reason"] for row in found] == ["", "not_calibrated", "", ""]
    about = json.loads((out / "run.json").read_text("utf-8"))
    assert about["papers_listed"] == {"B-1": 1, "B-2": 1, "B-9": 1}
    assert "as listed; where the list names none: B-2" in (out / "summary.html").read_text("utf-8")
    reader = load_reader(calibration=tmp_path / "calibration", paper="B-2")
    from_python = read_many(tmp_path / "list.csv", reader, workers=1)
    assert [row["paper"] for row in from_python] == ["B-1", "B-9", "B-2", "B-2"]
    # Told otherwise the photos are judged anew from their records, without being opened.
    (tmp_path / "list.csv").write_text("photo,paper\n1.jpg,B-1\n2.jpg,B-1\n3.jpg,B-1\n4.jpg,B-1\n")
    again = batch(tmp_path / "list.csv", *where)
    assert "measured now: 0, judged from records: 2)" in again.stdout
    assert {row["paper"] for row in rows(out)} == {"B-1"}
    assert {row["status"] for row in rows(out)} == {"read"}


def test_one_blot_is_on_one_paper(tmp_path: Path) -> None:
    (tmp_path / "list.csv").write_text("photo,blot,paper\na.jpg,4,B-1\nb.jpg,4,B-2\n")
    with pytest.raises(SourceError, match="blot 4: its photos are listed with different facts"):
        find_photos([str(tmp_path / "list.csv")])


def test_command_and_summary_take_what_is_left_to_do_from_one_place() -> None:
    reasons = ((str(Reason.OUT_OF_RANGE), 2), (str(Failure.CANT_OPEN), 1))
    counted = Tally(3, 3, 0, 2, 1, 0, 0, 0, {}, (), reasons, {})
    assert counted.remedies == remedies(reasons) == ((Remedy.PALE, 2), (Remedy.FILE, 1))
