"""What counts as a photo, and what is known about it before it is opened."""

from __future__ import annotations

import os
import re
import socket
import sqlite3
import subprocess
import sys
import unicodedata
from collections import Counter
from dataclasses import replace
from pathlib import Path

import fsspec
import pytest
from batchrig import ROOT, batch

from cardreader.batch.blots import find_photos
from cardreader.batch.journal import Journal
from cardreader.batch.sources import (
    NOT_A_FILE,
    ListError,
    PhotoFile,
    SourceError,
    list_photos,
    read_bytes,
)
from cardreader.cli import main
from cardreader.core.rowfaults import MOST_TOLD
from cardreader.decide.subject import Smoking, Subject, Trimester
from cardreader.terminal.exitcodes import ExitCode
from cardreader.terminal.faults import HOW_ROWS_COUNT


def _names(*sources: str | Path) -> list[str]:
    return [photo.name for photo in find_photos(map(str, sources))]


def test_folder_is_searched_below_and_in_order(tmp_path: Path) -> None:
    for name in ("b.jpg", "a.JPEG", "deep/er/c.png", "notes.txt", ".hidden.jpg", ".git/d.jpg"):
        path = tmp_path / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(b"x")
    (tmp_path / "folder.jpg").mkdir()
    found = [str(Path(name).relative_to(tmp_path)) for name in _names(tmp_path)]
    assert found == ["a.JPEG", "b.jpg", "deep/er/c.png"]


def test_what_is_no_photo_by_its_name_is_counted(tmp_path: Path) -> None:
    for name in ("a.jpg", "whats.ZIP", "deep/more.zip", "scan.bmp", "half.jpg.part", ".DS_Store"):
        path = tmp_path / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(b"x")
    left_out: Counter[str] = Counter()
    assert len(list(list_photos([str(tmp_path)], left_out=left_out))) == 1
    assert left_out == {".zip": 2, ".bmp": 1, ".part": 1}


def _no_file(path: Path, kind: str) -> None:
    if kind == "pipe":
        os.mkfifo(path)
    else:
        with socket.socket(socket.AF_UNIX) as made:
            made.bind(str(path))


@pytest.mark.parametrize("kind", ["pipe", "socket"])
def test_what_is_no_file_is_counted_and_told_and_nobody_waits_for_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, kind: str
) -> None:
    monkeypatch.chdir(tmp_path)  # a socket's path may not be long
    (tmp_path / "in").mkdir()
    (tmp_path / "in" / "a.jpg").write_bytes(b"x")
    for name in ("b.jpg", "c", ".hidden.jpg"):
        _no_file(Path("in", name), kind)
    left_out: Counter[str] = Counter()
    (listed,) = list_photos(["in"], left_out=left_out)
    assert listed.name == "in/a.jpg"
    assert left_out == {NOT_A_FILE: 2}

    told = "not a file but a pipe, socket or device"
    (tmp_path / "list.txt").write_text("in/a.jpg\nin/b.jpg\n")
    (tmp_path / "list.csv").write_text("photo,light\nin/a.jpg,sun\nin/b.jpg,sun\n")
    for source, where in (
        ("in/b.jpg", "in/b.jpg: "),
        ("list.txt", "in/b.jpg is "),
        ("list.csv", "row 2, photo: 'in/b.jpg' is "),
    ):
        with pytest.raises(SourceError, match=re.escape(where + told)):
            list(list_photos([source]))

    run = batch("in", "--out", tmp_path / "out", "--workers", "1")
    assert run.returncode == ExitCode.OK
    assert "Not files but pipes, sockets or devices, and not read: 2." in run.stdout


def test_sources_together_list_a_photo_once(tmp_path: Path) -> None:
    (tmp_path / "a.jpg").write_bytes(b"x")
    assert len(_names(tmp_path, tmp_path / "a.jpg")) == 1


def test_a_stamp_changes_with_the_content(tmp_path: Path) -> None:
    photo = tmp_path / "a.jpg"
    photo.write_bytes(b"one")
    (before,) = find_photos([str(tmp_path)])
    photo.write_bytes(b"other")
    (after,) = find_photos([str(tmp_path)])
    assert before.stamp != after.stamp


def test_plain_list_is_relative_to_its_folder(tmp_path: Path) -> None:
    (tmp_path / "list.txt").write_text("# evening\nb.jpg\n\nsub/a.jpg\nmemory://box/c.jpg\n")
    assert _names(tmp_path / "list.txt") == [
        str(tmp_path / "b.jpg"),
        str(tmp_path / "sub/a.jpg"),
        "memory://box/c.jpg",
    ]


def test_a_list_as_an_editor_saves_it(tmp_path: Path) -> None:
    for encoding in ("utf-16", "utf-8-sig"):
        (tmp_path / "list.txt").write_bytes("b.jpg\n".encode(encoding))
        assert _names(tmp_path / "list.txt") == [str(tmp_path / "b.jpg")]
    (tmp_path / "list.txt").write_bytes("bläst.jpg\n".encode("latin-1"))
    with pytest.raises(SourceError, match=r"list\.txt: not UTF-8 text; save it as UTF-8"):
        _names(tmp_path / "list.txt")


