"""Writing files so that nobody ever finds half of one."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO


def write_atomic(path: Path | str, data: bytes | str) -> None:
    """Write a whole file, or leave what was there; text is UTF-8.

    Raises OSError as writing a file does.
    """
    with open_atomic(path) as stream:
        stream.write(data.encode("utf-8") if isinstance(data, str) else data)


@contextmanager
def open_atomic(path: Path | str) -> Iterator[BinaryIO]:
    """A stream whose bytes become the file when the block ends, and not before.

    The data goes to a temporary file in the same folder, reaches the disk, and
    takes the name only then; an exception leaves what was there.
    """
    path = Path(path)
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.", suffix=".part")
    try:
        with os.fdopen(handle, "wb") as stream:
            yield stream
            stream.flush()
            os.fsync(stream.fileno())
        os.chmod(name, 0o666 & ~_umask())  # mkstemp's 0600 would shut other users out
        os.replace(name, path)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask
