"""The ``cardreader`` command: all commands brought together; each lives in its room's cli.py.

Thin: options in, one call to the pipeline, words or JSON out. Errors are one line on
standard error; exit codes are in ``terminal/exitcodes.py``.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Sequence
from importlib import import_module

from cardreader import __version__
from cardreader.commands.completion import add_completion
from cardreader.terminal.frame import Parser, exit_codes, run_command

_ABOUT = """\
Screening aid for antenatal outreach: reads haemoglobin from a phone photo of a
dried blood blot beside a printed reference card. It screens only. An anaemic
or doubtful reading needs a blood test at a health facility, and local protocol
and licensed staff decide what is done."""

_EXAMPLES = """\
examples:
  cardreader read photo.jpg
  cardreader read photo.jpg --annotate result.jpg --gestation-weeks 22
  cardreader read blot-1.jpg blot-2.jpg --json
  cardreader card --lot 12 --out card.pdf"""

_COMMANDS = {
    "cardreader.commands.read:add_read": ("read",),
    "cardreader.commands.card:add_card": ("card",),
    "cardreader.commands.cardcolours:add_card_colours": ("card-colours",),
    "cardreader.commands.check:add_check": ("check",),
    "cardreader.simulate.cli:add_simulate": ("simulate",),
    "cardreader.calibrate.defaultcli:add_calibrate_default": ("calibrate-default",),
    "cardreader.calibrate.defaultcli:add_calibrate_prior": ("calibrate-prior",),
    "cardreader.batch.cli:add_batch": ("batch",),
    "cardreader.calibrate.cli:add_study": ("study",),
    "cardreader.web.servecli:add_serve": ("serve",),
    "cardreader.web.usercli:add_user": ("user",),
    "cardreader.web.backupcli:add_backups": ("backup", "restore", "audit"),
    "cardreader.web.mergecli:add_merge": ("registers", "hand-over", "take-in"),
    "cardreader.web.meetcli:add_meet": ("meet",),
}
"""What adds which commands, in the order of help: named, not imported, so that a command waits
for no other's modules and options, which takes longer than to read a photo."""


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command; returns the exit code and lets no exception out."""
    # Before NumPy is loaded: the matrices here are small, and threads of linear algebra
    # wait for each other in loops that burn the processor.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    words = sys.argv[1:] if argv is None else argv
    return run_command(lambda: build_parser(words[0] if words else ""), words)


def build_parser(asked: str = "") -> Parser:
    """The parser with every command and option; tests hold docs/cli.md against it.

    With the name of a command, that one alone and what is added with it.
    """
    parser = Parser(
        prog="cardreader",
        description=_ABOUT,
        epilog=f"{_EXAMPLES}\n\n{exit_codes()}",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="version", version=f"cardreader {__version__}")
    commands = parser.add_subparsers(title="commands", metavar="COMMAND", required=True)
    wanted = [added_by for added_by, names in _COMMANDS.items() if asked in names]
    for added_by in wanted or _COMMANDS:
        module, function = added_by.split(":")
        getattr(import_module(module), function)(commands)
    if not wanted:
        add_completion(commands, build_parser)
    return parser
