"""Commands backup, restore and audit: that nothing of a register is lost or changed unseen."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from cardreader.terminal.exitcodes import ExitCode
from cardreader.terminal.failing import CommandError, told, writing
from cardreader.terminal.frame import command
from cardreader.terminal.output import counted, say
from cardreader.terminal.progress import progress_of, progress_option
from cardreader.web.registerat import (
    add_where,
    code_of,
    must_be_there,
    opened_database,
    register_told,
    secret,
    settings_of,
    spare_others,
)

if TYPE_CHECKING:
    from cardreader.register.backupnote import BackupNote
    from cardreader.terminal.frame import Commands

PASSPHRASE_VARIABLE = "CARDREADER_BACKUP_PASSPHRASE"


def add_backups(commands: Commands) -> None:
    """Add ``backup``, ``restore`` and ``audit`` to the command line."""
    for add in (_add_backup, _add_restore, _add_audit):
        add_where(add(commands))


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
    say(f"{arguments.file}: {_holds(note)}\n{_trail(note)}\n")
    return ExitCode.OK


def _restore(arguments: argparse.Namespace) -> ExitCode:
    from cardreader.register.backup import restore_backup
    from cardreader.register.lastbackup import note_put_back
    from cardreader.web.hold import data_lock
    from cardreader.web.listen import ServeError

    with told(ExitCode.NO_FILE, OSError, about=arguments.file), arguments.file.open("rb"):
        pass  # better told before a passphrase is asked for
    settings, passphrase = settings_of(arguments), _passphrase()
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
            note_put_back,
        )
    say(f"restored the backup of {note.made_at} to {settings.place_of_register}: {_holds(note)}\n")
    say(f"{_trail(note)}; a note that it was put back follows\n")
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


def _holds(note: BackupNote) -> str:
    women = counted(note.rows.get("woman", 0), "woman", "women")
    readings = counted(note.rows.get("reading", 0), "reading")
    return f"{women}, {readings}, {counted(note.photos, 'photo')}"


def _trail(note: BackupNote) -> str:
    entries = counted(note.audit_entries, "entry", "entries")
    return f"audit trail: {entries}, newest {note.audit_hash}"


def _passphrase() -> str:
    return secret(PASSPHRASE_VARIABLE, "Passphrase of the backup: ")
