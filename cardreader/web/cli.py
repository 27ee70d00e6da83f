"""Commands of the register: serve, user, backup, restore, audit."""

from __future__ import annotations

import argparse
import getpass
import os
from pathlib import Path
from typing import TYPE_CHECKING

from cardreader.terminal.exitcodes import ExitCode
from cardreader.terminal.frame import command
from cardreader.terminal.output import complain
from cardreader.terminal.readeroptions import calibration_option, lots_option, protocol_option

if TYPE_CHECKING:
    from cardreader.terminal.frame import Commands
    from cardreader.web.settings import Settings

DATA_VARIABLE = "CARDREADER_DATA"
DATABASE_VARIABLE = "CARDREADER_DATABASE"
PASSPHRASE_VARIABLE = "CARDREADER_BACKUP_PASSPHRASE"
PASSWORD_VARIABLE = "CARDREADER_NEW_PASSWORD"
PORT, START_PORT = 8443, 8080
EVERYWHERE = "0.0.0.0"


def add_register(commands: Commands) -> None:
    """Add the register's commands to the command line."""
    for add in (_add_serve, _add_user, _add_backup, _add_restore, _add_audit):
        _add_where(add(commands))


def _add_serve(commands: Commands) -> argparse.ArgumentParser:
    parser = command(
        commands,
        "serve",
        _serve,
        "run the phone pages and the register",
        "A phone on the same hotspot opens the address that is shown. Stop with Ctrl-C.",
    )
    parser.add_argument(
        "--host", default=EVERYWHERE, metavar="ADDRESS", help="address to listen on (default: all)"
    )
    parser.add_argument(
        "--port", type=int, default=PORT, metavar="N", help=f"port (default {PORT})"
    )
    parser.add_argument(
        "--start-port",
        type=int,
        default=START_PORT,
        metavar="N",
        help=f"port of the unencrypted start page (default {START_PORT})",
    )
    parser.add_argument("--plain", action="store_true", help="plain HTTP, no certificates")
    parser.add_argument(
        "--photos",
        choices=("none", "encrypted"),
        default="none",
        help="what becomes of photos once read (default: not kept)",
    )
    parser.add_argument("--place", default="", metavar="NAME", help="shown on pages and slips")
    parser.add_argument(
        "--elevation-m", type=float, metavar="M", help="elevation of the place, metres"
    )
    protocol_option(parser)
    calibration_option(parser)
    lots_option(parser)
    return parser


def _add_user(commands: Commands) -> argparse.ArgumentParser:
    parser = command(
        commands,
        "user",
        _user,
        "add a person who may sign in, or set a password",
        f"The password is asked for, or taken from ${PASSWORD_VARIABLE}.",
    )
    parser.add_argument("what", choices=("add", "password"), help="add, or set the password")
    parser.add_argument("name", metavar="NAME", help="name to sign in with")
    parser.add_argument(
        "--role",
        choices=("worker", "supervisor", "researcher"),
        default="worker",
        help="what the person may do (default worker)",
    )
    return parser


def _add_backup(commands: Commands) -> argparse.ArgumentParser:
    parser = command(
        commands,
        "backup",
        _backup,
        "write the whole register to one encrypted file",
        f"The passphrase is asked for, or taken from ${PASSPHRASE_VARIABLE}. The server may run.",
    )
    parser.add_argument("file", type=Path, metavar="FILE", help="file to write")
    return parser


def _add_restore(commands: Commands) -> argparse.ArgumentParser:
    parser = command(
        commands,
        "restore",
        _restore,
        "put a backup in place of the register",
        "Stop the server first. Everybody signs in anew afterwards.",
    )
    parser.add_argument("file", type=Path, metavar="FILE", help="backup to read")
    parser.add_argument(
        "--replace", action="store_true", help="also where the register holds data already"
    )
    return parser


def _add_audit(commands: Commands) -> argparse.ArgumentParser:
    return command(commands, "audit", _audit, "check that the register's audit trail is unchanged")


def _add_where(parser: argparse.ArgumentParser) -> None:
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


def _serve(arguments: argparse.Namespace) -> ExitCode:
    from cardreader.register.database import RegisterError
    from cardreader.register.photostore import PhotoStoreError
    from cardreader.web.pipelinereader import PipelineReader
    from cardreader.web.serve import ServeError, serve
    from cardreader.web.tls import CertificateError

    try:
        reader = PipelineReader.load(arguments.lots, arguments.calibration, arguments.protocol)
    except (ValueError, OSError) as error:
        return _fail(ExitCode.BAD_DATA, str(error))
    try:
        serve(
            _settings(arguments),
            reader,
            arguments.host,
            arguments.port,
            None if arguments.plain else arguments.start_port,
        )
    except (ServeError, RegisterError, PhotoStoreError, CertificateError) as error:
        return _fail(ExitCode.BAD_DATA, str(error))
    except KeyboardInterrupt:
        pass
    return ExitCode.OK


