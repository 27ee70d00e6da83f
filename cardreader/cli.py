"""The ``cardreader`` command: all commands brought together; each lives in its room's cli.py.

Thin: options in, one call to the pipeline, words or JSON out. Errors are one line on
standard error; exit codes are in ``terminal/exitcodes.py``.
"""

from __future__ import annotations

import argparse
import os
from collections.abc import Sequence

from cardreader import __version__
from cardreader.batch.cli import add_batch
from cardreader.calibrate.cli import add_study
from cardreader.calibrate.defaultcli import add_calibrate_default, add_calibrate_prior
from cardreader.commands.card import add_card
from cardreader.commands.cardcolours import add_card_colours
from cardreader.commands.check import add_check
from cardreader.commands.completion import add_completion
from cardreader.commands.read import add_read
from cardreader.simulate.cli import add_simulate
from cardreader.terminal.frame import Parser, exit_codes, run_command
from cardreader.web.cli import add_register
from cardreader.web.meetcli import add_meet
from cardreader.web.mergecli import add_merge

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


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command; returns the exit code and lets no exception out."""
    # Before NumPy is loaded: the matrices here are small, and threads of linear algebra
    # wait for each other in loops that burn the processor.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    return run_command(build_parser, argv)


def build_parser() -> Parser:
    """The parser with every command and option; tests hold docs/cli.md against it."""
    parser = Parser(
        prog="cardreader",
        description=_ABOUT,
        epilog=f"{_EXAMPLES}\n\n{exit_codes()}",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="version", version=f"cardreader {__version__}")
    commands = parser.add_subparsers(title="commands", metavar="COMMAND", required=True)
    add_read(commands)
    add_card(commands)
    add_card_colours(commands)
    add_check(commands)
    add_simulate(commands)
    add_calibrate_default(commands)
    add_calibrate_prior(commands)
    add_batch(commands)
    add_study(commands)
    add_register(commands)
    add_merge(commands)
    add_meet(commands)
    add_completion(commands, build_parser)
    return parser
