"""The gate of a port: who is connected, for how long, and who must go when it is crowded.

A server that keeps every connection it is given can be shut by whoever opens many
and says nothing. Here each address has a number of places. A newcomer always finds
one: the connection that has been silent longest, first of those of the same address,
makes room. A request must arrive, and its body must move, within set times; the
encryption is agreed on within its own. Limits and times are our own choice.
"""

from __future__ import annotations

import asyncio
import contextlib
import ssl
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from enum import IntEnum
from typing import Any, Protocol

import h11
from uvicorn.protocols.http.h11_impl import H11Protocol


@dataclass(frozen=True)
class GateLimits:
    """How many connections a port holds, and how long one may be silent.

    A browser opens up to six to a server (common practice of browsers, from memory);
    several phones may share an address behind a router.
    """

    places_an_address: int = 32
    places: int = 400
    handshake_s: float = 10.0
    head_s: float = 10.0
    # A body that moves slower than this would hold a place for hours: 40 MB at the least
    # speed are a day's worth. The slowest mobile links carry some thousand bytes a second.
    body_span_s: float = 20.0
    body_bytes_a_span: int = 10_000
    answer_span_s: float = 30.0
    look_every_s: float = 2.0


class Phase(IntEnum):
    """What a connection is at; the lower, the sooner it makes room for another."""

    SECURING = 0
    WAITING = 1
    SENDING = 2
    ANSWERED = 3


class Guest(Protocol):
    """A connection as the gate sees it."""

    address: str
    since: float

    def phase(self) -> Phase:
        """What it is at."""

    def show_out(self) -> None:
        """Close it at once."""


@dataclass
class Gate:
    """All connections of one port; ``context`` gives the encryption in force, if any."""

    limits: GateLimits = field(default_factory=GateLimits)
    context: Callable[[], ssl.SSLContext] | None = None
    _guests: dict[int, Guest] = field(default_factory=dict)

    def enter(self, guest: Guest) -> bool:
        """Give a place, another's where all are taken; False when nobody can go."""
        same = [g for g in self._guests.values() if g.address == guest.address]
        if len(same) >= self.limits.places_an_address and not _make_room(same):
            return False
        if len(self._guests) >= self.limits.places and not self._make_room_anywhere():
            return False
        self._guests[id(guest)] = guest
        return True

    def leave(self, guest: Guest) -> None:
        """Take the place back; no matter whether there was one."""
        self._guests.pop(id(guest), None)

    def __len__(self) -> int:
        return len(self._guests)

    def _make_room_anywhere(self) -> bool:
        counts = Counter(g.address for g in self._guests.values())
        for address, _ in counts.most_common():
            if _make_room([g for g in self._guests.values() if g.address == address]):
                return True
        return False


def _make_room(guests: list[Guest]) -> bool:
    candidates = [g for g in guests if g.phase() is not Phase.ANSWERED]
    if not candidates:
        return False
    min(candidates, key=lambda g: (g.phase(), g.since)).show_out()
    return True


