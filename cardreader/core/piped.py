"""Reading a file that may be a pipe: one to which nobody writes would be waited for for ever."""

from __future__ import annotations

import errno
import os
import select
import stat
from pathlib import Path

PATIENCE_S = 60.0
"""How long a pipe may give nothing: a photo that another program fetches comes sooner."""


def read_at_most(path: str | bytes | Path, most: int) -> bytes:
    """The first ``most`` bytes of a file or pipe.

    OSError where it can't be read; a TimeoutError where a pipe gives nothing for `PATIENCE_S`.
    """
    if stat.S_ISFIFO(os.stat(path).st_mode):
        return _from_pipe(path, most)
    with open(path, "rb") as stream:
        return stream.read(most)


def _from_pipe(path: str | bytes | Path, most: int) -> bytes:
    # Opened to wait, it would wait for whoever writes before there is anything to time.
    pipe = os.open(path, os.O_RDONLY | os.O_NONBLOCK)
    try:
        parts, left = [], most
        while left:
            if not select.select([pipe], [], [], PATIENCE_S)[0]:
                why = f"it is a pipe, and nothing came from it for {PATIENCE_S:.0f} seconds"
                raise TimeoutError(errno.ETIMEDOUT, why)
            part = os.read(pipe, min(left, 1 << 16))
            if not part:
                break
            parts.append(part)
            left -= len(part)
        return b"".join(parts)
    finally:
        os.close(pipe)