def _user(arguments: argparse.Namespace) -> ExitCode:
    from cardreader.register import accounts
    from cardreader.register.database import Database, RegisterError
    from cardreader.register.models import Role

    password = _secret(PASSWORD_VARIABLE, f"New password for {arguments.name}: ")
    settings = _settings(arguments)
    settings.data.mkdir(mode=0o700, parents=True, exist_ok=True)
    database = Database(settings.url)
    try:
        database.migrate()
        with database.write() as session:
            if arguments.what == "add":
                accounts.add_account(session, arguments.name, Role(arguments.role), password)
                return ExitCode.OK
            account = accounts.find_account(session, arguments.name)
            if account is None:
                return _fail(ExitCode.BAD_DATA, f"there is no {arguments.name}")
            accounts.set_password(session, account, password, None)
    except (ValueError, RegisterError) as error:
        return _fail(ExitCode.BAD_DATA, str(error))
    finally:
        database.close()
    return ExitCode.OK


def _backup(arguments: argparse.Namespace) -> ExitCode:
    from cardreader.register.backup import BackupError, make_backup
    from cardreader.register.database import Database, RegisterError, told_if_damaged
    from cardreader.register.lastbackup import note_backup

    settings = _settings(arguments)
    database = Database(settings.url)
    try:
        database.migrate()
        note = make_backup(database, settings.data, arguments.file, _passphrase())
        with told_if_damaged(), database.write() as session:
            note_backup(session, note, None)
    except RegisterError as error:
        return _fail(ExitCode.BAD_DATA, str(error))
    except (BackupError, OSError) as error:
        return _fail(ExitCode.NOT_WRITTEN, str(error))
    finally:
        database.close()
    print(
        f"{arguments.file}: {note.rows.get('woman', 0)} women, "
        f"{note.rows.get('reading', 0)} readings, {note.photos} photos\n"
        f"audit trail: {note.audit_entries} entries, newest {note.audit_hash}"
    )
    return ExitCode.OK


def _restore(arguments: argparse.Namespace) -> ExitCode:
    from cardreader.register.backup import BackupError, restore_backup
    from cardreader.web.serve import ServeError, data_lock

    settings = _settings(arguments)
    try:
        with data_lock(settings.data):
            note = restore_backup(
                settings.url, settings.data, arguments.file, _passphrase(), arguments.replace
            )
    except (BackupError, ServeError) as error:
        return _fail(ExitCode.BAD_DATA, str(error))
    print(
        f"restored the backup of {note.made_at}: {note.rows.get('woman', 0)} women, "
        f"{note.rows.get('reading', 0)} readings, {note.photos} photos"
    )
    return ExitCode.OK


def _audit(arguments: argparse.Namespace) -> ExitCode:
    from cardreader.register import audit
    from cardreader.register.database import Database, RegisterError, told_if_damaged

    database = Database(_settings(arguments).url)
    try:
        database.migrate()
        with told_if_damaged(), database.read() as session:
            check = audit.check(session)
    except RegisterError as error:
        return _fail(ExitCode.BAD_DATA, str(error))
    finally:
        database.close()
    if not check:
        return _fail(ExitCode.BAD_DATA, f"the audit trail is broken at entry {check.broken_at}")
    print(f"{check.entries} entries, unbroken; newest {check.newest_hash}")
    return ExitCode.OK


def _settings(arguments: argparse.Namespace) -> Settings:
    from cardreader.web.settings import PhotoPolicy, Settings

    return Settings(
        data=arguments.data,
        database_url=arguments.database,
        photos=PhotoPolicy(getattr(arguments, "photos", "none")),
        place=getattr(arguments, "place", ""),
        elevation_m=getattr(arguments, "elevation_m", None),
    )


def _passphrase() -> str:
    return _secret(PASSPHRASE_VARIABLE, "Passphrase of the backup: ")


def _secret(variable: str, prompt: str) -> str:
    return os.environ.get(variable) or getpass.getpass(prompt)


def _fail(code: ExitCode, message: str) -> ExitCode:
    complain(message)
    return code
