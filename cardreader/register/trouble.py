"""What a database or disk complains of, and what to do about it, in one sentence.

"Restore the newest backup" costs a day's work where nothing is damaged. So a full
disk, a locked or write-protected register and a server that doesn't let us in are
told apart from damage, by the codes of SQLite (sqlite.org/rescode.html), PostgreSQL
(its manual's appendix A, SQLSTATE) and the system.
"""

from __future__ import annotations

import errno
import sqlite3
from enum import StrEnum


class Trouble(StrEnum):
    """Kinds of trouble; only `DAMAGED` asks for a backup."""

    FULL = "full"
    LOCKED = "locked"
    READ_ONLY = "read_only"
    NOT_OPENED = "not_opened"
    DISK = "disk"
    NO_ENTRY = "no_entry"
    NO_DATABASE = "no_database"
    UNREACHABLE = "unreachable"
    CROWDED = "crowded"
    DAMAGED = "damaged"


ADVICE: dict[Trouble, str] = {
    Trouble.FULL: "the disk is full: free some space and try again; what was entered is safe",
    Trouble.LOCKED: (
        "another program holds the register: wait until it is done, or stop it, and try again"
    ),
    Trouble.READ_ONLY: (
        "the register can't be written: give this user the right to write to its file and "
        "folder, and try again; nothing is damaged"
    ),
    Trouble.NOT_OPENED: (
        "the register's file can't be opened: check that its folder is there and that this "
        "user may read and write it"
    ),
    Trouble.DISK: (
        "the disk reports an error: stop the server, copy the folder of the register to another "
        "disk, and go on from there"
    ),
    Trouble.NO_ENTRY: (
        "the database server doesn't let us in: check the name and the password in the "
        "database's URL"
    ),
    Trouble.NO_DATABASE: (
        "the database server has no database of this name: make it there, or mend the "
        "database's URL"
    ),
    Trouble.UNREACHABLE: (
        "the database server can't be reached: check that it runs and that the database's URL "
        "names the right machine and port"
    ),
    Trouble.CROWDED: "the database server has no connection left: try again in a minute",
    Trouble.DAMAGED: "the register can't be opened or is damaged: restore the newest backup",
}

_SQLITE = {
    sqlite3.SQLITE_FULL: Trouble.FULL,
    sqlite3.SQLITE_BUSY: Trouble.LOCKED,
    sqlite3.SQLITE_LOCKED: Trouble.LOCKED,
    sqlite3.SQLITE_PROTOCOL: Trouble.LOCKED,
    sqlite3.SQLITE_READONLY: Trouble.READ_ONLY,
    sqlite3.SQLITE_PERM: Trouble.READ_ONLY,
    sqlite3.SQLITE_AUTH: Trouble.READ_ONLY,
    sqlite3.SQLITE_CANTOPEN: Trouble.NOT_OPENED,
    sqlite3.SQLITE_IOERR: Trouble.DISK,
    sqlite3.SQLITE_CORRUPT: Trouble.DAMAGED,
    sqlite3.SQLITE_NOTADB: Trouble.DAMAGED,
}
_SYSTEM = {
    errno.ENOSPC: Trouble.FULL,
    errno.EDQUOT: Trouble.FULL,
    errno.EROFS: Trouble.READ_ONLY,
    errno.EACCES: Trouble.READ_ONLY,
    errno.EPERM: Trouble.READ_ONLY,
    errno.EIO: Trouble.DISK,
}
_SQLSTATE = {
    "53100": Trouble.FULL,
    "53300": Trouble.CROWDED,
    "55P03": Trouble.LOCKED,
    "40P01": Trouble.LOCKED,
    "25006": Trouble.READ_ONLY,
    "42501": Trouble.READ_ONLY,
    "28P01": Trouble.NO_ENTRY,
    "28000": Trouble.NO_ENTRY,
    "3D000": Trouble.NO_DATABASE,
    "57P01": Trouble.UNREACHABLE,
    "57P03": Trouble.UNREACHABLE,
    "XX001": Trouble.DAMAGED,
    "XX002": Trouble.DAMAGED,
}
# While connecting there is no code, only the server's words or the system's.
_CONNECTING = (
    ("authentication failed", Trouble.NO_ENTRY),
    ("no password supplied", Trouble.NO_ENTRY),
    ("no pg_hba.conf entry", Trouble.NO_ENTRY),
    ("does not exist", Trouble.NO_DATABASE),
    ("too many clients", Trouble.CROWDED),
    ("remaining connection slots", Trouble.CROWDED),
)


def trouble_of(error: BaseException) -> Trouble | None:
    """What kind of trouble an exception tells of; None when it tells of none known here."""
    cause = getattr(error, "orig", None) or error
    if isinstance(cause, OSError):
        return _SYSTEM.get(cause.errno or 0)
    code = getattr(cause, "sqlite_errorcode", None)
    if isinstance(code, int):
        # SQLite's own word for a log's index that finds no room is one of a disk that errs.
        no_room = code == sqlite3.SQLITE_IOERR_SHMSIZE
        return Trouble.FULL if no_room else _SQLITE.get(code & 0xFF)
    if type(cause).__module__.startswith("psycopg"):
        return _of_server(cause)
    return None


def _of_server(error: BaseException) -> Trouble | None:
    import psycopg

    state = getattr(error, "sqlstate", None)
    if state is not None:
        return _SQLSTATE.get(state)
    if not isinstance(error, psycopg.OperationalError):
        return None
    words = str(error)
    return next((t for part, t in _CONNECTING if part in words), Trouble.UNREACHABLE)
