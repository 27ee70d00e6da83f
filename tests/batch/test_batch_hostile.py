"""Damaged and hostile journals and lists: one row fails, or the run is refused in one line."""

from __future__ import annotations

import json
import sqlite3
import zlib
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from cardreader.batch.blots import find_photos
from cardreader.batch.journal import Journal
from cardreader.batch.journalfile import JournalError
from cardreader.batch.packed import MOST_BYTES, DamagedError, packed, unpacked
from cardreader.batch.record import unpack
from cardreader.batch.run import CSV, JOURNAL, LINES, Settings, run_batch
from cardreader.batch.score import Failure, Job, Task, score
from cardreader.batch.sources import SourceError
from cardreader.hb.plausible import HIGHEST_HB_G_DL
from cardreader.terminal.progress import Progress


@pytest.fixture(scope="session")
def sound_journal(tmp_path_factory, card_photo, reader) -> bytes:
    """The journal of a photo that was read and of one that isn't there."""
    folder = tmp_path_factory.mktemp("sound")
    (folder / "a.jpg").write_bytes(card_photo)
    (folder / "list.txt").write_text("a.jpg\nmissing.jpg\n")
    job, photos = Job(reader), find_photos([str(folder / "list.txt")])
    with Journal(folder / JOURNAL) as journal:
        journal.photos.replace(photos)
        for photo in photos:
            journal.add(score(Task(photo.name, photo.subject), job), photo, job)
    return (folder / JOURNAL).read_bytes()


@pytest.fixture
def out(tmp_path, sound_journal) -> Path:
    folder = tmp_path / "out"
    folder.mkdir()
    (folder / JOURNAL).write_bytes(sound_journal)
    return folder


def change(out: Path, statement: str, *values: Any) -> None:
    db = sqlite3.connect(out / JOURNAL)
    with db:
        assert db.execute(statement, values).rowcount
    db.close()


def kept(out: Path, table: str, column: str) -> dict[str, Any]:
    db = sqlite3.connect(out / JOURNAL)
    (blob,) = db.execute(f"SELECT {column} FROM {table}").fetchone()
    db.close()
    content: dict[str, Any] = json.loads(zlib.decompress(blob))
    return content


def judge(out: Path, reader) -> dict[str, dict[str, Any]]:
    """The lines that judging anew gives, by the photo's last name."""
    run_batch(None, reader, Settings(out, summary=False), Progress())
    lines = map(json.loads, (out / LINES).read_text("utf-8").splitlines())
    return {Path(line["photo"]).name: line for line in lines}


def test_a_sound_journal_gives_its_reading(out, reader):
    assert {name: line["status"] for name, line in judge(out, reader).items()} == {
        "a.jpg": "read",
        "missing.jpg": "failed",
    }


@cache
def _bomb() -> bytes:
    return zlib.compress(bytes(MOST_BYTES + 1), 1)


def test_a_sound_record_is_judged_again_to_the_same_reading(out, reader):
    before = judge(out, reader)["a.jpg"]
    change(out, "DELETE FROM judged")
    assert judge(out, reader)["a.jpg"] == before


READINGS = {
    "not packed": b"{}",
    "cut": zlib.compress(b"{" * 100)[:-5],
    "a bomb": _bomb(),
    "no JSON": zlib.compress(b"reading"),
    "nested without end": zlib.compress(b"[" * 100_000),
    "a list": zlib.compress(b"[]"),
    "not finite": zlib.compress(b'{"hb": NaN}'),
    "half a surrogate pair": zlib.compress(b'{"status": "\\ud800"}'),
    "nothing in it": zlib.compress(b"{}"),
}
CHANGES: dict[str, dict[str, Any]] = {
    "a status that is none": {"status": "cured"},
    "a text for a value": {"hb": "nine"},
    "a value beyond all blood": {
        "hb": {"g_dl": 1e300, "interval": {"low_g_dl": 1, "high_g_dl": 2}}
    },
    "a value just beyond what a calibration may reach": {
        "hb": {"g_dl": HIGHEST_HB_G_DL + 0.1, "interval": {"low_g_dl": 1, "high_g_dl": 2}}
    },
    "no value": {"hb": None},
    "a list for the decision": {"decision": [1]},
    "an outcome that is none": {"decision": {"outcome": "x", "p_severe": 0, "p_anaemic": 0}},
    "a blot of two numbers": {"blot": {"lab_d50": [1, 2]}},
    "a whole number beyond the table": {"photo": {"sha256": "0", "width_px": 2**70}},
}


