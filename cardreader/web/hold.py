"""Holding a data folder, and how this project's servers are run."""

from __future__ import annotations

import fcntl
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import uvicorn
from starlette.types import ASGIApp

from cardreader.web.gate import Gate, gated
from cardreader.web.listen import ServeError


@contextmanager
def data_lock(data: Path) -> Iterator[None]:
    """Hold a data folder: one server, or one restore, at a time.

    The system lets go with the process, however that ends.
    """
    data.mkdir(mode=0o700, parents=True, exist_ok=True)
    with (data / "serve.lock").open("w") as file:
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            raise ServeError(f"a server is running on {data}; stop it first") from None
        yield


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
