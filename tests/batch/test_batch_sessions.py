"""Sessions of a batch whose readings as a whole lie off; the values are invented."""

from __future__ import annotations

import json
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from batchrig import ROOT, batch, rows, variant
from scipy import stats

from cardreader.batch.sessions import SessionOff, Sessions, session_words, what_follows

WOMEN_SD, READING_SD, BETWEEN_SD = 1.6, 0.65, 0.4


def session(
    rng: np.random.Generator, folder: str, day: int, women: int = 12, off: float = 0.0
) -> Iterator[dict[str, Any]]:
    mean = 10.4 + off + rng.normal(0, BETWEEN_SD)
    for k, hb in enumerate(mean + rng.normal(0, np.hypot(WOMEN_SD, READING_SD), women)):
        taken = f"2026-10-{day:02d}T09:{k:02d}:00"
        yield {"photo": f"{folder}/{day}-{k}.jpg", "taken": taken, "hb_g_dl": float(hb)}


def found(*sessions: Iterator[dict[str, Any]]) -> tuple[SessionOff, ...]:
    counted = Sessions()
    for rows_of_one in sessions:
        for row in rows_of_one:
            counted.add(row, unlikely=row["hb_g_dl"] > 11)
    return counted.off()


def usual(rng: np.random.Generator, days: int = 8) -> list[Iterator[dict[str, Any]]]:
    return [session(rng, "hill" if day % 2 else "river", day) for day in range(1, days + 1)]


@pytest.mark.parametrize("off", [4.5, -4.0])
def test_a_session_on_other_paper_is_found(off: float) -> None:
    rng = np.random.default_rng(662001)
    for _ in range(30):
        (one,) = found(*usual(rng), session(rng, "hill", 20, off=off))
        assert one.name == "hill, 2026-10-20"
        assert one.read == 12
        assert one.shift_g_dl == pytest.approx(off, abs=2.5)
        assert (one.doubted > 0) == (off > 0)


def test_ordinary_sessions_are_hardly_ever_named() -> None:
    rng = np.random.default_rng(662002)
    named = sum(len(found(*usual(rng, 9))) for _ in range(100))
    # Were all as supposed, one in 370.
    assert named <= stats.binom.ppf(0.999, 900, stats.norm.sf(3) * 2)


def test_a_few_photos_or_a_batch_of_one_session_say_nothing() -> None:
    rng = np.random.default_rng(662003)
    assert found(*usual(rng), session(rng, "hill", 20, women=5, off=5.0)) == ()
    assert found(session(rng, "hill", 1, women=40), session(rng, "hill", 2, off=5.0)) == ()
    assert found() == ()


def test_photos_of_one_folder_without_a_day_are_one_session() -> None:
    rng = np.random.default_rng(662004)
    away = [row | {"taken": None} for row in session(rng, "market", 20, off=5.0)]
    (one,) = found(*usual(rng), iter(away))
    assert one.name == "market"


def test_words_tell_what_to_do() -> None:
    high, low = SessionOff("hill", 12, 4.52, 9), SessionOff("hill\n", 12, -3.0, 9)
    assert "hill: its 12 readings lie about 4.5 g/dL higher" in session_words(high)
    assert "send all of them for a blood test, the 9 of whom anaemia seems" in what_follows(high)
    assert "\n" not in session_words(low)
    assert "find the cause" in what_follows(low)


@cache
def without_day(photo: Path) -> bytes:
    """Sample photos are each of another day."""
    pixels = cv2.imread(str(photo))
    return cv2.imencode(".jpg", pixels, [cv2.IMWRITE_JPEG_QUALITY, 95])[1].tobytes()


def test_the_command_and_its_files_name_the_session(tmp_path: Path) -> None:
    """Three sessions of sample photos; in one all women read as if nobody was anaemic."""
    good = ROOT / "sample_images" / "good"
    chosen = {
        "hill": ("moderate-8.3", "moderate-9.2", "mild-10.4", "mild-10.8"),
        "river": ("moderate-8.3", "moderate-9.2", "mild-10.4", "mild-10.8"),
        "market": ("above-14.6", "above-16.4"),
    }
    for folder, names in chosen.items():
        (tmp_path / "photos" / folder).mkdir(parents=True)
        for k in range(12 if folder != "market" else 6):
            (sample,) = good.glob(f"{names[k % len(names)]}-*.jpg")
            data = variant(without_day(sample), 100 * len(folder) + k)
            (tmp_path / "photos" / folder / f"{k}.jpg").write_bytes(data)
    out = tmp_path / "out"
    done = batch(tmp_path / "photos", "--out", out, "--workers", "2")
    assert done.returncode == 0
    assert "market: its 6 readings lie about" in done.stdout + done.stderr
    (off,) = json.loads((out / "run.json").read_text())["sessions_off"]
    assert off["session"].endswith("photos/market")
    assert (off["read"], off["anaemia_unlikely_doubted"]) == (6, 6)
    page = (out / "summary.html").read_text()
    assert "g/dL higher than the other sessions" in page
    assert "their whole session lies too high</td><td>6</td>" in page
    # What a photo says by itself stays as any other way of reading it says it.
    unlikely = [row for row in rows(out) if row["outcome"] == "not_anaemic"]
    assert {"market" in row["photo"] for row in unlikely} == {True}
