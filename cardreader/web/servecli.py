"""Command serve: the phone pages and the register."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

from cardreader.terminal.clock import clock_words
from cardreader.terminal.exitcodes import ExitCode
from cardreader.terminal.failing import CommandError, told, using_data, writing
from cardreader.terminal.frame import command
from cardreader.terminal.options import whole
from cardreader.terminal.output import complain
from cardreader.web.judgingas import judging_of_server, judging_options
from cardreader.web.registerat import add_where, register_told, settings_of

if TYPE_CHECKING:
    from cardreader.terminal.frame import Commands
    from cardreader.web.reader import PhotoReader

PORT, START_PORT = 8443, 8080
EVERYWHERE = "0.0.0.0"


def add_serve(commands: Commands) -> None:
    """Add ``serve`` to the command line."""
    parser = command(
        commands,
        "serve",
        _serve,
        "run the phone pages and the register",
        "A phone on the same hotspot opens the address that is shown. Stop with Ctrl-C.",
        example='cardreader serve --place "Health post 3" --elevation-m 1200',
        extra="web",
    )
    parser.add_argument("--host", metavar="ADDRESS", help="address to listen on (default: all)")
    parser.add_argument(
        "--port", type=whole(1, 65535), default=PORT, metavar="N", help=f"port (default {PORT})"
    )
    parser.add_argument(
        "--start-port",
        type=whole(1, 65535),
        default=START_PORT,
        metavar="N",
        help=f"port of the unencrypted start page (default {START_PORT})",
    )
    parser.add_argument("--plain", action="store_true", help="plain HTTP, no certificates")
    parser.add_argument(
        "--here",
        action="store_true",
        help="for this phone or machine alone: its own address, no certificates, opens the page",
    )
    parser.add_argument(
        "--no-open", action="store_true", help="with --here: don't open the page in the browser"
    )
    parser.add_argument(
        "--photos",
        choices=("none", "encrypted"),
        default="none",
        help="what becomes of photos once read (default: not kept)",
    )
    parser.add_argument("--place", default="", metavar="NAME", help="shown on pages and slips")
    parser.add_argument(
        "--pair-days",
        type=whole(0, 14),
        default=3,
        metavar="N",
        help="days between a blot and a laboratory value that calibrate together (default 3)",
    )
    judging_options(parser)
    add_where(parser)


def _serve(arguments: argparse.Namespace) -> ExitCode:
    from cardreader.web.oldpydantic import spare_old_pydantic

    spare_old_pydantic()
    if arguments.here:
        return _serve_here(arguments)
    from cardreader.register.photostore import PhotoStoreError
    from cardreader.web.listen import ServeError
    from cardreader.web.pipelinereader import PipelineReader
    from cardreader.web.serve import serve
    from cardreader.web.tls import CertificateError

    if not arguments.plain and arguments.port == arguments.start_port:
        raise CommandError(
            ExitCode.USAGE, f"--port and --start-port are both {arguments.port}: give two ports"
        )
    judging = judging_of_server(arguments)
    with using_data():
        reader = PipelineReader.load(arguments.lots, arguments.calibration, judging.protocol)
    shows, right = clock_words(reader.calibration_created)
    if not right:
        complain(f"the clock is wrong, {shows}: set it before anything is entered")
    with (
        register_told(),
        writing(arguments.data),
        told(ExitCode.BAD_DATA, ServeError, PhotoStoreError, CertificateError),
        _stopping_told(),
    ):
        serve(
            settings_of(arguments, judging),
            reader,
            arguments.host or EVERYWHERE,
            arguments.port,
            None if arguments.plain else arguments.start_port,
        )
    return ExitCode.OK


@contextmanager
def _stopping_told() -> Iterator[None]:
    """Ctrl-C is how a server is stopped: no failure, and said in a line all the same."""
    try:
        yield
    except KeyboardInterrupt:
        complain("stopped: what was entered is kept; the same command goes on")


def _serve_here(arguments: argparse.Namespace) -> ExitCode:
    """Without what only a network needs, which the lean extra doesn't bring."""
    from cardreader.register.photostore import PhotoStoreError
    from cardreader.web.here import serve_here
    from cardreader.web.laterreader import LaterReader
    from cardreader.web.listen import ServeError

    if arguments.host is not None:
        raise CommandError(ExitCode.USAGE, "--here listens on this machine alone: leave --host out")
    judging = judging_of_server(arguments)

    def load() -> PhotoReader:
        from cardreader.web.pipelinereader import PipelineReader

        return PipelineReader.load(arguments.lots, arguments.calibration, judging.protocol)

    with using_data():
        reader = LaterReader(judging.protocol, load)
        if arguments.lots or arguments.calibration:
            reader.now()  # what is wrong with a file that was named is told at once
    with (
        register_told(),
        writing(arguments.data),
        told(ExitCode.BAD_DATA, ServeError, PhotoStoreError),
        _stopping_told(),
    ):
        serve_here(settings_of(arguments, judging), reader, arguments.port, not arguments.no_open)
    return ExitCode.OK
