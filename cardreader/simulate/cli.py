"""``cardreader simulate``: synthetic photos with known truth."""

from __future__ import annotations

import argparse
import json
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cardreader.terminal.exitcodes import ExitCode
from cardreader.terminal.failing import writing
from cardreader.terminal.frame import command
from cardreader.terminal.options import number, seed_option, whole
from cardreader.terminal.output import make_folder, say, write_file
from cardreader.terminal.progress import progress_of, progress_option, shown_as

if TYPE_CHECKING:
    from cardreader.terminal.frame import Commands

MOST_SYNTHETIC = 10_000


def add_simulate(commands: Commands) -> None:
    """Add ``simulate`` to the command line."""
    parser = command(
        commands,
        "simulate",
        _simulate,
        "render synthetic photos with known truth",
        "For trying out and testing only: no blood was photographed.",
        example="cardreader simulate --out demo/ --hb 6 9 12",
        extra="simulate",
    )
    parser.add_argument(
        "--out", type=Path, required=True, metavar="DIR", help="folder to write photos to"
    )
    parser.add_argument(
        "--hb",
        type=number(3, 18),
        nargs="+",
        default=[9.0],
        metavar="G_DL",
        help="haemoglobin of the photos in turn, g/dL, 3 to 18 (default: 9)",
    )
    seed_option(parser, 1, "photos")
    parser.add_argument(
        "--count",
        type=whole(1, MOST_SYNTHETIC),
        metavar="N",
        help="number of photos (default: one for each --hb)",
    )
    parser.add_argument(
        "--samples",
        action="store_true",
        help="write the project's sample photos, good and refused, with their readings instead",
    )
    progress_option(parser)


def _simulate(arguments: argparse.Namespace) -> ExitCode:
    count = len(arguments.hb) if arguments.count is None else arguments.count
    if arguments.samples:
        return _sample_photos(arguments)
    out: Path = arguments.out
    make_folder(out)
    truth: list[dict[str, Any]] = []
    try:
        _render(arguments, count, truth)
    finally:  # after Ctrl-C too: the photos that there are have their truth
        write_file(out / "truth.json", json.dumps(truth, indent=2, sort_keys=True) + "\n")
    say(f"{out}: synthetic photos: {count}; the truth about them is in truth.json\n")
    return ExitCode.OK


def _render(arguments: argparse.Namespace, count: int, truth: list[dict[str, Any]]) -> None:
    from cardreader.simulate.namedphotos import named_photo

    for i in shown_as(progress_of(arguments), "rendering", range(count)):
        hb_g_dl = arguments.hb[i % len(arguments.hb)]
        photo = named_photo(hb_g_dl, arguments.seed, i + 1)
        write_file(arguments.out / photo.name, photo.data)
        truth.append(photo.truth)


def _sample_photos(arguments: argparse.Namespace) -> ExitCode:
    from cardreader.simulate.samples import make_samples

    out, progress = arguments.out, progress_of(arguments)
    with writing(out), closing(progress):
        paths = make_samples(out, progress=progress)
    say(f"{out}: synthetic sample photos: {len(paths)}, truth and reading beside each\n")
    return ExitCode.OK