def test_table_tells_about_the_woman_the_phone_and_the_light(tmp_path: Path) -> None:
    (tmp_path / "list.csv").write_text(
        "photo,light,phone,trimester,gestation_weeks,elevation_m,smoking,remark\n"
        "a.jpg,shade,Pelqua 3,,22,1500,none,x\n"
        "b.jpg,,,1,,,,\n",
        encoding="utf-8-sig",
    )
    a, b = find_photos([str(tmp_path / "list.csv")], Subject(elevation_m=300))
    assert (a.light, a.phone) == ("shade", "Pelqua 3")
    assert a.subject == Subject(None, 22, 1500.0, Smoking.NONE)
    assert (b.light, b.phone) == (None, None)
    assert b.subject == Subject(Trimester.FIRST, None, 300.0)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("picture\na.jpg\n", "no column 'photo'"),
        ("photo,trimester\na.jpg,4\n", "row 1, trimester: '4' is not 1, 2 or 3"),
        (
            "photo,gestation_weeks\na.jpg,22+3\n",
            r"'22\+3' is not a whole number of completed weeks",
        ),
        ("photo,smoking\na.jpg,yes\n", "row 1, smoking: 'yes' is not one of none, some"),
        ("photo,elevation_m,light\na.jpg,1500,5,sun\n", "row 1: has more cells than there"),
        ("photo,elevation_m\na.jpg,\nb.jpg,99999\n", "row 2: elevation of 99999 m"),
        ("photo,light\n,sun\n", "row 1, photo: is empty: no photo named"),
        ("photo,light\na.jpg,sun\na.jpg,shade\n", "listed twice with different facts"),
    ],
)
def test_faults_of_a_table_name_the_row(tmp_path: Path, text: str, message: str) -> None:
    (tmp_path / "list.csv").write_text(text)
    with pytest.raises(SourceError, match=message):
        find_photos([str(tmp_path / "list.csv")])


def test_all_faults_of_a_table_are_told_at_once(tmp_path: Path) -> None:
    rows = ["a.jpg,4,x", ",1,", "b.jpg,2,400", *(f"{i}.jpg,5," for i in range(100))]
    text = "\n".join(["photo,trimester,elevation_m", *rows, "z.jpg,1,99999"])
    (tmp_path / "list.csv").write_text(text)
    with pytest.raises(ListError, match=r"list\.csv: row 1, .* \(and 103 more\)") as caught:
        find_photos([str(tmp_path / "list.csv")])
    assert [(e.row, e.column) for e in caught.value.errors][:4] == [
        (1, "trimester"),
        (1, "elevation_m"),
        (2, "photo"),
        (4, "trimester"),
    ]
    assert caught.value.count == 104
    assert len(caught.value.errors) == MOST_TOLD


