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
from cardreader.terminal.options import seed_option, whole, workers_option
from cardreader.terminal.output import make_folder, say, write_file
from cardreader.terminal.progress import progress_of, progress_option
from cardreader.terminal.readeroptions import today_option

if TYPE_CHECKING:
    from cardreader.hb.calibration import Calibration
    from cardreader.terminal.frame import Commands

DEFAULT_WORLDS, DEFAULT_PHOTOS, WORLDS_SEED = 1400, 56, 20261
BLEACHING_WORLDS = 500
"""Of those, the first: halves of them agree on what bleaching does (`sitefading.TWINS`)."""
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
        extra="study",
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
    _drawing_options(parser, DEFAULT_SEED)


def _drawing_options(parser: argparse.ArgumentParser, seed: int) -> None:
    seed_option(parser, seed, "calibration of a day")
    today_option(parser, "day to write into it")
    workers_option(parser)
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
        extra="study",
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
    _drawing_options(parser, WORLDS_SEED)


def _calibrate_prior(arguments: argparse.Namespace) -> ExitCode:
    from cardreader.calibrate.prior import (
        FACTOR,
        FACTOR_BY_DESIGN,
        FACTOR_BY_PHOTOS,
        fit_prior,
    )
    from cardreader.calibrate.sitefading import (
        FILE,
        PRIOR_OF,
        draw_bleaching,
        within_sites,
        write_bleaching,
    )
    from cardreader.calibrate.sitesittings import FILE as SITTINGS_FILE
    from cardreader.calibrate.sitesittings import WORLDS, draw_world_sittings, write_sittings
    from cardreader.card.cgats import read_lot_file
    from cardreader.simulate.worlds.draws import draw_each_way, draw_worlds

    out: Path = arguments.out
    make_folder(out)
    lot = None
    if arguments.lot is not None:
        with using_data():
            lot = read_lot_file(arguments.lot)
        if lot.spectra is None:
            raise CommandError(ExitCode.BAD_DATA, f"{arguments.lot} has no spectra")
    worlds = arguments.worlds or (DEFAULT_WORLDS if lot is None else LOT_WORLDS)
    day = arguments.today or date.today()
    with closing(progress_of(arguments)) as progress:
        progress.start("drawing", worlds, unit="world")
        asked = worlds, arguments.photos, arguments.seed, arguments.workers
        if lot is not None:
            found = draw_worlds(*asked, lot, progress.step)
            progress.note("fitting")
            name = f"worlds-of-{lot.lot_id}"
            _write_prior(out, fit_prior(found, day, name, workers=arguments.workers))
            return ExitCode.OK
        drawn = draw_each_way(*asked, progress.step)
        ways = drawn.by_lot, drawn.by_design, drawn.by_photos
        bleached = min(worlds, BLEACHING_WORLDS)
        firsts = [way.first(bleached) for way in ways]
        withins = [within_sites(first.measured.signature, first.world) for first in firsts]
        progress.start("bleaching", bleached, unit="world")
        learnt = draw_bleaching(withins, bleached, arguments.seed, arguments.workers, progress.step)
        sitting_worlds = min(worlds, WORLDS)
        progress.start("sittings", sitting_worlds, unit="world")
        drawing = arguments.seed, arguments.workers, progress.step
        sittings = draw_world_sittings(sitting_worlds, *drawing)
        factors = FACTOR, FACTOR_BY_DESIGN, FACTOR_BY_PHOTOS
        made = zip(PRIOR_OF, ways, firsts, learnt, sittings, factors, strict=True)
        for basis, way, first, bleaching, sitting, factor in made:
            folder = out / PRIOR_OF[basis]
            progress.note(f"fitting {folder.name}")
            named = day, folder.name, basis == "nominal", factor
            _write_prior(folder, fit_prior(way, *named, workers=arguments.workers))
            source = f"{len(first.world)} simulated sittings in {bleached} worlds"
            write_bleaching(folder / FILE, bleaching, f"{source}, seed {arguments.seed}")
            source = f"two photos each of sittings in {sitting_worlds} simulated worlds"
            write_sittings(folder / SITTINGS_FILE, sitting, f"{source}, seed {arguments.seed}")
    return ExitCode.OK


def _write_prior(folder: Path, prior: Calibration) -> None:
    make_folder(folder)
    write_file(folder / "model.json", prior.to_json())
    say(f"{folder / 'model.json'}: {prior.source}\n")
