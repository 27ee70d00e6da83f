"""Meetings over HTTP: what a host answers, and how a guest reaches it.

The messages are sealed by themselves (`cardreader.register.meet`); an address's certificate
is that of an authority which the other register can't know, so it isn't looked at. What
somebody in between could do is break the meeting off.
"""

from __future__ import annotations

import http.client
import json
import logging
import ssl
import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from urllib.parse import urlsplit

from fastapi import APIRouter, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import JSONResponse, Response

from cardreader.register.meet.code import PIECE_BYTES
from cardreader.register.meet.course import OVER, Course, Standing
from cardreader.register.meet.guest import Guest, LinkError
from cardreader.register.meet.host import Host
from cardreader.register.meet.side import Side
from cardreader.register.meet.snags import MeetError, Snag, told_by_other

PATH = "/api/meeting/"
LIMIT_BYTES = PIECE_BYTES + 64 * 1024
"""Of a message: a piece of a file, and what is said with it."""
PORT = 8443
TIMEOUT_S = 30.0
_LOG = logging.getLogger(__name__)
router = APIRouter(prefix=PATH.rstrip("/"), include_in_schema=False)


@dataclass
class Meetings:
    """What one server shows, and whom it visits: one of each at a time."""

    host: Host = field(default_factory=Host)
    course: Course | None = None
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def visit(self, side: Side, address: str, code: str) -> None:
        """Meet the register at an address, beside the requests. ValueError for no address."""
        link = HttpLink(address)
        with self._lock:
            if self.course is not None and self.course.now().stage not in OVER:
                raise MeetError(Snag.BUSY)
            self.course = course = Course()
        guest = Guest(side, link, course)
        threading.Thread(target=_meet, args=(guest, link, code), daemon=True, name="visit").start()

    def visiting(self) -> Standing | None:
        """How far the visit is; None where there was none."""
        with self._lock:
            return None if self.course is None else self.course.now()

    def forget(self) -> None:
        """Show no code, and nothing of what is over."""
        self.host.withdraw()
        with self._lock:
            if self.course is not None and self.course.now().stage in OVER:
                self.course = None

    def may_send(self, path: str) -> int | None:
        """How large a body may be that somebody not signed in sends; None for nothing at all."""
        if not path.startswith(PATH):
            return None
        rest = path.removeprefix(PATH)
        if rest == "greet" or rest.endswith("/prove"):
            # Of whoever has yet to show that it knows the code.
            return 1024
        return LIMIT_BYTES if self.host.is_met(rest) else None


def _meet(guest: Guest, link: HttpLink, code: str) -> None:
    # What went wrong is noted in the course, which the page shows.
    try:
        guest.meet(code)
    except MeetError:
        pass
    except Exception:
        _LOG.exception("a meeting could not go on")
    finally:
        link.close()


# --- the host's end ---------------------------------------------------------------------


@router.post("/greet")
async def greet(request: Request) -> Response:
    """A guest's half of the key exchange, and ours."""
    host, message = _host(request), await request.body()

    def answer() -> bytes:
        name, mine = host.greet(message)
        return name.encode() + b"\n" + mine

    return await _answered(answer)


@router.post("/{name}/prove")
async def prove(request: Request, name: str) -> Response:
    """A guest's proof that it holds the key, and ours."""
    host, proof = _host(request), await request.body()
    return await _answered(lambda: host.prove(name, proof))


@router.post("/{name}")
async def ask(request: Request, name: str) -> Response:
    """A sealed question of the guest that is met."""
    host, message = _host(request), await request.body()
    return await _answered(lambda: host.asked(name, message))


def _host(request: Request) -> Host:
    meetings: Meetings = request.app.state.meetings
    return meetings.host


async def _answered(answer: Callable[[], bytes]) -> Response:
    try:
        made = await run_in_threadpool(answer)
    except MeetError as error:
        return JSONResponse({"snag": error.snag.value, "left": error.left}, 409)
    return Response(made, media_type="application/octet-stream")


# --- the guest's end --------------------------------------------------------------------


@dataclass(frozen=True)
class _Door:
    secure: bool
    host: str
    port: int


class HttpLink:
    """Carries messages to an address, over one connection where it holds."""

    def __init__(self, address: str, timeout_s: float = TIMEOUT_S) -> None:
        """ValueError for what is no address."""
        self._doors = _doors(address)
        self._timeout_s = timeout_s
        self._connection: http.client.HTTPConnection | None = None

    def __call__(self, path: str, message: bytes) -> bytes:
        """The answer to a message. LinkError where it may be sent again, MeetError else."""
        try:
            status, answer = self._carried(path, message)
        except (OSError, http.client.HTTPException, ValueError):
            self.close()
            raise LinkError from None
        if status == 200 and len(answer) <= LIMIT_BYTES:
            return answer
        if status in (429, 500, 502, 503):
            self.close()
            raise LinkError
        raise _told(status, answer)

    def close(self) -> None:
        """Let the connection go."""
        if self._connection is not None:
            self._connection.close()
            self._connection = None

    def _carried(self, path: str, message: bytes) -> tuple[int, bytes]:
        connection = self._connection
        if connection is None:
            connection = self._connected()
        self._connection = connection
        headers = {"Content-Type": "application/octet-stream", "Accept": "application/octet-stream"}
        connection.request("POST", PATH + path, message, headers)
        answer = connection.getresponse()
        return answer.status, answer.read(LIMIT_BYTES + 1)

    def _connected(self) -> http.client.HTTPConnection:
        """Encrypted where the address can be, which tells an onlooker less."""
        error: OSError = OSError("no address")
        for door in self._doors:
            made = _connection(door, self._timeout_s)
            try:
                made.connect()
            except OSError as failed:
                made.close()
                error = failed
                continue
            self._doors = [door]
            return made
        raise error


def _connection(door: _Door, timeout_s: float) -> http.client.HTTPConnection:
    if not door.secure:
        return http.client.HTTPConnection(door.host, door.port, timeout=timeout_s)
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    context.check_hostname = False
    context.verify_mode = ssl.CERT_NONE  # the code proves who is there, see above
    return http.client.HTTPSConnection(door.host, door.port, timeout=timeout_s, context=context)


def _doors(address: str) -> list[_Door]:
    """Where an address leads; without ``https`` or ``http`` before it, to either."""
    text = address.strip()
    parts = urlsplit(text if "://" in text else f"//{text}")
    if parts.scheme not in ("", "http", "https") or not parts.hostname:
        raise ValueError("this is no address")
    if not parts.hostname.isascii() or any(sign.isspace() for sign in parts.hostname):
        raise ValueError("this is no address")
    schemes = [parts.scheme] if parts.scheme else ["https", "http"]
    return [_Door(scheme == "https", parts.hostname, parts.port or PORT) for scheme in schemes]


def address_and_code(text: str) -> tuple[str, str]:
    """What the QR code of a shown code holds: the address, and the code behind a ``#``."""
    address, _, code = text.strip().partition("#")
    return address, code


def _told(status: int, answer: bytes) -> MeetError:
    """What a host's refusal says; anything else is no register's that can meet."""
    try:
        said = json.loads(answer) if status == 409 else None
    except (ValueError, RecursionError):
        said = None
    if not isinstance(said, dict):
        return MeetError(Snag.NO_REGISTER)
    left = said.get("left")
    return MeetError(told_by_other(said.get("snag")), left=left if type(left) is int else None)
