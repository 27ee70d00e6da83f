"""The command for meeting another register over a network: meet."""

from __future__ import annotations

import argparse
import time
from contextlib import ExitStack
from threading import Thread
from typing import TYPE_CHECKING

from cardreader.terminal.exitcodes import ExitCode
from cardreader.terminal.failing import CommandError, told, using_data, writing
from cardreader.terminal.frame import command
from cardreader.terminal.options import whole
from cardreader.terminal.output import counted, say
from cardreader.terminal.progress import progress_of, progress_option
from cardreader.web.judgingas import by_default, judging_of, judging_options
from cardreader.web.registerat import (
    add_where,
    asked,
    must_be_there,
    opened_database,
    photos_option,
    register_told,
)

if TYPE_CHECKING:
    from cardreader.register.database import Database
    from cardreader.register.meet.course import Standing
    from cardreader.register.meet.side import Side
    from cardreader.terminal.frame import Commands

PORT = 8444
"""Where a code is shown by the command: the server's own port may be taken."""
_LOOK_EVERY_S = 0.2


def add_meet(commands: Commands) -> None:
    """Add the command to the command line."""
    parser = command(
        commands,
        "meet",
        _meet,
        "hand over to another register on the same network, and take in what it hands over",
        "Without ADDRESS a code is shown, and the address to type it at; with it, the code that "
        "is shown there is asked for. What is new goes both ways as hand-over files do. It may "
        "be broken off and begun again at any time. The server may run.",
        example="cardreader meet 192.168.1.20:8443",
        stopped="what was taken in before is kept, and nothing by half",
        extra="web",
    )
    parser.add_argument(
        "address", nargs="?", metavar="ADDRESS", help="address that the other register shows"
    )
    parser.add_argument("--code", default="", help="code that it shows (else asked for)")
    parser.add_argument(
        "--port", type=whole(1, 65535), default=PORT, metavar="N", help=f"port (default {PORT})"
    )
    parser.add_argument(
        "--unknown",
        choices=("refuse", "tell-all", "only-theirs"),
        default="refuse",
        help="a register whose card was not added: refuse it (default), or get to know it and "
        "tell it of every woman, or only of those it handed over itself",
    )
    photos_option(parser, "send kept photos along, and keep those that come")
    judging_options(parser)
    progress_option(parser)
    add_where(parser)


def _meet(arguments: argparse.Namespace) -> ExitCode:
    from cardreader.register.database import told_if_damaged
    from cardreader.register.merge.parcel import ParcelError
    from cardreader.register.photostore import PhotoStoreError
    from cardreader.web.listen import ServeError

    if arguments.code and not arguments.address:
        raise CommandError(
            ExitCode.USAGE, "--code needs the ADDRESS that the other register shows beside it"
        )
    must_be_there(arguments)
    with (
        register_told(),
        opened_database(arguments) as database,
        told(ExitCode.BAD_DATA, ParcelError, PhotoStoreError, ServeError),
        told_if_damaged(),
        writing(arguments.data),
    ):
        side = _side(arguments, database)
        standing = _visit(arguments, side) if arguments.address else _show(arguments, side)
        default = by_default(arguments, database)
    say(_told_of(standing) + default)
    return ExitCode.OK


def _side(arguments: argparse.Namespace, database: Database) -> Side:
    from cardreader.register.meet.side import Side, Unknown, sweep
    from cardreader.register.photostore import open_store
    from cardreader.web.pipelinereader import PipelineReader
    from cardreader.web.sitereader import SiteReader, judge_by

    sweep(arguments.data)
    judging = judging_of(arguments, database)
    with using_data():
        reader = PipelineReader.load(arguments.lots, arguments.calibration, judging.protocol)
    return Side(
        database,
        arguments.data,
        judge_by(SiteReader(reader, database), judging.elevation_m),
        open_store(arguments.data) if arguments.photos else None,
        arguments.photos,
        Unknown(arguments.unknown),
    )


