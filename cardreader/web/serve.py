"""Starting the server: addresses, certificates, first account, and running until stopped."""

from __future__ import annotations

import datetime as dt
import fcntl
import secrets
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import uvicorn
from fastapi import FastAPI
from sqlalchemy import func, select

from cardreader.register.accounts import add_account
from cardreader.register.database import Database
from cardreader.register.models import Account, Role
from cardreader.web.address import own_addresses, qr_text
from cardreader.web.app import create_app
from cardreader.web.reader import PhotoReader
from cardreader.web.settings import Settings
from cardreader.web.startpage import create_start_app
from cardreader.web.tls import certificates

FIRST_NAME = "supervisor"


class ServeError(Exception):
    """The server can't be started; one line says why."""


@contextmanager
def data_lock(data: Path) -> Iterator[None]:
    """Hold a data folder: one server, or one restore, at a time."""
    data.mkdir(mode=0o700, parents=True, exist_ok=True)
    with (data / "serve.lock").open("w") as file:
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            raise ServeError(f"a server is running on {data}; stop it first") from None
        yield


def serve(
    settings: Settings,
    reader: PhotoReader | None,
    host: str,
    port: int,
    start_port: int | None,
) -> None:
    """Run until stopped. ``start_port`` None: plain HTTP on ``port``, no certificates."""
    addresses = own_addresses() if host == "0.0.0.0" else [host]
    with data_lock(settings.data):
        if start_port is None:
            app = create_app(settings, reader)
            options = {}
        else:
            settings = replace(settings, secure_cookies=True)
            app = create_app(settings, reader)
            files = certificates(settings.data, addresses, dt.datetime.now(dt.UTC))
            options = {"ssl_certfile": str(files.chain), "ssl_keyfile": str(files.key)}
            _in_background(create_start_app(settings, files, port), host, start_port)
        password = first_account(app.state.database)
        print(welcome(addresses, port, start_port, password), flush=True)
        uvicorn.Server(_config(app, host, port, **options)).run()


def first_account(database: Database) -> str | None:
    """Make a supervisor where nobody could sign in yet; returns the password, once."""
    with database.write() as session:
        if session.scalar(select(func.count()).select_from(Account)):
            return None
        password = "-".join(secrets.token_hex(2) for _ in range(4))
        add_account(session, FIRST_NAME, Role.SUPERVISOR, password)
    return password


def welcome(addresses: list[str], port: int, start_port: int | None, password: str | None) -> str:
    """What is shown at the start: addresses, QR code, the first password."""
    scheme, shown_port = ("http", port) if start_port is None else ("http", start_port)
    urls = [f"{scheme}://{address}:{shown_port}/" for address in addresses or ["localhost"]]
    lines = ["Open on a phone of the same hotspot:", *(f"  {url}" for url in urls), ""]
    lines.append(qr_text(urls[0]))
    if start_port is None:
        lines.append(
            "Plain HTTP: everyone on the network can read along, and phones neither install\n"
            "the pages nor keep them for later. Good for this machine itself and for trials."
        )
    else:
        lines.append(f"Phones that trust the certificate already: https://...:{port}/")
    if password is not None:
        lines.append(f"\nFirst sign-in: {FIRST_NAME}   password: {password}   (shown once)")
    lines.append("\nStop with Ctrl-C.")
    return "\n".join(lines)


def _in_background(app: FastAPI, host: str, port: int) -> None:
    server = uvicorn.Server(_config(app, host, port))
    threading.Thread(target=server.run, daemon=True, name="start page").start()


def _config(app: FastAPI, host: str, port: int, **options: str) -> uvicorn.Config:
    return uvicorn.Config(
        app,
        host=host,
        port=port,
        log_level="warning",
        access_log=False,  # addresses of pages hold ids of women
        server_header=False,
        proxy_headers=False,
        timeout_keep_alive=15,
        limit_concurrency=100,
        **options,  # type: ignore[arg-type]
    )