def test_a_faulty_list_is_told_by_row_before_anything_is_made(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    rows = "\n".join(f"{i}.jpg,no" for i in range(MOST_TOLD + 5))
    (tmp_path / "list.csv").write_text(f"photo,smoking\n{rows}\n")
    words = ["batch", str(tmp_path / "list.csv"), "--out", str(tmp_path / "out")]
    assert main(words) == ExitCode.BAD_DATA
    told = capsys.readouterr()
    assert told.out.splitlines()[0].startswith("row 1, smoking: 'no' is not one of none")
    assert told.out.splitlines()[-2:] == ["... and 5 more faults", HOW_ROWS_COUNT]
    assert "list.csv has 45 faults: correct them" in told.err
    assert not (tmp_path / "out").exists()


def test_photos_listed_twice_are_told_together(tmp_path: Path) -> None:
    (tmp_path / "list.csv").write_text("photo,light\na.jpg,sun\nb.jpg,sun\na.jpg,\nb.jpg,\n")
    with Journal(tmp_path / "journal.sqlite") as journal:
        for listed in (find_photos, lambda it: journal.photos.replace(list_photos(it))):
            with pytest.raises(ListError, match="twice with different facts") as caught:
                listed([str(tmp_path / "list.csv")])
            names = [Path(str(e.problem).split(" is ")[0]).name for e in caught.value.errors]
            assert names == ["a.jpg", "b.jpg"]


def test_a_list_is_read_as_spreadsheets_write_it(tmp_path: Path) -> None:
    text = "photo;elevation_m;\r\na.jpg;1500,5;\r\n;;\r\n"
    (tmp_path / "list.csv").write_bytes(text.encode("utf-8-sig"))
    (a,) = find_photos([str(tmp_path / "list.csv")])
    assert (a.name, a.subject.elevation_m) == (str(tmp_path / "a.jpg"), 1500.5)


def test_a_listed_name_whose_accent_the_disk_writes_otherwise_is_that_file(tmp_path: Path) -> None:
    """As archives from one machine and spreadsheets of another write it; both look the same."""
    on_disk = unicodedata.normalize("NFD", "été.jpg")
    (tmp_path / on_disk).write_bytes(b"x")
    listed = unicodedata.normalize("NFC", "été.jpg")
    (tmp_path / "list.csv").write_text(f"photo\n{listed}\n", encoding="utf-8")
    (tmp_path / "list.txt").write_text(f"{listed}\n", encoding="utf-8")
    for source in ("list.csv", "list.txt"):
        (photo,) = find_photos([str(tmp_path / source)])
        assert (photo.name, photo.size) == (str(tmp_path / on_disk), 1)


def test_an_indented_remark_is_a_remark(tmp_path: Path) -> None:
    (tmp_path / "list.txt").write_text("a.jpg\n  # not this one\n")
    assert [photo.name for photo in find_photos([str(tmp_path / "list.txt")])] == [
        str(tmp_path / "a.jpg")
    ]


def test_a_name_that_is_no_utf8_can_be_kept_and_opened(tmp_path: Path) -> None:
    """As archives of older systems leave them: the é of one byte."""
    raw = os.path.join(os.fsencode(tmp_path), b"\xe9t\xe9.jpg")
    try:
        Path(os.fsdecode(raw)).write_bytes(b"here")
    except OSError:
        pytest.skip("this disk takes no such name")
    for source in (str(tmp_path), os.fsdecode(raw)):
        (photo,) = find_photos([source])
        assert photo.name == f"{tmp_path}/\\xe9t\\xe9.jpg"
        assert photo.name.encode()
        assert (read_bytes(photo.name), photo.size) == (b"here", 4)
    (tmp_path / "\\xe9t\\xe9.jpg").write_bytes(b"itself")
    assert read_bytes(photo.name) == b"itself"


def test_a_link_that_leads_nowhere_has_its_row(tmp_path: Path) -> None:
    (tmp_path / "gone.jpg").symlink_to(tmp_path / "other-disk.jpg")
    (photo,) = find_photos([str(tmp_path)])
    assert photo.name.endswith("gone.jpg")
    with pytest.raises(FileNotFoundError):
        read_bytes(photo.name)


def test_address_is_listed_and_read(tmp_path: Path) -> None:
    store = fsspec.filesystem("memory")
    store.pipe({"/box/in/a.jpg": b"one", "/box/b.jpg": b"two", "/box/c.txt": b"no"})
    photos = find_photos(["memory://box"])
    assert [photo.name for photo in photos] == ["memory:///box/b.jpg", "memory:///box/in/a.jpg"]
    assert read_bytes(photos[1].name) == b"one"
    with pytest.raises(OSError, match="nowhere"):
        read_bytes("memory://box/nowhere.jpg")
    # A local address and a path are the same files.
    (tmp_path / "a.jpg").write_bytes(b"here")
    (local,) = find_photos([f"file://{tmp_path}"])
    assert local.name == f"file://{tmp_path}/a.jpg"
    assert read_bytes(local.name) == b"here"


def test_reading_is_bounded(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("cardreader.batch.sources.MAX_FILE_BYTES", 10)
    (tmp_path / "a.jpg").write_bytes(b"x" * 1000)
    assert len(read_bytes(str(tmp_path / "a.jpg"))) == 11


def test_objects_of_one_size_are_told_apart_at_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """However many there are: the steps of the database are counted."""
    count = 3_000
    photos = [PhotoFile(f"s3://b/{i:06d}.jpg", f"20:{i}", size=20) for i in range(count)]
    steps = 0

    def step() -> None:
        nonlocal steps
        steps += 1

    connect, opened = sqlite3.connect, []
    monkeypatch.setattr(
        sqlite3, "connect", lambda *a, **k: opened.append(connect(*a, **k)) or opened[-1]
    )
    with Journal(tmp_path / "journal.sqlite") as journal:
        double = replace(photos[7], name="s3://b/again.jpg")
        journal.photos.replace([*photos, double])
        (database,) = opened
        database.set_progress_handler(step, 1)
        alone = [p.name for p in (photos[0], photos[count - 1]) if journal.photos.may_be_double(p)]
        assert alone == []
        assert journal.photos.may_be_double(photos[7])
        assert journal.photos.may_be_double(double)
        assert steps < count / 10


@pytest.mark.parametrize(
    ("lacks", "address", "told"),
    [
        ("s3fs", "s3://invented/photos", "s3://invented/photos: pip install '.[s3]' in the"),
        ("fsspec", "s3://invented/photos", "pip install '.[batch]' in the checkout brings"),
        ("gcsfs", "gs://invented/photos", "gcsfs"),
    ],
)
def test_an_address_that_nothing_here_opens_says_what_to_install(
    lacks: str, address: str, told: str
) -> None:
    code = f"import sys; sys.modules[{lacks!r}] = None\n"
    code += "from cardreader.batch.sources import SourceError, list_photos\n"
    code += f"try: list(list_photos([{address!r}]))\nexcept SourceError as error: print(error)"
    # A process of its own: once loaded, a store's library stays known.
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT)
    assert told in done.stdout, done.stderr
