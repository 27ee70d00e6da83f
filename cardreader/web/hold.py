"""Holding a data folder, and how this project's servers are run."""

from __future__ import annotations

import fcntl
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import uvicorn
from starlette.types import ASGIApp

from cardreader.web.gate import Gate, gated
from cardreader.web.listen import ServeError


@contextmanager
def data_lock(data: Path) -> Iterator[None]:
    """Hold a data folder: one server, or one restore, at a time.

    The system lets go with the process, however that ends. What fails before it wrote anything
    leaves no folder where there was none: it would look like a register's.
    """
    made = [folder for folder in (data, *data.parents) if not folder.exists()]
    data.mkdir(mode=0o700, parents=True, exist_ok=True)
    lock = data / "serve.lock"
    with lock.open("w") as file:
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            raise ServeError(f"a server is running on {data}; stop it first") from None
        try:
            yield
        except BaseException:
            with suppress(OSError):
                if made and list(data.iterdir()) == [lock]:
                    lock.unlink()
                    for folder in made:
                        folder.rmdir()
            raise


def server_of(app: ASGIApp, gate: Gate) -> uvicorn.Server:
    """A server of the application behind a gate."""
    return uvicorn.Server(
        uvicorn.Config(
            app,
            http=gated(gate),
            ws="none",
            log_level="warning",
            access_log=False,  # addresses of pages hold ids of women
            server_header=False,
            proxy_headers=False,
            timeout_keep_alive=15,
        )
    )
