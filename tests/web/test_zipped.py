"""Files to download as one, whatever the clock shows."""

from __future__ import annotations

import datetime as dt
import io
import zipfile

import pytest

from cardreader.web.zipped import zipped

FILES = {"study.csv": "photo\n", "measured.jsonl": "é" * 5000}


@pytest.mark.parametrize("year", [1970, 1979, 1980, 2026])
def test_it_is_written_by_any_clock(year: int) -> None:
    data = zipped(FILES, dt.datetime(year, 6, 1, 12, 30))
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        assert {name: archive.read(name).decode() for name in archive.namelist()} == FILES
        assert {info.date_time[0] for info in archive.infolist()} == {max(year, 1980)}
        assert all(info.external_attr >> 16 == 0o600 for info in archive.infolist())
    assert len(data) < 2000, "packed"