@pytest.mark.parametrize("what", [*READINGS, *CHANGES])
def test_a_reading_that_is_none_costs_its_own_row(out, reader, what):
    blob = READINGS.get(what)
    if blob is None:
        reading = {**kept(out, "judged", "reading"), **CHANGES[what]}
        blob = zlib.compress(json.dumps(reading).encode())
    change(out, "UPDATE judged SET reading = ?", blob)
    line = judge(out, reader)["a.jpg"]
    assert line["status"] == "failed"
    assert line["failure"]["kind"] == Failure.DEFECT
    assert "remove the journal" in line["failure"]["detail"]


def test_the_highest_value_of_a_calibration_is_a_reading(out, reader):
    reading = kept(out, "judged", "reading")
    reading["hb"]["g_dl"] = HIGHEST_HB_G_DL
    change(out, "UPDATE judged SET reading = ?", packed(reading))
    assert judge(out, reader)["a.jpg"]["status"] == "read"


RECORDS: dict[str, dict[str, Any]] = {
    "neither measured nor refused": {"findings": None},
    "measured and refused": {"refusal": ["blurred", "locate", ""]},
    "a refusal that is none": {"findings": None, "refusal": ["tired", "locate", ""]},
    "a lot that is a text": {"lot_number": "27001"},
    "a hash that is a number": {"sha256": 5},
    "a picture of no size": {"photo": {"full_size": [0, -1]}},
    "a blot that is a list": {"blot": [1, 2, 3]},
}
PARTS: dict[str, dict[str, dict[str, Any]]] = {
    "two numbers for three": {"findings": {"log_ratio": [1, 2]}},
    "a scatter of one number": {"findings": {"covariance": [[1]]}},
    "a scatter of no size": {"findings": {"covariance": [[0] * 3] * 3}},
    "a number without end": {"findings": {"log_ratio": [1e300] * 3}},
    "a scatter of one triangle": {"findings": {"covariance": [[1, 9, 9], [0, 1, 9], [0, 0, 1]]}},
    "no signature": {"findings": {"signature": []}},
    "a signature too short": {"findings": {"signature": [0.0] * 41}},
    "a signature of one number": {"findings": {"signature": 0.0}},
    "a text for spoiled prints": {"correction": {"spoiled_prints": "R05a"}},
    "spoiled prints without order": {"correction": {"spoiled_prints": {"R05a": 1}}},
    "a spoiled print that is none": {"correction": {"spoiled_prints": ["R99a"]}},
    "a spoiled print that is a number": {"correction": {"spoiled_prints": [5]}},
    "a spoiled print that is a list": {"correction": {"spoiled_prints": [["R05a"]]}},
    "a spoiled print twice": {"correction": {"spoiled_prints": ["R05a", "R05a"]}},
}
"""Changes to a part of the record; the rest of the part stays sound."""


@pytest.mark.parametrize("what", [*RECORDS, *PARTS])
def test_a_record_that_is_none_is_not_judged(out, reader, what):
    sound = kept(out, "measured", "record")
    unpack(packed(sound), reader.lots)
    parts = {name: {**sound[name], **part} for name, part in PARTS.get(what, {}).items()}
    record = {**sound, **RECORDS.get(what, {}), **parts}
    with pytest.raises(DamagedError, match="damaged"):
        unpack(packed(record), reader.lots)
    change(out, "UPDATE measured SET record = ?", packed(record))
    change(out, "DELETE FROM judged")
    line = judge(out, reader)["a.jpg"]
    assert line["failure"]["kind"] == Failure.DEFECT


