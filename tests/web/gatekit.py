"""A small application behind a gate, on a port of its own, and connections that say nothing."""

from __future__ import annotations

import socket
import ssl
import threading
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager

import uvicorn

from cardreader.web.gate import Gate, GateLimits, gated
from cardreader.web.listen import listen


async def application(scope, receive, send) -> None:
    """Says how many bytes it was sent; at /slow once it is let go, at /long at length."""
    if scope["type"] != "http":
        return
    if scope["path"] == "/slow":
        import asyncio

        begun.set()
        while not let_go.is_set():
            await asyncio.sleep(0.01)
    size, more = 0, True
    while more:
        message = await receive()
        if message["type"] == "http.disconnect":
            return
        size += len(message.get("body", b""))
        more = message.get("more_body", False)
    body = str(size).encode() if scope["path"] != "/long" else bytes(LONG)
    headers = [(b"content-length", str(len(body)).encode())]
    await send({"type": "http.response.start", "status": 200, "headers": headers})
    await send({"type": "http.response.body", "body": body})


LONG = 30_000_000
"""Bytes: more than both ends of a connection hold for who doesn't take them."""
let_go = threading.Event()
begun = threading.Event()
"""That /slow is being answered."""


@contextmanager
def gated_port(limits: GateLimits, context: ssl.SSLContext | None = None) -> Iterator[int]:
    """The port of a running server with these limits."""
    let_go.clear()
    begun.clear()
    sock = listen("0.0.0.0", 0)
    gate = Gate(limits, None if context is None else lambda: context)
    config = uvicorn.Config(
        application, http=gated(gate), ws="none", lifespan="off", log_level="critical"
    )
    server = uvicorn.Server(config)
    thread = threading.Thread(target=server.run, kwargs={"sockets": [sock]}, daemon=True)
    thread.start()
    while not server.started:
        time.sleep(0.01)
    try:
        yield int(sock.getsockname()[1])
    finally:
        let_go.set()
        server.should_exit = server.force_exit = True
        thread.join(20)
        sock.close()


@contextmanager
def held(port: int, count: int, said: bytes = b"", source: str = "127.0.0.1") -> Iterator[list]:
    """Connections that are opened, say a little, and then nothing."""
    with ExitStack() as stack:
        sockets = []
        for _ in range(count):
            sock = stack.enter_context(
                socket.create_connection(("127.0.0.1", port), 20, (source, 0))
            )
            if said:
                sock.sendall(said)
            sockets.append(sock)
        yield sockets


def asked(port: int, path: str = "/", source: str = "127.0.0.1", body: bytes = b"") -> bytes:
    """The whole answer to one request, from a chosen address of this machine."""
    with socket.create_connection(("127.0.0.1", port), 20, (source, 0)) as sock:
        head = f"POST {path} HTTP/1.1\r\nHost: x\r\nConnection: close\r\n"
        sock.sendall(head.encode() + f"Content-Length: {len(body)}\r\n\r\n".encode() + body)
        return read_all(sock)


def read_all(sock: socket.socket) -> bytes:
    """What comes until the other side closes; nothing when it breaks off."""
    parts = []
    try:
        while part := sock.recv(65536):
            parts.append(part)
    except ConnectionError:
        pass
    return b"".join(parts)
