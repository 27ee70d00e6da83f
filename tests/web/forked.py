"""``cardreader`` as a process of its own, forked from one that has its modules loaded already.

A start from nothing takes two seconds of processor time, nearly all of it to import, and the
tests of the pages start and kill some sixty. What is forked has memory, files, sockets and
signals of its own and ends as Python ends; what only a start from nothing shows is tried where
one is made (``encrypted`` of ``test_server``, ``test_lean``, the commands of the docs).
"""

from __future__ import annotations

import atexit
import json
import os
import select
import signal
import socket
import subprocess
import sys
from collections.abc import Sequence
from contextlib import suppress
from functools import cache
from importlib import import_module
from pathlib import Path
from typing import IO, Any

ROOT = Path(__file__).parents[2]
LOADED = (
    "cardreader.cli",
    "cardreader.web.servecli",
    "cardreader.web.usercli",
    "cardreader.web.backupcli",
    "cardreader.web.mergecli",
    "cardreader.web.meetcli",
    "cardreader.web.serve",
    "cardreader.web.here",
    "cardreader.web.pipelinereader",
    "cardreader.web.rest",
    "cardreader.register.photostore",
    "uvicorn.lifespan.on",
    "uvicorn.protocols.http.h11_impl",
)
_LONGEST = 1 << 16
"""Of what one start is told, bytes."""


class Forked:
    """A command that runs, with as much of ``subprocess.Popen`` as the tests use.

    What it says goes to ``out`` and ``err``, or where they are left out to where the tests' own
    words and errors go; with ``piped`` it is read from ``stdout``.
    """

    def __init__(
        self,
        words: Sequence[object],
        environment: dict[str, str],
        out: IO[bytes] | None = None,
        err: IO[bytes] | None = None,
        piped: bool = False,
    ) -> None:
        self.returncode: int | None = None
        self.stdout: IO[str] | None = None
        self._ended, tell = os.pipe()
        files = [1 if out is None else out.fileno(), 2 if err is None else err.fileno(), tell]
        if piped:
            ours, files[0] = os.pipe()
            self.stdout = os.fdopen(ours, encoding="utf-8")
        told = json.dumps([[str(word) for word in words], environment]).encode()
        assert len(told) < _LONGEST
        nursery = _nursery()
        socket.send_fds(nursery, [told], files)
        for file in (tell, *files[: int(piped)]):
            os.close(file)
        self.pid = int(nursery.recv(64))

    def poll(self) -> int | None:
        """Its code once it has ended, negative for a signal; None before."""
        if self.returncode is None and select.select([self._ended], [], [], 0)[0]:
            self.wait()
        return self.returncode

    def wait(self, timeout: float | None = None) -> int:
        """Its code, once it has ended."""
        if self.returncode is None:
            if not select.select([self._ended], [], [], timeout)[0]:
                raise subprocess.TimeoutExpired("cardreader", timeout or 0)
            self.returncode = int(os.read(self._ended, 64))
            os.close(self._ended)
        return self.returncode

    def send_signal(self, which: int) -> None:
        """Nothing where it has ended."""
        if self.poll() is None:
            os.kill(self.pid, which)

    def kill(self) -> None:
        """``kill -9``: no chance to tidy up."""
        self.send_signal(signal.SIGKILL)

    def rest(self, timeout: float) -> str:
        """What it says from here to its end."""
        assert self.stdout is not None
        with self.stdout:
            said = self.stdout.read()
        self.wait(timeout)
        return said


@cache
def _nursery() -> socket.socket:
    """The way to the process that forks, started by the first who asks."""
    ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
    environment = {**os.environ, "PYTHONPATH": str(ROOT), "OMP_NUM_THREADS": "1"}
    process = subprocess.Popen(
        [sys.executable, "-P", __file__, str(theirs.fileno())],
        pass_fds=[theirs.fileno()],
        stdin=subprocess.DEVNULL,
        env=environment,
    )
    theirs.close()

    def end() -> None:
        ours.close()
        process.wait()

    atexit.register(end)
    return ours


def _fork_as_told(told: socket.socket) -> Any:
    """Fork a command for each message; in the forked process, returns what it shall run."""
    woken, wake = os.pipe()
    os.set_blocking(wake, False)
    signal.set_wakeup_fd(wake)
    signal.signal(signal.SIGCHLD, lambda *_: None)
    tells: dict[int, int] = {}
    while True:
        ready = select.select([told, woken], [], [])[0]
        if woken in ready:
            os.read(woken, 4096)
            _tell_of_ended(tells)
        if told not in ready:
            continue
        message, files, _, _ = socket.recv_fds(told, _LONGEST, 3)
        if not message:  # the tests have ended, however they did
            for pid in tells:
                os.kill(pid, signal.SIGKILL)
            return None
        pid = os.fork()
        if pid == 0:
            signal.set_wakeup_fd(-1)
            signal.signal(signal.SIGCHLD, signal.SIG_DFL)
            os.dup2(files[0], 1)
            os.dup2(files[1], 2)
            for file in (*files, *tells.values(), woken, wake):
                os.close(file)
            told.close()
            return json.loads(message)
        tells[pid] = files[2]
        for file in files[:2]:
            os.close(file)
        told.send(str(pid).encode())


def _tell_of_ended(tells: dict[int, int]) -> None:
    while tells:
        pid, status = os.waitpid(-1, os.WNOHANG)
        if pid == 0:
            return
        tell = tells.pop(pid)
        with suppress(BrokenPipeError):  # nobody waits for it any more
            os.write(tell, str(os.waitstatus_to_exitcode(status)).encode())
        os.close(tell)


def _load(name: str) -> None:
    """Import it, where its libraries are installed: with the lean extra not all are."""
    try:
        import_module(name)
    except ModuleNotFoundError as error:
        if (error.name or "cardreader").partition(".")[0] == "cardreader":
            raise


def _main() -> int:
    signal.signal(signal.SIGINT, signal.default_int_handler)
    for name in LOADED:
        _load(name)
    from cardreader.__main__ import start

    run = _fork_as_told(socket.socket(fileno=int(sys.argv[1])))
    if run is None:
        return 0
    words, environment = run
    os.environ.clear()
    os.environ.update(environment)
    sys.argv = ["cardreader", *words]
    # Made anew, since those of before keep what kind of file they wrote to.
    sys.stdout, sys.stderr = (
        os.fdopen(file, "w", buffering, closefd=False) for file, buffering in ((1, -1), (2, 1))
    )
    return start()


if __name__ == "__main__":
    sys.exit(_main())