def test_spoiled_prints_come_back_by_name(out, reader):
    record = kept(out, "measured", "record")
    record["correction"]["spoiled_prints"] = ["R05a", "C01b"]
    correction = unpack(packed(record), reader.lots).correction
    assert correction is not None
    assert correction.spoiled_prints == ("R05a", "C01b")


CELLS = {
    "a name that is no text": ("UPDATE listed SET name = ? WHERE name LIKE '%a.jpg'", b"\x00"),
    "a subject that is none": ("UPDATE listed SET subject = ?", "[null, 99, null, null]"),
    "a subject nested without end": ("UPDATE listed SET subject = ?", "[" * 100_000),
    "a size that is a text": ("UPDATE listed SET size = ?", "large"),
    "a record that is a number": ("UPDATE measured SET record = ?", 10**12),
    "a reading that is a number": ("UPDATE judged SET reading = ?", 10**12),
    "a failure that is none": ("UPDATE trouble SET kind = ?", "tired"),
}


@pytest.mark.parametrize("what", CELLS)
def test_a_cell_of_another_kind_refuses_the_journal(out, reader, what):
    change(out, *CELLS[what])
    (out / CSV).write_text("of the run before\n")
    with pytest.raises(JournalError, match="remove it") as refused:
        judge(out, reader)
    assert "\n" not in str(refused.value)
    assert (out / CSV).read_text() == "of the run before\n"
    assert not list(out.glob(".*.part"))


def test_a_journal_with_a_page_of_noise_is_refused(out, reader, sound_journal):
    size = 4096
    at = len(sound_journal) // size // 2 * size
    for start in range(size, len(sound_journal), at):
        (out / JOURNAL).write_bytes(
            sound_journal[:start] + b"\xa5" * size + sound_journal[start + size :]
        )
        with pytest.raises(JournalError):
            judge(out, reader)


def test_a_table_that_names_itself_in_no_text_is_refused(out, reader, sound_journal):
    for word in (b"CREATE TABLE trouble", b"CREATE TABLE measured"):
        for damage in (b"CREATE TABLE \xff", b"CREATE TABLE `\n"):
            (out / JOURNAL).write_bytes(sound_journal.replace(word, damage.ljust(len(word))))
            with pytest.raises(JournalError) as refused:
                judge(out, reader)
            assert "\n" not in str(refused.value)


def test_what_is_packed_comes_back_to_the_last_bit():
    content = {"a": [0.1, 1e-320, 2**63], "b": {"é": None}}
    assert unpacked(packed(content)) == content
    assert unpacked(packed(content, ascii_only=False)) == content


@pytest.mark.parametrize(
    ("data", "told"),
    [
        ("{}", "not packed"),
        (zlib.compress(b"{}")[:-5], "cut off"),
        (_bomb(), "far too large"),
        (zlib.compress(b"[]"), "no JSON object"),
        (b"{}", "damaged"),
        (zlib.compress(b"\xff"), "damaged"),
    ],
    ids=["a text", "cut", "a bomb", "a list", "not compressed", "no text"],
)
def test_what_is_wrong_with_packed_json_is_told(data, told):
    with pytest.raises(DamagedError, match=told):
        unpacked(data)


@pytest.mark.parametrize(
    "text",
    ['"photo', 'photo\n"a.jpg', "photo,elevation_m\na.jpg," + "9" * 100_000, "photo\n" * 2 + '"a'],
)
def test_a_broken_list_is_refused_in_one_short_line(tmp_path, text):
    (tmp_path / "list.csv").write_text(text)
    with pytest.raises(SourceError) as refused:
        find_photos([str(tmp_path / "list.csv")])
    assert "\n" not in str(refused.value)
    assert len(str(refused.value)) < 500
