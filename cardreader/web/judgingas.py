"""What a command judges by: as it is told, else as the register's server last did."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from cardreader.terminal.exitcodes import ExitCode
from cardreader.terminal.failing import CommandError, told
from cardreader.terminal.output import say
from cardreader.terminal.readeroptions import calibration_option, lots_option, protocol_option
from cardreader.web.registerat import register_told, url_of

if TYPE_CHECKING:
    from cardreader.register.database import Database
    from cardreader.register.lastjudged import Judging

UNSAID = "as the register's server last judged, else common-practice"


def judging_options(parser: argparse.ArgumentParser) -> None:
    """Add where women are screened, and what their photos are read with and judged by."""
    parser.add_argument(
        "--elevation-m",
        type=float,
        metavar="M",
        help="elevation of the place, metres (default: as the register's server last judged)",
    )
    protocol_option(parser, UNSAID)
    calibration_option(parser)
    lots_option(parser)


def judging_of_server(arguments: argparse.Namespace) -> Judging:
    """As `judging_of`, for a server that has yet to open its register or to make one."""
    from cardreader.register.database import Database

    if not arguments.database and not (arguments.data / "register.db").exists():
        return judging_of(arguments, None)
    with register_told():
        database = Database(url_of(arguments))
        try:
            return judging_of(arguments, database)
        finally:
            database.close()


def judging_of(arguments: argparse.Namespace, database: Database | None) -> Judging:
    """What the options name, else what the register remembers, else the default.

    Says which, unless nothing but the default was ever judged by; the command ends where what is
    remembered can't be used.
    """
    from cardreader.decide.protocolfile import DEFAULT, ProtocolSource, protocol_source
    from cardreader.decide.subject import Subject
    from cardreader.decide.tomltable import ProtocolError
    from cardreader.register.lastjudged import Judging, last_judging

    last = None if database is None else last_judging(database)
    protocol, elevation_m = arguments.protocol, arguments.elevation_m
    with told(ExitCode.BAD_DATA, ProtocolError):
        if protocol is not None or last is None:
            source = protocol_source(protocol or DEFAULT)
        else:
            source = last.protocol
    if elevation_m is None and last is not None:
        elevation_m = last.elevation_m
    with told(ExitCode.USAGE, ValueError):
        Subject(elevation_m=elevation_m)
    now = Judging(source, elevation_m)
    if last is not None:
        _must_load(last, now)
    if last is not None and not now == last == Judging(ProtocolSource(DEFAULT), None):
        say(f"values here are {_words(last, now)}\n")
    return now


def by_default(arguments: argparse.Namespace, database: Database) -> str:
    """A line that says that the default was gone by, with its end; empty where a protocol was
    named or is remembered."""
    from cardreader.decide.protocolfile import DEFAULT
    from cardreader.register.lastjudged import last_judging

    if arguments.protocol is not None or last_judging(database) is not None:
        return ""
    return (
        f"values here were judged by the protocol {DEFAULT}, the default, since no server of this "
        "register has judged yet: --protocol names another\n"
    )


def _must_load(last: Judging, now: Judging) -> None:
    """What was remembered may be of another version of this program, or of a backup."""
    from cardreader.decide.tomltable import ProtocolError

    if now.protocol != last.protocol:
        return
    try:
        now.protocol.load()
    except ProtocolError as error:
        raise CommandError(
            ExitCode.BAD_DATA,
            f"the protocol that the register's server last judged by can't be used ({error}): "
            "name one with --protocol",
        ) from None


def _words(last: Judging, now: Judging) -> str:
    if now == last:
        return f"judged by {_named(now)}, as the register's server last did"
    other = " of another content" if _named(now) == _named(last) else ""
    return f"judged by {_named(now)}; the register's server last judged by {_named(last)}{other}"


def _named(judging: Judging) -> str:
    file = "" if judging.protocol.own is None else " (a file)"
    height = "" if judging.elevation_m is None else f" at {judging.elevation_m:g} m"
    return f"the protocol {judging.protocol.id}{file}{height}"
