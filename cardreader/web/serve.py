"""Starting the server: addresses, certificates, first account, and running until stopped."""

from __future__ import annotations

import secrets
import sys
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path
from socket import socket
from threading import Thread

from sqlalchemy import func, select

from cardreader.register.accounts import add_account
from cardreader.register.database import Database
from cardreader.register.identity import host_name, own_identity
from cardreader.register.kinds import Role
from cardreader.register.models import Account
from cardreader.terminal.progress import Progress
from cardreader.web.address import own_addresses, qr_text, url_of
from cardreader.web.announce import Announcement
from cardreader.web.app import create_app
from cardreader.web.gate import Gate, raise_file_limit
from cardreader.web.hold import data_lock, server_of
from cardreader.web.listen import listen
from cardreader.web.origins import note_origins
from cardreader.web.reader import PhotoReader
from cardreader.web.settings import Settings
from cardreader.web.startpage import create_start_app
from cardreader.web.tls import LiveContext, fingerprint
from cardreader.web.whereabouts import Watch, Whereabouts

FIRST_NAME = "supervisor"
EVERYWHERE = ("0.0.0.0", "::")


def serve(
    settings: Settings,
    reader: PhotoReader | None,
    host: str,
    port: int,
    start_port: int | None,
) -> None:
    """Run until stopped. ``start_port`` None: plain HTTP on ``port``, no certificates."""
    raise_file_limit()
    with ExitStack() as stack:
        stack.enter_context(data_lock(settings.data))
        # Before anything is made or shown: a QR code for a port that is taken misleads.
        sock = stack.enter_context(listen(host, port))
        start = None
        if start_port is not None:
            settings = replace(settings, secure_cookies=True)
            start = stack.enter_context(listen(host, start_port, "--start-port"))
        app = create_app(settings, reader, progress=Progress(sys.stderr))
        with app.state.database.read() as session:
            identity = own_identity(session)
        place = Place(settings.data, sock, start, identity)
        stack.callback(place.close)
        app.state.whereabouts = place.now
        # The last that can fail: a password that is never shown lets nobody in.
        password = first_account(app.state.database)
        print(welcome(place.now(), password, settings.place_of_register), flush=True)
        watch = Watch(place.follow, place.look, stale=place.is_stale)
        watch.start()
        stack.callback(watch.stop)
        if start is not None:
            start_app = create_start_app(settings, place)
            server = server_of(start_app, Gate())
            arguments = {"sockets": [start]}
            Thread(target=server.run, kwargs=arguments, daemon=True, name="start page").start()
        server_of(app, Gate(context=place.context)).run(sockets=[sock])


class Place:
    """Where the server stands: its sockets' addresses, its name and its certificate."""

    def __init__(
        self, data: Path, sock: socket, start: socket | None, identity: str | None
    ) -> None:
        self._data = data
        bound = str(sock.getsockname()[0])
        self._fixed = None if bound in EVERYWHERE else [bound]
        self._port = int(sock.getsockname()[1])
        self._start_port = None if start is None else int(start.getsockname()[1])
        self._live = None if start is None else LiveContext(data)
        self._announcement = None
        # On this machine alone there is nobody to tell the name to.
        if identity is not None and self._fixed is None:
            self._announcement = Announcement(host_name(identity), self._port, start is not None)
        self._now: Whereabouts | None = None
        self._set(self.look())

    @property
    def context(self) -> LiveContext | None:
        """The encryption of new connections; None for plain HTTP."""
        return self._live

    @property
    def authority(self) -> Path:
        """The certificate that phones are told to trust."""
        assert self._live is not None
        assert self._live.files is not None
        return self._live.files.authority

    def look(self) -> list[str]:
        """The addresses as they are now."""
        return own_addresses() if self._fixed is None else self._fixed

    def now(self) -> Whereabouts:
        """Where the server can be reached."""
        assert self._now is not None
        return self._now

    def is_stale(self) -> bool:
        """Whether the certificate is out of date: the clock was set, or months have gone by."""
        return self._live is not None and self._live.is_stale()

    def follow(self, addresses: list[str]) -> None:
        """The addresses changed: certificate, name and what is shown change with them.

        Or the certificate is out of date: then it alone does.
        """
        before = self.now()
        self._set(addresses)
        if tuple(addresses) != before.addresses:
            print("\nThe address changed.\n" + shown(self.now()), flush=True)
        elif self.now().fingerprint != before.fingerprint:
            print("\nPhones must trust a new certificate.\n" + shown(self.now()), flush=True)

    def _set(self, addresses: list[str]) -> None:
        name: str | None = None
        taken_by: tuple[str, ...] = ()
        if self._announcement is not None:
            name = self._announcement.name if self._announcement.renew(addresses) else None
            taken_by = self._announcement.taken_by
        now = Whereabouts(
            tuple(addresses), self._port, self._start_port, name, name_taken_by=taken_by
        )
        if self._live is not None:
            files = self._live.renew(now.hosts)
            now = replace(now, fingerprint=fingerprint(files.authority))
        self._now = now
        note_origins(self._data, [now.register_url(host).rstrip("/") for host in now.hosts])

    def close(self) -> None:
        """Take the name back."""
        if self._announcement is not None:
            self._announcement.close()


def first_account(database: Database) -> str | None:
    """Make a supervisor where nobody could sign in yet; returns the password, once."""
    with database.write() as session:
        if session.scalar(select(func.count()).select_from(Account)):
            return None
        password = "-".join(secrets.token_hex(2) for _ in range(4))
        add_account(session, FIRST_NAME, Role.SUPERVISOR, password)
    return password


def welcome(where: Whereabouts, password: str | None, register: str) -> str:
    """What is shown at the start: addresses, QR code, the first password of a new ``register``."""
    lines = [shown(where)]
    if password is not None:
        lines.append("\n" + made_anew(register))
        lines.append(f"First sign-in: {FIRST_NAME}   password: {password}   (shown once)")
    lines.append("\nStop with Ctrl-C.")
    return "\n".join(lines)


def made_anew(register: str) -> str:
    """A mistyped folder must not become a new, empty register in silence."""
    return (
        f"A new register, with nobody in it, was made in {register}.\n"
        "Do you have one already? Stop, and name its folder with --data."
    )


def shown(where: Whereabouts) -> str:
    """Addresses and QR code, and how the phone's owner knows that they are this server's."""
    urls = where.shown_urls
    lines = ["Open on a phone of the same hotspot:", *(f"  {url}" for url in urls), ""]
    lines.append(qr_text(urls[0]))
    if where.name_taken_by:
        lines += [
            f"Another server on this network has this register's name: {where.name_taken_by[0]}.",
            f"This one is {where.name or 'known by its address alone'} meanwhile. Is the other's"
            " register a copy of this one, or from",
            "the same backup? Then stop the one that isn't in use: phones take both for one.",
            "",
        ]
    if where.start_port is None:
        lines.append(
            "Plain HTTP: everyone on the network can read along, and phones neither install\n"
            "the pages nor keep them for later. Good for this machine itself and for trials."
        )
        return "\n".join(lines)
    lines.append("Phones that trust the certificate already:")
    lines += [f"  {where.register_url(host)}" for host in where.hosts]
    qr_page = url_of("http", "localhost", where.start_port)
    lines.append(f"The QR code in a window, following the address: {qr_page}qr")
    if where.fingerprint is not None:
        lines.append("Certificate, SHA-256; the phone must show the same before it trusts it:")
        lines += [f"  {part}" for part in in_lines(where.fingerprint)]
    return "\n".join(lines)


def in_lines(text: str) -> list[str]:
    """A fingerprint in two lines, to be compared by eye."""
    return [text[:47], text[48:]]
