"""Writing files so that nobody ever finds half of one."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path


def write_atomic(path: Path | str, data: bytes | str) -> None:
    """Write a whole file, or leave what was there; text is UTF-8.

    The data goes to a temporary file in the same folder, reaches the disk, and
    takes the name only then. Raises OSError as writing a file does.
    """
    path = Path(path)
    data = data.encode("utf-8") if isinstance(data, str) else data
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.", suffix=".part")
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(data)
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
