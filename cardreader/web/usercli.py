"""Command user: who may sign in."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from cardreader.terminal.exitcodes import ExitCode
from cardreader.terminal.failing import CommandError, told
from cardreader.terminal.frame import command
from cardreader.terminal.output import say
from cardreader.web.registerat import (
    add_where,
    must_be_there,
    opened_database,
    register_told,
    secret,
    settings_of,
)

if TYPE_CHECKING:
    from cardreader.terminal.frame import Commands

PASSWORD_VARIABLE = "CARDREADER_NEW_PASSWORD"


def add_user(commands: Commands) -> None:
    """Add ``user`` to the command line."""
    parser = command(
        commands,
        "user",
        _user,
        "add a person who may sign in, or set a password",
        f"The password is asked for, or taken from ${PASSWORD_VARIABLE}.",
        example="cardreader user add amina --role worker",
        extra="web",
    )
    parser.add_argument(
        "what", choices=("add", "password"), metavar="add|password", help="add, or set the password"
    )
    parser.add_argument("name", metavar="NAME", help="name to sign in with")
    parser.add_argument(
        "--role",
        choices=("worker", "supervisor", "researcher"),
        default="worker",
        help="what the person may do (default worker)",
    )
    parser.add_argument(
        "--new-register", action="store_true", help="make the register where there is none yet"
    )
    add_where(parser)


def _user(arguments: argparse.Namespace) -> ExitCode:
    from cardreader.register import accounts
    from cardreader.register.kinds import Role

    new = arguments.what == "add" and arguments.new_register
    if not new:
        must_be_there(arguments)
    where = settings_of(arguments).place_of_register
    password = secret(PASSWORD_VARIABLE, f"New password for {arguments.name}: ")
    with (
        register_told(),
        opened_database(arguments) as database,
        told(ExitCode.BAD_DATA, ValueError),
        database.write() as session,
    ):
        if arguments.what == "add":
            role = Role(arguments.role)
            name = accounts.add_account(session, arguments.name, role, password).name
            done = f"may sign in as {role}"
        else:
            account = accounts.find_account(session, arguments.name)
            if account is None:
                who = f"nobody is called {arguments.name!r} in {where}"
                raise CommandError(ExitCode.BAD_DATA, f"{who}: user add makes an account")
            accounts.set_password(session, account, password, None)
            name, done = account.name, "has a new password"
    say(f"{name} {done}, in {where}\n")
    return ExitCode.OK
