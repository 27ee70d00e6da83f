"""Writing files so that nobody ever finds half of one."""

from __future__ import annotations

import os
import shutil
import signal
import tempfile
import threading
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO

PRIVATE = 0o600
"""Mode of a file that nobody but its owner may read."""


def write_atomic(path: Path | str, data: bytes | str, mode: int | None = None) -> None:
    """Write a whole file, or leave what was there; text is UTF-8.

    ``mode`` as `open_atomic` takes it. Raises OSError as writing a file does.
    """
    with open_atomic(path, mode) as stream:
        stream.write(data.encode("utf-8") if isinstance(data, str) else data)


@contextmanager
def open_atomic(path: Path | str, mode: int | None = None) -> Iterator[BinaryIO]:
    """A stream whose bytes become the file when the block ends, and not before.

    The data goes to a temporary file in the same folder, reaches the disk, and
    takes the name only then; an exception leaves what was there. ``mode`` is that
    of the file, as other programs' files when None; until it is whole only its
    owner may read it.
    """
    path = Path(path)
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.", suffix=".part")
    try:
        with os.fdopen(handle, "wb") as stream:
            yield stream
            stream.flush()
            os.fsync(stream.fileno())
        os.chmod(name, 0o666 & ~_umask() if mode is None else mode)
        move_into_place(Path(name), path)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise


def write_folder(folder: Path, content: Mapping[str, bytes]) -> None:
    """Write a folder of files: all of them, or what was there stays.

    Raises OSError as writing a file does.
    """
    new = Path(tempfile.mkdtemp(prefix=f".{folder.name}.", suffix=".part", dir=folder.parent))
    old: Path | None = None
    try:
        for name, data in content.items():
            write_atomic(new / name, data)
        new.chmod(0o777 & ~_umask())  # mkdtemp shuts other users out
        if folder.exists():
            # Two renames: for an instant there is none, but never a mixture of both.
            old = Path(
                tempfile.mkdtemp(prefix=f".{folder.name}.", suffix=".old", dir=folder.parent)
            )
            os.rename(folder, old / folder.name)
            os.rename(new, folder)
        else:
            os.rename(new, folder)
        _sync_folder(folder.parent)
    except BaseException:
        if old is not None and not folder.exists() and (old / folder.name).exists():
            os.rename(old / folder.name, folder)  # stopped between the two
        shutil.rmtree(new, ignore_errors=True)
        raise
    finally:
        if old is not None and folder.exists():
            shutil.rmtree(old, ignore_errors=True)


@contextmanager
def too_late_to_stop() -> Iterator[None]:
    """Around steps that belong together and take an instant: Ctrl-C does nothing in between."""
    if threading.current_thread() is not threading.main_thread():
        yield  # only the main thread is ever interrupted
        return
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)


def move_into_place(source: Path, target: Path) -> None:
    """Give a finished file its name, in place of what had it, so that a power cut leaves it so."""
    os.replace(source, target)
    _sync_folder(target.parent)


def _sync_folder(folder: Path) -> None:
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask
