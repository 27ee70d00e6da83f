"""Taking the ports before anything is shown: a QR code for a port that is taken misleads."""

from __future__ import annotations

import errno
import socket


class ServeError(Exception):
    """The server can't be started; one line says why and what to do."""


def listen(host: str, port: int, option: str = "--port") -> socket.socket:
    """A socket that listens on the address. ServeError says what is wrong with it.

    ``host`` is a number, a name of this machine, or ``0.0.0.0`` for all its addresses;
    ``option`` is what sets the port, for the words.
    """
    if host.startswith("[") and host.endswith("]"):
        host = host[1:-1]  # as a page's address has it
    if not 0 <= port <= 65535:
        raise ServeError(f"{option} {port}: a port is a number from 1 to 65535")
    try:
        found = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE)
    except (OSError, UnicodeError):
        raise ServeError(
            f"--host {host}: this is no address and no name that this machine knows; "
            "leave --host out to listen on all its addresses"
        ) from None
    # Of a name's addresses the IPv4 one: phones are shown numbers.
    family, _, _, _, address = min(found, key=lambda f: f[0] != socket.AF_INET)
    sock = socket.socket(family, socket.SOCK_STREAM)
    try:
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        sock.bind(address)
        sock.listen(256)
    except OSError as error:
        sock.close()
        raise ServeError(_words(error, host, port, option)) from None
    sock.setblocking(False)
    return sock


def _words(error: OSError, host: str, port: int, option: str) -> str:
    match error.errno:
        case errno.EADDRINUSE:
            return (
                f"port {port} is taken by another program: stop it, or choose another with {option}"
            )
        case errno.EADDRNOTAVAIL:
            return (
                f"--host {host}: this machine doesn't have that address now; "
                "leave --host out to listen on all its addresses"
            )
        case errno.EACCES:
            return f"port {port} is kept for the system: choose one above 1023 with {option}"
    return f"can't listen on {host}, port {port}: {error.strerror or error}"
