"""Running the batch as a person does, and looking at what it wrote."""

from __future__ import annotations

import csv
import sqlite3
import subprocess
import sys
import time
from datetime import date
from pathlib import Path
from typing import Any

from inprocess import run_cardreader

ROOT = Path(__file__).parents[2]
TODAY = date(2026, 11, 1)
LOT, OTHER_LOT = 27001, 27002
TABLES = ("results.csv", "results.jsonl", "results.parquet", "run.json", "datapackage.json")


def variant(photo: bytes, number: int) -> bytes:
    """The same picture in a file of its own content: phones too append data after the end."""
    return photo + b"%06d" % number


def fill(root: Path, photo: bytes, bad_files: dict[str, bytes]) -> Path:
    """Six photos of a card, one of them twice, and five files that can't be read."""
    (root / "day 1" / "evening").mkdir(parents=True)
    for i in range(5):
        (root / "day 1" / f"blot-{i}.jpg").write_bytes(variant(photo, i))
    (root / "day 1" / "evening" / "again.JPG").write_bytes(variant(photo, 0))
    for name, data in bad_files.items():
        (root / name.split(":")[0]).write_bytes(data)
    (root / "notes.txt").write_text("not a photo, and not named like one\n")
    (root / ".hidden.jpg").write_bytes(b"hidden")
    return root


def command(*words: str | Path, today: str = "2026-11-01") -> list[str]:
    return [sys.executable, "-m", "cardreader", "batch", *map(str, words), "--today", today]


def batch(*words: str | Path, today: str = "2026-11-01") -> subprocess.CompletedProcess[str]:
    """A run in this process, with workers of its own."""
    return run_cardreader("batch", *words, "--today", today)


def batch_apart(*words: str | Path, today: str = "2026-11-01") -> subprocess.CompletedProcess[str]:
    """A run as a person starts it, as a process of its own."""
    return subprocess.run(
        command(*words, today=today), capture_output=True, text=True, cwd=ROOT, timeout=120
    )


def rows(out: Path) -> list[dict[str, str]]:
    with (out / "results.csv").open(newline="", encoding="utf-8") as stream:
        return list(csv.DictReader(stream))


def contents(out: Path) -> dict[str, bytes]:
    return {name: (out / name).read_bytes() for name in TABLES}


def journal_counts(out: Path) -> dict[str, int]:
    """Rows of the journal's tables; a journal not made yet has none."""
    if not (out / "journal.sqlite").is_file():
        return {"measured": 0, "judged": 0}
    db = sqlite3.connect(out / "journal.sqlite")
    try:
        return {
            name: db.execute(f"SELECT count(*) FROM {name}").fetchone()[0]
            for name in ("measured", "judged")
        }
    except sqlite3.OperationalError:
        return {"measured": 0, "judged": 0}
    finally:
        db.close()


def wait_for_results(out: Path, run: subprocess.Popen[Any]) -> None:
    """Until the run's first results are on disk, or it is over: the run is in its middle."""
    journal = out / "journal.sqlite-wal"
    # Its tables and a list of 40 photos take 46 kB there, the first commit 20 more, each further
    # one over 100: what lies beyond it is written once the first is on disk.
    while run.poll() is None:
        if journal.exists() and journal.stat().st_size > 100_000:
            return
        time.sleep(0.005)