def _visit(arguments: argparse.Namespace, side: Side) -> Standing:
    from cardreader.register.meet.code import clean_code
    from cardreader.register.meet.guest import Guest
    from cardreader.register.meet.snags import MeetError
    from cardreader.web.meeting import HttpLink, address_and_code

    address, code = address_and_code(arguments.address)
    with told(ExitCode.USAGE, ValueError):
        link = HttpLink(address)
        given = arguments.code or code
        code = clean_code(given or asked("Code that is shown there: ", "give --code"))
    guest = Guest(side, link, progress=progress_of(arguments))
    try:
        guest.meet(code)
    except MeetError:
        raise _failed(guest.course.now()) from None
    finally:
        link.close()
    return guest.course.now()


def _show(arguments: argparse.Namespace, side: Side) -> Standing:
    from fastapi import FastAPI

    from cardreader.register.meet.code import grouped
    from cardreader.register.meet.course import OVER, Stage
    from cardreader.web import meeting
    from cardreader.web.address import own_addresses, url_of
    from cardreader.web.gate import Gate
    from cardreader.web.guard import Guard
    from cardreader.web.hold import server_of
    from cardreader.web.listen import listen
    from cardreader.web.meetwords import stage_words
    from cardreader.web.settings import Settings

    app = FastAPI(docs_url=None, redoc_url=None, openapi_url=None, redirect_slashes=False)
    app.state.meetings = meetings = meeting.Meetings()
    app.add_middleware(
        Guard,
        settings=Settings(data=arguments.data),
        is_signed_in=lambda _request: False,
        may_send=meetings.may_send,
    )
    app.include_router(meeting.router)
    with ExitStack() as stack:
        sock = stack.enter_context(listen("0.0.0.0", arguments.port))
        server = server_of(app, Gate())
        arguments_of_run = {"sockets": [sock]}
        running = Thread(target=server.run, kwargs=arguments_of_run, daemon=True, name="meeting")
        running.start()
        stack.callback(meetings.host.close)
        code = meetings.host.offer(side)
        addresses = [
            url_of("http", host, arguments.port) for host in own_addresses() or ["localhost"]
        ]
        say(f"Type at the other register: {grouped(code)}\n")
        say("at the address " + " or ".join(url.rstrip("/") for url in addresses) + "\n")
        told_last = None
        while True:
            now = meetings.host.standing()
            assert now is not None
            if now.stage in OVER:
                break
            if now.stage is not told_last and now.stage is not Stage.WAITING:
                told_last = now.stage
                say(stage_words(now) + "\n")
            time.sleep(_LOOK_EVERY_S)
        server.should_exit = True
        running.join()
    if now.snag is not None:
        raise _failed(now)
    return now


def _failed(standing: Standing) -> CommandError:
    from cardreader.register.meet.snags import Snag
    from cardreader.web.meetwords import stage_words

    words = stage_words(standing).rstrip(".")
    if standing.snag in (Snag.UNKNOWN_HERE, Snag.UNKNOWN_THERE):
        words += ": --unknown tell-all, or only-theirs"
    if standing.snag in (Snag.NOT_TAKEN_HERE, Snag.NOT_TAKEN_THERE) and standing.detail:
        words += f" ({standing.detail})"
    return CommandError(ExitCode.BAD_DATA, words[0].lower() + words[1:])


def _told_of(standing: Standing) -> str:
    from cardreader.web.meetwords import conflicts_of, took_words

    lines = [f"{standing.other}: each register has what the other had"]
    if standing.took is not None:
        lines.append(f"taken in here: {took_words(standing.took)}")
    if standing.gave is not None:
        lines.append(f"taken in there: {took_words(standing.gave)}")
    if conflicts := conflicts_of(standing.took):
        lines.append(counted(conflicts, "value") + " for the supervisor to decide: see Conflicts")
    return "\n".join(lines) + "\n"
