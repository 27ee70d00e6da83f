"""Whoever holds connections and says nothing shuts nobody out; slow requests end."""

from __future__ import annotations

import contextlib
import datetime as dt
import socket
import ssl
import threading
import time
from dataclasses import replace

import pytest
from gatekit import asked, begun, gated_port, held, let_go, read_all

from cardreader.web.gate import GateLimits
from cardreader.web.tls import certificates

FAST = GateLimits(
    handshake_s=0.3,
    head_s=0.3,
    body_span_s=0.3,
    body_bytes_a_span=1000,
    answer_span_s=0.3,
    look_every_s=0.05,
)
AT_ONCE = replace(FAST, handshake_s=0.1, head_s=0.1, body_span_s=0.1)
"""For whoever says nothing that is to be answered."""
HELD = 110


@pytest.fixture
def context(tmp_path) -> ssl.SSLContext:
    files = certificates(tmp_path, [], dt.datetime.now(dt.UTC))
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(files.chain, files.key)
    return context


@pytest.mark.parametrize("said", [b"", b"POST / HTTP/1.1\r\nHost"])
@pytest.mark.parametrize("source", ["127.0.0.1", "127.0.0.2"])
def test_held_connections_shut_nobody_out(said, source):
    with gated_port(GateLimits()) as port, held(port, HELD, said):
        assert asked(port, source=source).startswith(b"HTTP/1.1 200")


def test_held_handshakes_shut_nobody_out(context):
    with gated_port(GateLimits(), context) as port, held(port, HELD):
        trust = ssl.create_default_context()
        trust.check_hostname, trust.verify_mode = False, ssl.CERT_NONE
        with (
            socket.create_connection(("127.0.0.1", port), 20) as line,
            trust.wrap_socket(line) as sock,
        ):
            sock.sendall(b"GET / HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n")
            assert read_all(sock).startswith(b"HTTP/1.1 200")


def test_one_address_does_not_take_the_places_of_others():
    limits = GateLimits(places_an_address=1000, places=20)
    with gated_port(limits) as port, held(port, 20), held(port, 1, source="127.0.0.2") as other:
        with held(port, 40):
            assert asked(port, source="127.0.0.3").startswith(b"HTTP/1.1 200")
        # The one silent connection of another address was never the one to go.
        other[0].sendall(b"GET / HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n")
        assert read_all(other[0]).startswith(b"HTTP/1.1 200")


def test_what_is_being_answered_is_not_shown_out():
    answers: list[bytes] = []
    with gated_port(GateLimits(places_an_address=4)) as port:
        thread = threading.Thread(target=lambda: answers.append(asked(port, "/slow")))
        thread.start()
        assert begun.wait(20)
        with held(port, 20):
            let_go.set()
            thread.join(20)
    assert answers[0].startswith(b"HTTP/1.1 200")


@pytest.mark.parametrize(
    "said",
    [
        b"",
        b"GET / HTT",
        b"POST / HTTP/1.1\r\nHost: x\r\nContent-Length: 5000\r\n\r\n" + b"x" * 100,
        # A second request that is never finished, after a first that was answered.
        b"GET / HTTP/1.1\r\nHost: x\r\n\r\nGET / HTT",
    ],
)
def test_a_request_that_does_not_come_is_closed(said):
    with gated_port(AT_ONCE) as port, held(port, 1, said) as (sock,):
        read_all(sock)  # comes back at all only because the server closes


def test_a_handshake_that_does_not_come_is_closed(context):
    with gated_port(AT_ONCE, context) as port, held(port, 1, b"\x16\x03") as (sock,):
        read_all(sock)


def test_whoever_does_not_take_the_answer_is_closed():
    request = b"GET /long HTTP/1.1\r\nHost: x\r\n\r\n"
    with gated_port(FAST) as port, held(port, 1, request) as (sock,):
        with pytest.raises(ConnectionError):  # noqa: PT012
            for _ in range(400):
                sock.sendall(b"GET")
                time.sleep(0.05)
        assert asked(port).startswith(b"HTTP/1.1 200")


def test_a_body_that_moves_is_taken_however_long_it_is():
    with gated_port(FAST) as port:
        answer = asked(port, body=b"x" * 5_000_000)
    assert answer.endswith(b"5000000")


def test_the_first_request_may_come_with_the_end_of_the_handshake(context):
    """Both in one segment, as clients in a hurry send them."""
    trust = ssl.create_default_context()
    trust.check_hostname, trust.verify_mode = False, ssl.CERT_NONE
    incoming, outgoing = ssl.MemoryBIO(), ssl.MemoryBIO()
    client = trust.wrap_bio(incoming, outgoing)
    with gated_port(GateLimits(), context) as port, held(port, 1) as (sock,):
        while True:
            try:
                client.do_handshake()
                break
            except ssl.SSLWantReadError:
                sock.sendall(outgoing.read())
                incoming.write(sock.recv(65536))
        client.write(b"GET / HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n")
        sock.sendall(outgoing.read())
        answer = b""
        while not answer:
            incoming.write(sock.recv(65536))
            with contextlib.suppress(ssl.SSLWantReadError):  # tickets come first
                answer = client.read(65536)
        assert answer.startswith(b"HTTP/1.1 200")
