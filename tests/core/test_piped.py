"""Files and pipes: what is written to a pipe is read, and nobody waits for ever for the rest."""

from __future__ import annotations

import os
import threading
import time
from pathlib import Path

import pytest

from cardreader.core import piped
from cardreader.core.piped import read_at_most


@pytest.fixture
def pipe(tmp_path: Path) -> Path:
    os.mkfifo(tmp_path / "photo.jpg")
    return tmp_path / "photo.jpg"


def test_a_file_up_to_so_much(tmp_path: Path) -> None:
    (tmp_path / "file").write_bytes(b"0123456789")
    assert read_at_most(tmp_path / "file", 20) == b"0123456789"
    assert read_at_most(tmp_path / "file", 4) == b"0123"
    with pytest.raises(FileNotFoundError):
        read_at_most(tmp_path / "other", 4)


@pytest.mark.parametrize("most", [10_000_000, 300_000])
def test_a_pipe_that_is_written_slowly(pipe: Path, most: int) -> None:
    content = bytes(range(256)) * 1500

    def write() -> None:
        time.sleep(0.05)
        with pipe.open("wb", buffering=0) as stream:
            try:
                for at in range(0, len(content), 100_000):
                    stream.write(content[at : at + 100_000])
                    time.sleep(0.02)
            except BrokenPipeError:
                pass  # who reads has enough

    writer = threading.Thread(target=write)
    writer.start()
    assert read_at_most(pipe, most) == content[:most]
    writer.join()


def test_a_pipe_to_which_nobody_writes_is_told(pipe: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(piped, "PATIENCE_S", 0.05)
    with pytest.raises(TimeoutError, match="it is a pipe, and nothing came from it"):
        read_at_most(pipe, 10)


def test_a_pipe_that_stops_half_way_is_told(pipe: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(piped, "PATIENCE_S", 0.05)
    end = os.open(pipe, os.O_RDWR)
    os.write(end, b"half")
    with pytest.raises(TimeoutError):
        read_at_most(pipe, 10)
    os.close(end)


def test_an_open_pipe_is_read_by_its_descriptor() -> None:
    """As a shell's <(...) gives it."""
    out, into = os.pipe()
    os.write(into, b"photo")
    os.close(into)
    assert read_at_most(f"/dev/fd/{out}", 10) == b"photo"
    os.close(out)