class GatedProtocol(H11Protocol):
    """uvicorn's HTTP connection behind a gate; encrypts it where the gate says so."""

    gate: Gate  # set by `gated`

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.address = ""
        self.since = self.loop.time()
        self._line: asyncio.Transport | None = None
        self._early = bytearray()
        self._moved = 0
        self._last_look = (self.since, 0, 0)
        self._securing: asyncio.Task[None] | None = None

    # --- as asyncio calls it ----------------------------------------------------

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Take a place, then speak HTTP, or agree on the encryption first."""
        self._line = transport
        peer = transport.get_extra_info("peername")
        self.address = str(peer[0]) if isinstance(peer, tuple) else "local"
        if not self.gate.enter(self):
            transport.abort()
            return
        if self.gate.context is None:
            self._open(transport)
        else:
            self._securing = self.loop.create_task(self._secure(transport))

    async def _secure(self, transport: asyncio.Transport) -> None:
        assert self.gate.context is not None
        try:
            secured = await self.loop.start_tls(
                transport,
                self,
                self.gate.context(),
                server_side=True,
                ssl_handshake_timeout=self.gate.limits.handshake_s,
                ssl_shutdown_timeout=self.gate.limits.handshake_s,
            )
        except (OSError, asyncio.CancelledError):  # ssl.SSLError is an OSError
            secured = None
        if secured is None:
            self.gate.leave(self)
            transport.abort()
            return
        self._open(secured)

    def _open(self, transport: asyncio.Transport) -> None:
        self._line = transport
        self.since = self.loop.time()
        super().connection_made(transport)
        self._last_look = (self.since, 0, 0)
        self.loop.call_later(self.gate.limits.look_every_s, self._look)
        if self._early:
            early, self._early = bytes(self._early), bytearray()
            self.data_received(early)

    def data_received(self, data: bytes) -> None:
        """Bytes of a request."""
        if self.transport is None:
            # The first request may come in one piece with the end of the handshake.
            self._early += data
            return
        if self._is_between_requests():
            self.since = self.loop.time()
        self._moved += len(data)
        super().data_received(data)

    def connection_lost(self, exc: Exception | None) -> None:
        """The other side went, or was shown out."""
        self.gate.leave(self)
        if self.transport is not None:
            super().connection_lost(exc)

    def on_response_complete(self) -> None:
        """An answer is out: from here the connection is silent again."""
        self.since = self.loop.time()
        super().on_response_complete()

    # --- as the gate sees it ----------------------------------------------------

    def phase(self) -> Phase:
        """What the connection is at."""
        if self.transport is None:
            return Phase.SECURING
        if self.cycle is None or self.cycle.response_complete:
            return Phase.WAITING
        return Phase.SENDING if self._body_is_due() else Phase.ANSWERED

    def show_out(self) -> None:
        """Close at once, without a word: whoever is silent isn't listening either."""
        self.gate.leave(self)
        if self._securing is not None:
            self._securing.cancel()
        if self._line is not None:
            self._line.abort()

    def _body_is_due(self) -> bool:
        return self.conn.their_state is h11.SEND_BODY and self.cycle.more_body

    def _is_between_requests(self) -> bool:
        return self.conn.their_state is h11.IDLE and not self.conn.trailing_data[0]

    def _look(self) -> None:
        """Close a connection that is over its time; look again later otherwise."""
        if self.transport.is_closing():
            return
        if self._is_over_time(self.loop.time()):
            self.show_out()
            return
        self.loop.call_later(self.gate.limits.look_every_s, self._look)

    def _is_over_time(self, now: float) -> bool:
        limits, phase = self.gate.limits, self.phase()
        unsent = self.transport.get_write_buffer_size()
        last_at, last_moved, last_unsent = self._last_look
        if phase is Phase.WAITING and not unsent:
            self._last_look = (now, self._moved, unsent)
            # Between requests uvicorn's own time-out rules. Here the head is not whole yet, or
            # the rest of a body comes in that was answered unread.
            begun = self.cycle is None or not self._is_between_requests()
            return begun and now - self.since > limits.head_s
        if phase is Phase.SENDING and not self.flow.read_paused:
            if now - last_at < limits.body_span_s:
                return False
            self._last_look = (now, self._moved, unsent)
            return self._moved - last_moved < limits.body_bytes_a_span
        if unsent and unsent == last_unsent:
            return now - last_at > limits.answer_span_s
        self._last_look = (now, self._moved, unsent)
        return False


def gated(gate: Gate) -> type[GatedProtocol]:
    """The protocol class of one port, as uvicorn takes it for its ``http`` setting."""
    return type("GatedProtocol", (GatedProtocol,), {"gate": gate})


def raise_file_limit() -> None:
    """Let the process hold as many connections as it may; each is a file to the system."""
    import resource

    with contextlib.suppress(ValueError, OSError):
        _soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
        resource.setrlimit(resource.RLIMIT_NOFILE, (hard, hard))
