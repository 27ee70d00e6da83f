"""``cardreader calibrate-default`` and ``calibrate-prior``: the calibrations that ship."""

from __future__ import annotations

import argparse
from contextlib import closing
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from cardreader.terminal.exitcodes import ExitCode
from cardreader.terminal.failing import CommandError, using_data
from cardreader.terminal.frame import command
from cardreader.terminal.options import whole
from cardreader.terminal.output import make_folder, say, write_file
from cardreader.terminal.progress import progress_of, progress_option
from cardreader.terminal.readeroptions import today_option

if TYPE_CHECKING:
    from cardreader.terminal.frame import Commands

DEFAULT_WORLDS, DEFAULT_PHOTOS, WORLDS_SEED = 1200, 56, 20261
LOT_WORLDS = 200
FEWEST_WORLDS, MOST_WORLDS = 60, 20_000
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
    from cardreader.core.shipped import shipped
    from cardreader.hb.container import load_calibration

    out: Path = arguments.out
    make_folder(out)
    with closing(progress_of(arguments)) as progress:
        progress.start("drawing", arguments.sittings, unit="sitting")
        pairs = draw_pairs(
            arguments.sittings, arguments.seed, workers=arguments.workers, drawn=progress.step
        )
        progress.note("fitting")
        fading = fit_fading(pairs, arguments.seed)
        prior = load_calibration(shipped("worlds"))
        day = arguments.today or date.today()
        calibration = fit_default(pairs, day, arguments.seed, prior, fading, arguments.workers)
    write_file(out / "model.json", calibration.to_json())
    say(f"{out / 'model.json'}: calibration {calibration.id}, from {calibration.source}\n")
    return ExitCode.OK


def add_calibrate_prior(commands: Commands) -> None:
    """Add ``calibrate-prior`` to the command line."""
    parser = command(
        commands,
        "calibrate-prior",
        _calibrate_prior,
        "fit the prior of sites again, or one for a lot's own inks",
        "It is fitted to simulated worlds and gives no value by itself: 'study fit' conditions "
        "it on laboratory pairs. With --lot the worlds have the measured inks of that lot.",
        example="cardreader calibrate-prior --lot my-lots/000012.txt --out my-prior",
    )
    parser.add_argument("--out", type=Path, required=True, metavar="DIR", help="folder to write to")
    parser.add_argument(
        "--lot", type=Path, metavar="FILE", help="file of a card lot with its spectra"
    )
    parser.add_argument(
        "--worlds",
        type=whole(FEWEST_WORLDS, MOST_WORLDS),
        metavar="N",
        help=f"simulated worlds (default: {DEFAULT_WORLDS}, {LOT_WORLDS} for a lot)",
    )
    parser.add_argument(
        "--photos",
        type=whole(8, 1000),
        default=DEFAULT_PHOTOS,
        metavar="N",
        help=f"sittings in each (default: {DEFAULT_PHOTOS})",
    )
    parser.add_argument(
        "--seed",
        type=whole(0, 2**31),
        default=WORLDS_SEED,
        metavar="N",
        help=f"same seed and date, same prior (default: {WORLDS_SEED})",
    )
    today_option(parser, "day to write into it")
    parser.add_argument(
        "--workers", type=whole(1, 256), default=1, metavar="N", help="processes (default: 1)"
    )


def _calibrate_prior(arguments: argparse.Namespace) -> ExitCode:
    from cardreader.calibrate.prior import fit_prior
    from cardreader.card.cgats import read_lot_file
    from cardreader.simulate.worlds.draws import draw_worlds

    out: Path = arguments.out
    make_folder(out)
    lot = None
    if arguments.lot is not None:
        with using_data():
            lot = read_lot_file(arguments.lot)
        if lot.spectra is None:
            raise CommandError(ExitCode.BAD_DATA, f"{arguments.lot} has no spectra")
    worlds = arguments.worlds or (DEFAULT_WORLDS if lot is None else LOT_WORLDS)
    drawn = draw_worlds(worlds, arguments.photos, arguments.seed, arguments.workers, lot)
    day = arguments.today or date.today()
    if lot is not None:
        prior = fit_prior(drawn.by_lot, day, f"worlds-of-{lot.lot_id}")
        write_file(out / "model.json", prior.to_json())
        say(f"{out / 'model.json'}: {prior.source}\n")
        return ExitCode.OK
    for name, pairs in (("worlds", drawn.by_lot), ("worlds-design", drawn.by_design)):
        prior = fit_prior(pairs, day, name, by_design=pairs is drawn.by_design)
        make_folder(out / name)
        write_file(out / name / "model.json", prior.to_json())
        say(f"{out / name / 'model.json'}: {prior.source}\n")
    return ExitCode.OK
