"""Commands of the register: serve, user, backup, restore, audit."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from cardreader.terminal.clock import clock_words
from cardreader.terminal.exitcodes import ExitCode
from cardreader.terminal.failing import CommandError, told, using_data, writing
from cardreader.terminal.frame import command
from cardreader.terminal.options import whole
from cardreader.terminal.output import complain, counted, say
from cardreader.terminal.progress import progress_of, progress_option
from cardreader.web.judgingas import judging_of_server, judging_options
from cardreader.web.registerat import (
    add_where,
    code_of,
    must_be_there,
    opened_database,
    register_told,
    secret,
    spare_others,
)

if TYPE_CHECKING:
    from cardreader.register.backupnote import BackupNote
    from cardreader.register.lastjudged import Judging
    from cardreader.terminal.frame import Commands
    from cardreader.web.reader import PhotoReader
    from cardreader.web.settings import Settings

PASSPHRASE_VARIABLE = "CARDREADER_BACKUP_PASSPHRASE"
PASSWORD_VARIABLE = "CARDREADER_NEW_PASSWORD"
PORT, START_PORT = 8443, 8080
EVERYWHERE = "0.0.0.0"


def add_register(commands: Commands) -> None:
    """Add the register's commands to the command line."""
    for add in (_add_serve, _add_user, _add_backup, _add_restore, _add_audit):
        add_where(add(commands))


def _add_serve(commands: Commands) -> argparse.ArgumentParser:
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
    return parser


def _add_user(commands: Commands) -> argparse.ArgumentParser:
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
    return parser


def _add_backup(commands: Commands) -> argparse.ArgumentParser:
    parser = command(
        commands,
        "backup",
        _backup,
        "write the whole register to one encrypted file",
        f"The passphrase is asked for, or taken from ${PASSPHRASE_VARIABLE}. The server may run.",
        example="cardreader backup register.backup",
        extra="web",
    )
    parser.add_argument("file", type=Path, metavar="FILE", help="file to write")
    progress_option(parser)
    return parser


def _add_restore(commands: Commands) -> argparse.ArgumentParser:
    parser = command(
        commands,
        "restore",
        _restore,
        "put a backup in place of the register",
        "Stop the server first. Everybody signs in anew afterwards.",
        example="cardreader restore register.backup --replace",
        stopped="the register is as it was",
        extra="web",
    )
    parser.add_argument("file", type=Path, metavar="FILE", help="backup to read")
    parser.add_argument(
        "--replace", action="store_true", help="also where the register holds data already"
    )
    progress_option(parser)
    return parser


def _add_audit(commands: Commands) -> argparse.ArgumentParser:
    return command(
        commands,
        "audit",
        _audit,
        "check that the register's audit trail is unchanged",
        example="cardreader audit --data ~/.local/share/cardreader",
        extra="web",
    )


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
            _settings(arguments, judging),
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
        serve_here(_settings(arguments, judging), reader, arguments.port, not arguments.no_open)
    return ExitCode.OK


def _user(arguments: argparse.Namespace) -> ExitCode:
    from cardreader.register import accounts
    from cardreader.register.kinds import Role

    new = arguments.what == "add" and arguments.new_register
    if not new:
        must_be_there(arguments)
    where = _settings(arguments).place_of_register
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


def _backup(arguments: argparse.Namespace) -> ExitCode:
    from cardreader.register.backup import BackupError, make_backup
    from cardreader.register.backupfile import NOTE
    from cardreader.register.database import told_if_damaged
    from cardreader.register.lastbackup import note_backup

    must_be_there(arguments)
    spare_others(arguments, arguments.file, NOTE)
    passphrase, progress = _passphrase(), progress_of(arguments)
    with (
        register_told(),
        opened_database(arguments) as database,
        told(ExitCode.NOT_WRITTEN, BackupError),
        writing(arguments.file),
    ):
        note = make_backup(database, arguments.data, arguments.file, passphrase, progress)
        with told_if_damaged(), database.write() as session:
            note_backup(session, note, None)
    say(
        f"{arguments.file}: {_holds(note)}\n"
        f"audit trail: {counted(note.audit_entries, 'entry', 'entries')}, "
        f"newest {note.audit_hash}\n"
    )
    return ExitCode.OK


def _restore(arguments: argparse.Namespace) -> ExitCode:
    from cardreader.register.backup import restore_backup
    from cardreader.register.database import Database, told_if_damaged
    from cardreader.register.lastbackup import note_put_back
    from cardreader.web.hold import data_lock
    from cardreader.web.listen import ServeError

    with told(ExitCode.NO_FILE, OSError, about=arguments.file), arguments.file.open("rb"):
        pass  # better told before a passphrase is asked for
    settings, passphrase = _settings(arguments), _passphrase()
    with (
        register_told(),
        writing(arguments.data),
        _restore_told(),
        told(ExitCode.BAD_DATA, ServeError),
        data_lock(settings.data),
    ):
        note = restore_backup(
            settings.url,
            settings.data,
            arguments.file,
            passphrase,
            arguments.replace,
            progress_of(arguments),
        )
        database = Database(settings.url)
        try:
            with told_if_damaged(), database.write() as session:
                note_put_back(session, note)
        finally:
            database.close()
    say(f"restored the backup of {note.made_at} to {settings.place_of_register}: {_holds(note)}\n")
    return ExitCode.OK


@contextmanager
def _restore_told() -> Iterator[None]:
    """The end of a restore: a full disk is no fault of the backup's."""
    from cardreader.register.backup import BackupError
    from cardreader.register.trouble import trouble_of

    try:
        yield
    except BackupError as error:
        cause = error.__cause__
        trouble = getattr(cause, "trouble", None) or (cause and trouble_of(cause))
        raise CommandError(code_of(trouble or None), str(error)) from None


def _audit(arguments: argparse.Namespace) -> ExitCode:
    from cardreader.register import audit
    from cardreader.register.database import told_if_damaged

    must_be_there(arguments)
    with (
        register_told(),
        opened_database(arguments) as database,
        told_if_damaged(),
        database.read() as session,
    ):
        check = audit.check(session)
    if not check:
        raise CommandError(
            ExitCode.BAD_DATA, f"the audit trail is broken at entry {check.broken_at}"
        )
    say(f"{counted(check.entries, 'entry', 'entries')}, unbroken; newest {check.newest_hash}\n")
    return ExitCode.OK


def _settings(arguments: argparse.Namespace, judging: Judging | None = None) -> Settings:
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


def _holds(note: BackupNote) -> str:
    women = counted(note.rows.get("woman", 0), "woman", "women")
    readings = counted(note.rows.get("reading", 0), "reading")
    return f"{women}, {readings}, {counted(note.photos, 'photo')}"


def _passphrase() -> str:
    return secret(PASSPHRASE_VARIABLE, "Passphrase of the backup: ")
