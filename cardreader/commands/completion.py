"""``cardreader completion``: words, options and files completed by the shell's Tab key."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from cardreader.terminal.exitcodes import ExitCode
from cardreader.terminal.frame import command
from cardreader.terminal.output import say

if TYPE_CHECKING:
    from cardreader.terminal.frame import Commands, Parser

SHELLS = ("bash", "zsh", "fish")
_FOLDERS = ("DIR", "FOLDER")


def add_completion(commands: Commands, make_parser: Callable[[], Parser]) -> None:
    """Add ``completion`` to the command line; ``make_parser`` makes the whole of it."""
    parser = command(
        commands,
        "completion",
        lambda arguments: _completion(arguments, make_parser()),
        "print what lets the shell's Tab key complete this command",
        "Put it where the shell looks for completions, or load it in the shell's start file.",
        example='eval "$(cardreader completion bash)"',
    )
    parser.add_argument("shell", choices=SHELLS, help="shell to complete in")


def _completion(arguments: argparse.Namespace, parser: Parser) -> ExitCode:
    import shtab

    _mark_paths(parser)
    say(shtab.complete(parser, arguments.shell) + "\n")
    return ExitCode.OK


def _mark_paths(parser: argparse.ArgumentParser) -> None:
    """Tell shtab which arguments are files and folders: those whose type is a path."""
    import shtab

    for action in parser._actions:
        if isinstance(action, argparse._SubParsersAction):
            # Shells show one line of each command: its own short one, not half a paragraph.
            for listed in action._choices_actions:
                action.choices[listed.dest].description = listed.help
            for below in action.choices.values():
                _mark_paths(below)
        elif action.type is Path or action.dest in ("sources", "annotate"):
            folder = action.metavar in _FOLDERS
            action.complete = shtab.DIR if folder else shtab.FILE  # type: ignore[attr-defined]
