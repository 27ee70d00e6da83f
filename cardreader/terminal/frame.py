"""The frame of every command: its parser, and how it runs and ends.

A command is a function from parsed arguments to an exit code. What it needs is
imported inside it, so that ``--help`` answers at once on a slow machine.
"""

from __future__ import annotations

import argparse
import io
import os
import re
import sys
import textwrap
import warnings
from collections.abc import Callable, Sequence
from functools import partial
from importlib.util import find_spec
from typing import TYPE_CHECKING, NoReturn

from cardreader.terminal.exitcodes import MEANING, ExitCode
from cardreader.terminal.failing import CommandError
from cardreader.terminal.output import complain, say

TRACEBACK_VARIABLE = "CARDREADER_TRACEBACK"
INTERRUPTED = 128 + 2
"""As shells report an interrupt."""

Run = Callable[[argparse.Namespace], ExitCode]


_NUMBERS = {"int": "a whole number, such as 22", "float": "a number, such as 1200.5"}
"""What argparse calls by the names of Python's types."""


class Parser(argparse.ArgumentParser):
    """A parser whose errors are one line, like all others here."""

    def error(self, message: str) -> NoReturn:
        """End the command over what wasn't understood."""
        for kind, wanted in _NUMBERS.items():
            message = re.sub(rf"invalid {kind} value: (.+)", rf"\1 is not {wanted}", message)
        complain(f"{message} (see {self.prog} --help)")
        raise SystemExit(int(ExitCode.USAGE))


if TYPE_CHECKING:
    Commands = argparse._SubParsersAction[Parser]
"""The commands that a parser knows, to which more are added."""


def command(
    commands: Commands,
    name: str,
    run: Run,
    about: str,
    more: str = "",
    *,
    example: str,
    stopped: str = "every file that was written is whole",
    extra: str = "",
) -> Parser:
    """Add a command.

    ``about`` stands in the list of commands, ``more`` and one ``example`` in its own
    help; ``stopped`` is said when it is stopped by Ctrl-C. ``extra`` brings what it needs
    beyond the plain install; the commands below it need that too.
    """
    parser = commands.add_parser(
        name,
        help=about,
        description=textwrap.fill(f"{about[0].upper()}{about[1:]}. {more}".strip(), 79),
        epilog=f"example:\n  {example}\n\n{exit_codes()}",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.set_defaults(run=run, stopped=stopped, not_known=partial(_not_known, parser))
    if extra:
        parser.set_defaults(extra=extra)
    return parser


def _not_known(parser: Parser, words: Sequence[str]) -> NoReturn:
    """End a command over words that are no options of its: its own help has those, not the top's"""
    parser.error(f"unrecognized arguments: {' '.join(words)}")


def exit_codes() -> str:
    """Exit codes and their meaning, for help."""
    lines = [f"  {code.value}  {meaning}" for code, meaning in MEANING.items()]
    return "\n".join(["exit codes:", *lines, "With several photos the largest code is given."])


def run_command(make_parser: Callable[[], Parser], argv: Sequence[str] | None) -> int:
    """Run what ``argv`` asks for; returns the exit code and lets no exception out."""
    if isinstance(sys.stdout, io.TextIOWrapper):
        # A file name that the terminal can't show must not cost the result.
        sys.stdout.reconfigure(errors="backslashreplace")
    # What colour-science says on import where matplotlib isn't there; errors are one line.
    warnings.filterwarnings("ignore", message='"Matplotlib" related API')
    code = _run(make_parser, argv)
    try:
        say("")  # what argparse or a library printed may still be on its way
    except CommandError as failure:
        complain(str(failure))
        code = int(failure.code)
    return code


def _run(make_parser: Callable[[], Parser], argv: Sequence[str] | None) -> int:
    stopped, extra = "", ""
    try:
        arguments, words = make_parser().parse_known_args(argv)
        if words:
            arguments.not_known(words)
        stopped, extra = arguments.stopped, getattr(arguments, "extra", "")
        run: Run = arguments.run
        return int(run(arguments))
    except CommandError as failure:
        complain(str(failure))
        return int(failure.code)
    except SystemExit as leaving:  # argparse, after --help or a wrong option
        return leaving.code if isinstance(leaving.code, int) else int(ExitCode.USAGE)
    except KeyboardInterrupt:
        complain(f"stopped: {stopped}" if stopped else "stopped")
        return INTERRUPTED
    except Exception as error:
        if os.environ.get(TRACEBACK_VARIABLE):
            raise
        if isinstance(error, ModuleNotFoundError) and not _is_ours(error.name):
            complain(
                f"{error.name} is missing: pip install '.[{extra or 'study,web,batch'}]' "
                "in the checkout brings what this command needs"
            )
            return int(ExitCode.USAGE)
        complain(
            f"defect: {type(error).__name__}: {error} "
            f"(set {TRACEBACK_VARIABLE}=1 to see where, and report it)"
        )
        return int(ExitCode.DEFECT)


def must_be_installed(*modules: str) -> None:
    """End the command now over what it needs in the end: after hours of work it is late to tell.

    ModuleNotFoundError, which `run` tells with the extra that brings it.
    """
    for name in modules:
        if not is_installed(name):
            raise ModuleNotFoundError(f"No module named {name!r}", name=name)


def is_installed(module: str) -> bool:
    """Whether a library is there, without loading it."""
    try:
        return find_spec(module) is not None
    except ValueError:  # loaded, and it doesn't say from where
        return sys.modules.get(module) is not None


def _is_ours(module: str | None) -> bool:
    return (module or "cardreader").split(".")[0] == "cardreader"
