"""What the command tells the shell; the largest code wins when there are several photos."""

from __future__ import annotations

from enum import IntEnum


class ExitCode(IntEnum):
    """Exit codes of the ``cardreader`` command."""

    OK = 0
    DEFECT = 1
    USAGE = 2
    REFUSED = 3
    NO_FILE = 4
    BAD_DATA = 5
    NOT_WRITTEN = 6
    UNFIT = 7


MEANING: dict[ExitCode, str] = {
    ExitCode.OK: "done; every photo was read",
    ExitCode.DEFECT: "a defect in this program",
    ExitCode.USAGE: "the command was not understood",
    ExitCode.REFUSED: "a photo could not be read; the reason and advice are printed",
    ExitCode.NO_FILE: "a file can't be opened",
    ExitCode.BAD_DATA: "a lot, calibration, protocol, table or register can't be used",
    ExitCode.NOT_WRITTEN: "a result can't be written",
    ExitCode.UNFIT: "this machine is not fit for the work; check says why",
}
