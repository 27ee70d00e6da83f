"""The server on the phone itself, for this phone alone.

It listens on the phone's own address only. Browsers trust that address without any
encryption, so the pages install, keep photos and use the camera. No network, no certificate.
"""

from __future__ import annotations

import secrets
import shutil
import subprocess
from contextlib import ExitStack, suppress
from pathlib import Path
from threading import Thread
from typing import TYPE_CHECKING

from sqlalchemy import func, select

from cardreader.register.database import Database
from cardreader.register.models import Account
from cardreader.web.app import create_app
from cardreader.web.gate import Gate
from cardreader.web.hold import data_lock, server_of
from cardreader.web.later import after_first_answer
from cardreader.web.laterreader import LaterReader
from cardreader.web.listen import listen
from cardreader.web.settings import Settings

if TYPE_CHECKING:
    from cardreader.web.reader import PhotoReader

HERE = "127.0.0.1"
OPENERS = (
    "termux-open-url",
    "/data/data/com.termux/files/usr/bin/termux-open-url",
    "xdg-open",
    "open",
)
"""Programs that open an address in the phone's or the machine's browser; the first there is."""


def serve_here(
    settings: Settings, reader: PhotoReader | None, port: int, open_it: bool = True
) -> None:
    """Run until stopped or killed. ServeError says why it can't be started."""
    with ExitStack() as stack:
        stack.enter_context(data_lock(settings.data))
        sock = stack.enter_context(listen(HERE, port))
        app = create_app(settings, reader, later=True)
        url = f"http://{HERE}:{sock.getsockname()[1]}/"
        first = nobody_yet(app.state.database)
        if first:
            app.state.first_token = secrets.token_urlsafe(16)
            url += f"first?token={app.state.first_token}"
        print(welcome(url, first, settings.place_of_register), flush=True)
        if open_it:
            open_page(url)  # it listens already: the page waits until the server is up
        loads = [app.state.rest.now]
        if isinstance(reader, LaterReader):
            loads.append(reader.now)
        server_of(after_first_answer(app, *loads), Gate()).run(sockets=[sock])


def nobody_yet(database: Database) -> bool:
    """Whether nobody could sign in yet."""
    # Asked of the table: asked of accounts, the mapping of every table would be worked out.
    with database.read() as session:
        return not session.scalar(select(func.count()).select_from(Account.__table__))


def welcome(url: str, first: bool, register: str) -> str:
    """What is shown at the start."""
    lines = [f"The register on this phone: {url}"]
    if first:
        lines.append(
            f"A new register, with nobody in it, lies in {register}.\n"
            "First start: choose a name and a PIN on that page. Only this address lets you."
        )
    lines.append("Stop with Ctrl-C.")
    return "\n".join(lines)


def open_page(url: str) -> bool:
    """Open the browser, if there is a program for it; whether there was."""
    for opener in OPENERS:
        if shutil.which(opener) or (opener.startswith("/") and Path(opener).exists()):
            # Some openers stay as long as the browser does.
            Thread(target=_run, args=(opener, url), daemon=True, name="opener").start()
            return True
    return False


def _run(opener: str, url: str) -> None:
    quiet = subprocess.DEVNULL
    with suppress(OSError):
        subprocess.run([opener, url], stdin=quiet, stdout=quiet, stderr=quiet, check=False)
