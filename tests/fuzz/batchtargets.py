"""What a batch reads besides photos: lists of them, and the journal of an earlier run."""

from __future__ import annotations

import json
import random
import sqlite3
import tempfile
import zlib
from contextlib import closing, suppress
from functools import cache
from pathlib import Path

from mutate import mutate_bytes, mutate_text
from mutatejson import encode, mutate_json
from pyarrow import parquet
from seeds import card_photos, reader
from target import Target, bad, one_line, sound_json

from cardreader.batch import run, workers
from cardreader.batch.blots import find_photos
from cardreader.batch.journal import Journal
from cardreader.batch.journalfile import JournalError
from cardreader.batch.score import Job, Task, score
from cardreader.batch.sources import SourceError
from cardreader.decide.subject import Smoking, Subject
from cardreader.terminal.progress import Progress

# --- lists -----------------------------------------------------------------------------

_LISTS = (
    "photos/a.jpg\nphotos/b.png\n# a remark\n\ns3://bucket/c.jpg\n",
    "photo,phone,light,trimester,gestation_weeks,elevation_m,smoking\n"
    "photos/a.jpg,Phone 1,daylight,2,,1200,none\n"
    'photos/b.png,"Phone, 2",tube,,31,,under-10\n'
    "s3://bucket/c.jpg,,,,,,\n",
)


def _list_case(rng: random.Random) -> bytes:
    kind = rng.randrange(2)
    data = mutate_text(_LISTS[kind], _LISTS, rng).encode("utf-8", "surrogatepass")
    if rng.random() < 0.1:
        data = mutate_bytes(data or b"\n", (data or b"\n",), rng)
    return bytes([kind]) + data


def _list(data: bytes) -> str:
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / ("list.csv" if data[0] else "list.txt")
        path.write_bytes(data[1:])
        try:
            photos = find_photos([str(path)])
        except SourceError as error:
            return one_line(error)
        with Journal(Path(name) / "journal.sqlite") as journal:
            journal.photos.replace(photos)
            if list(journal.photos) != photos:
                bad("a list that the journal gives back otherwise")
    return "listed" if photos else "empty"


# --- journals ----------------------------------------------------------------------------


def _here(tasks, job, _workers, _timeout_s):
    """Photos judged in this process: starting others takes longer than judging."""
    return (score(task, job) for task in tasks)


@cache
def _journal() -> bytes:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        photos = [*card_photos(), b"no photo"]
        for number, photo in enumerate(photos):
            (folder / f"{number}.jpg").write_bytes(photo)
        (folder / "list.txt").write_text("0.jpg\n1.jpg\n2.jpg\nmissing.jpg\n")
        subject = Subject(gestation_weeks=20, elevation_m=900.0, smoking=Smoking.NONE)
        found = find_photos([str(folder / "list.txt")], subject)
        job = Job(reader())
        with Journal(folder / "journal.sqlite") as journal:
            journal.photos.replace(found)
            for photo in found:
                journal.add(score(Task(photo.name, photo.subject), job), photo, job)
        return (folder / "journal.sqlite").read_bytes()


def _journal_case(rng: random.Random) -> bytes:
    whole = _journal()
    if rng.random() < 0.3:
        return mutate_bytes(whole, (whole,), rng)
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "journal.sqlite"
        path.write_bytes(whole)
        with closing(sqlite3.connect(path)) as db:
            for _ in range(rng.choice((1, 1, 2))):
                _change_cell(db, rng)
            if rng.random() < 0.5:  # so that the records are judged again
                db.execute("DELETE FROM judged")
            db.commit()
        return path.read_bytes()


_TABLES = {
    "listed": ("name", "stamp", "subject", "phone", "light", "size"),
    "content": ("name", "stamp", "sha256"),
    "measured": ("sha256", "version", "lot_number", "lot_key", "record"),
    "judged": ("sha256", "judge_key", "reading"),
    "trouble": ("name", "sha256", "version", "kind", "detail"),
}
_CELLS = (
    None, 0, -1, 2**62, 1.5, float("inf"), "", "NaN", "a\nb", "\u202e", "x" * 100_000, "[1,2]", b"",
    b"\x00\xff", b"x" * 1000, "[null, 99, null, null]", '[null, null, NaN, "none"]', "[" * 5000,
    "crashed", "photo.jpg", "/nowhere/photo.jpg",
)  # fmt: skip


def _change_cell(db: sqlite3.Connection, rng: random.Random) -> None:
    packed = rng.random() < 0.6
    if packed:
        table, column = rng.choice((("measured", "record"), ("judged", "reading")))
    else:
        table = rng.choice(list(_TABLES))
        column = rng.choice(_TABLES[table])
    keys = _TABLES[table][:2]
    rows = db.execute(f"SELECT {', '.join(keys)}, {column} FROM {table}").fetchall()
    if not rows:
        return
    *key, old = rng.choice(rows)
    new = _repacked(old, rng) if packed else rng.choice(_CELLS)
    where = " AND ".join(f"{name} IS ?" for name in keys)
    with suppress(sqlite3.IntegrityError):  # such a cell can't be in such a table
        db.execute(f"UPDATE {table} SET {column} = ? WHERE {where}", (new, *key))


def _repacked(old: bytes, rng: random.Random) -> bytes:
    if rng.random() < 0.15:
        return rng.choice((mutate_bytes(old, (old,), rng), _bomb(), zlib.compress(b"[" * 5000)))
    try:
        content = json.loads(zlib.decompress(old))
    except (ValueError, RecursionError, zlib.error):  # changed before
        return old
    return zlib.compress(encode(mutate_json(content, rng)), 1)


@cache
def _bomb() -> bytes:
    return zlib.compress(bytes(300_000_000), 1)


def _judge_anew(data: bytes) -> str:
    """Judge an earlier run's photos anew, as ``cardreader batch --out`` without a source does."""
    with tempfile.TemporaryDirectory() as name:
        out = Path(name)
        (out / run.JOURNAL).write_bytes(data)
        (out / run.CSV).write_text("of the run before\n")
        settings = run.Settings(out, summary=zlib.crc32(data) % 40 == 0)
        ours, workers.run_here = workers.run_here, _here
        try:
            counts = run.run_batch(None, reader(), settings, Progress())
        except JournalError as error:
            if (out / run.CSV).read_text() != "of the run before\n":
                bad(f"refused ({error}), and yet the table is another")
            return one_line(error)
        finally:
            workers.run_here = ours
            if parts := [path.name for path in out.glob(".*.part")]:
                bad(f"half-written files are left: {parts}")
        _check_tables(out, counts)
    return f"{counts.read} read, {counts.refused} refused, {counts.failed} failed"


def _check_tables(out: Path, counts: run.Counts) -> None:
    lines = [sound_json(line) for line in (out / run.LINES).read_text("utf-8").splitlines()]
    table = parquet.read_table(out / run.PARQUET)
    if not len(lines) == table.num_rows == counts.photos:
        bad(f"{len(lines)} lines, {table.num_rows} rows, {counts.photos} photos")
    for value in table.column("hb_g_dl").to_pylist():
        if value is not None and not 0 < value < 50:
            bad(f"a reading of {value} g/dL")
    sound_json((out / run.ABOUT).read_text("utf-8"))


TARGETS = (
    Target("lists of photos (TXT, CSV)", _list_case, _list, 0.04),
    Target("journals of a batch (SQLite)", _journal_case, _judge_anew, 0.03),
)
