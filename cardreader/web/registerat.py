"""Where a command finds the register, and how it ends when the register can't be used."""

from __future__ import annotations

import argparse
import getpass
import os
import sqlite3
import sys
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from cardreader.terminal.exitcodes import ExitCode
from cardreader.terminal.failing import CommandError, told, writing

if TYPE_CHECKING:
    from cardreader.register.database import Database
    from cardreader.register.lastjudged import Judging
    from cardreader.register.trouble import Trouble
    from cardreader.web.settings import Settings

_SQLITE = b"SQLite format 3\0"
"""How a database's file begins (SQLite's file format, 1.3.1)."""
DATA_VARIABLE = "CARDREADER_DATA"
DATABASE_VARIABLE = "CARDREADER_DATABASE"


def add_where(parser: argparse.ArgumentParser) -> None:
    """Add ``--data`` and ``--database``."""
    parser.add_argument(
        "--data",
        type=Path,
        default=Path(os.environ.get(DATA_VARIABLE) or "~/.local/share/cardreader").expanduser(),
        metavar="FOLDER",
        help=f"where the register lies (default ~/.local/share/cardreader, or ${DATA_VARIABLE})",
    )
    parser.add_argument(
        "--database",
        default=os.environ.get(DATABASE_VARIABLE, ""),
        metavar="URL",
        help=f"PostgreSQL by URL (default: SQLite in the folder, or ${DATABASE_VARIABLE})",
    )


def photos_option(parser: argparse.ArgumentParser, what: str) -> None:
    """Add ``--photos`` of a hand-over; ``what`` becomes of them."""
    parser.add_argument("--photos", action="store_true", help=what)


def url_of(arguments: argparse.Namespace) -> str:
    """The URL of the register's database."""
    from cardreader.web.settings import Settings

    return Settings(data=arguments.data, database_url=arguments.database).url


@contextmanager
def opened_database(arguments: argparse.Namespace) -> Iterator[Database]:
    """The register's database, brought up to this version, or the end of the command."""
    from cardreader.register.database import Database

    with writing(arguments.data):
        arguments.data.mkdir(mode=0o700, parents=True, exist_ok=True)
    database = Database(url_of(arguments))
    try:
        database.migrate()
        yield database
    finally:
        database.close()


def must_be_there(arguments: argparse.Namespace) -> None:
    """A mistyped folder must not become a new, empty register."""
    from cardreader.register.database import Database, told_if_damaged

    if not arguments.database:
        _must_be_in(arguments.data)
        return
    with register_told():
        database = Database(url_of(arguments))
        with told_if_damaged():
            empty = database.revision() is None
        database.close()
    if empty:
        raise CommandError(
            ExitCode.BAD_DATA, "there is no register in that database: is it the right one?"
        )


def _must_be_in(data: Path) -> None:
    file = data / "register.db"
    with told(ExitCode.NOT_WRITTEN, OSError):
        there = file.is_file()
    if not there and not file.exists():
        raise CommandError(
            ExitCode.BAD_DATA,
            f"there is no register in {data}: name its folder with --data; "
            "cardreader serve makes a new one",
        )
    if there and _holds_no_register(file):
        raise CommandError(
            ExitCode.BAD_DATA,
            f"{file} holds no register: name its folder with --data; was there one in it, "
            "restore the newest backup",
        )


def _holds_no_register(file: Path) -> bool:
    """Whether it is empty or another program's; looked into without making or changing it."""
    question = "SELECT 1 FROM sqlite_master WHERE name = 'alembic_version'"
    try:
        if not file.stat().st_size:
            return True
        with closing(sqlite3.connect(f"{file.resolve().as_uri()}?mode=ro", uri=True)) as database:
            return database.execute(question).fetchone() is None
    except (sqlite3.Error, OSError):
        return False  # what is wrong with it is told when it is opened


def spare_others(arguments: argparse.Namespace, file: Path, begins: str) -> None:
    """FILE is easily taken for what is read: write over nothing but an earlier one of its kind.

    ``begins``: how files of that kind begin.
    """
    with writing(file):
        if not file.is_file():
            return
        with file.open("rb") as stream:
            head = stream.read(max(len(_SQLITE), len(begins)))
        database = head.startswith(_SQLITE)
        data, where = arguments.data.resolve(), file.resolve()
    beside = where.name.endswith((".db-wal", ".db-shm")) or where == data / "photo.key"
    if database or beside or any(data / name in where.parents for name in ("tls", "photos")):
        raise CommandError(
            ExitCode.USAGE,
            f"{file} is a register's own file: FILE is what is to be written, give it another name",
        )
    if head and not head.startswith(begins.encode()):
        raise CommandError(
            ExitCode.USAGE,
            f"{file} is there and holds something else, which would be lost: give another name",
        )


@contextmanager
def register_told() -> Iterator[None]:
    """The end of the command for a register that can't be used, or can't be written."""
    from sqlalchemy.exc import SQLAlchemyError

    from cardreader.register.database import RegisterError
    from cardreader.register.trouble import ADVICE, trouble_of

    try:
        yield
    except RegisterError as error:
        raise CommandError(code_of(error.trouble), str(error)) from None
    except SQLAlchemyError as error:
        # Met while something was entered, after the register was found sound.
        if (trouble := trouble_of(error)) is None:
            raise
        raise CommandError(code_of(trouble), ADVICE[trouble]) from None


def code_of(trouble: Trouble | None) -> ExitCode:
    """How a command ends over it: what can't be written is no fault of the register's."""
    from cardreader.register.trouble import Trouble

    not_written = {Trouble.FULL, Trouble.READ_ONLY, Trouble.NOT_OPENED, Trouble.DISK}
    return ExitCode.NOT_WRITTEN if trouble in not_written else ExitCode.BAD_DATA


def asked(prompt: str, instead: str) -> str:
    """What is typed at a terminal; where there is none the command ends, saying ``instead``."""
    return _typed(input, prompt, instead)


def secret(variable: str, prompt: str) -> str:
    """A password from the environment, or asked for."""
    return os.environ.get(variable) or _typed(getpass.getpass, prompt, f"give it in ${variable}")


def _typed(ask: Callable[[str], str], prompt: str, instead: str) -> str:
    if not sys.stdin.isatty():
        raise CommandError(ExitCode.USAGE, f"no terminal to ask on: {instead}")
    try:
        return ask(prompt)
    except EOFError:
        raise CommandError(ExitCode.USAGE, "nothing was entered") from None


def settings_of(arguments: argparse.Namespace, judging: Judging | None = None) -> Settings:
    """A register as a command's options name it; what they don't say is as usual."""
    from cardreader.web.settings import PhotoPolicy, Settings

    return Settings(
        data=arguments.data,
        database_url=arguments.database,
        photos=PhotoPolicy(getattr(arguments, "photos", "none")),
        place=getattr(arguments, "place", ""),
        elevation_m=None if judging is None else judging.elevation_m,
        protocol=None if judging is None else judging.protocol,
        pair_days=getattr(arguments, "pair_days", 3),
    )
