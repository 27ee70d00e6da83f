"""``cardreader calibrate-default``: the calibration that ships, fitted again."""

from __future__ import annotations

import argparse
from contextlib import closing
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from cardreader.terminal.exitcodes import ExitCode
from cardreader.terminal.frame import command
from cardreader.terminal.options import whole
from cardreader.terminal.output import make_folder, say, write_file
from cardreader.terminal.progress import progress_of, progress_option
from cardreader.terminal.readeroptions import today_option

if TYPE_CHECKING:
    from cardreader.terminal.frame import Commands

DEFAULT_SITTINGS = 12_000
DEFAULT_SEED = 2026
FEWEST_SITTINGS, MOST_SITTINGS = 300, 200_000


def add_calibrate_default(commands: Commands) -> None:
    """Add ``calibrate-default`` to the command line."""
    parser = command(
        commands,
        "calibrate-default",
        _calibrate_default,
        "fit the default calibration again",
        "It is fitted to simulated sittings and claims no clinical accuracy.",
        example="cardreader calibrate-default --out calibration/ --workers 2",
    )
    parser.add_argument(
        "--out", type=Path, required=True, metavar="DIR", help="folder to write model.json to"
    )
    parser.add_argument(
        "--sittings",
        type=whole(FEWEST_SITTINGS, MOST_SITTINGS),
        default=DEFAULT_SITTINGS,
        metavar="N",
        help=f"simulated sittings to fit to (default: {DEFAULT_SITTINGS})",
    )
    parser.add_argument(
        "--seed",
        type=whole(0, 2**31),
        default=DEFAULT_SEED,
        metavar="N",
        help=f"same seed and date, same calibration (default: {DEFAULT_SEED})",
    )
    today_option(parser, "day to write into it")
    parser.add_argument(
        "--workers",
        type=whole(1, 256),
        default=1,
        metavar="N",
        help="processes to draw with (default: 1)",
    )
    progress_option(parser)


def _calibrate_default(arguments: argparse.Namespace) -> ExitCode:
    from cardreader.calibrate.bleaching import fit_fading
    from cardreader.calibrate.default import draw_pairs, fit_default

    out: Path = arguments.out
    make_folder(out)
    with closing(progress_of(arguments)) as progress:
        progress.start("drawing", arguments.sittings, unit="sitting")
        pairs = draw_pairs(
            arguments.sittings, arguments.seed, workers=arguments.workers, drawn=progress.step
        )
        progress.note("fitting")
        fading = fit_fading(pairs, arguments.seed)
        calibration = fit_default(pairs, arguments.today or date.today(), arguments.seed, fading)
    write_file(out / "model.json", calibration.to_json())
    say(f"{out / 'model.json'}: calibration {calibration.id}, from {calibration.source}\n")
    return ExitCode.OK
