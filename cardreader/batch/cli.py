"""``cardreader batch``: options in, one run, a few words out."""

from __future__ import annotations

import argparse
import re
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING

from cardreader.core.oneline import one_line
from cardreader.terminal.exitcodes import ExitCode
from cardreader.terminal.failing import CommandError, told, writing
from cardreader.terminal.faults import faults_told
from cardreader.terminal.frame import command, is_installed, must_be_installed
from cardreader.terminal.options import number, workers_option
from cardreader.terminal.output import complain, counted, say
from cardreader.terminal.progress import progress_of, progress_option
from cardreader.terminal.readeroptions import reader_of, reader_options

if TYPE_CHECKING:
    from cardreader.batch.sources import PhotoFile
    from cardreader.terminal.frame import Commands

MOST_KINDS_SHOWN = 8
"""Endings of files left out that are told."""


def add_batch(commands: Commands) -> None:
    """Add ``batch`` to the command line."""
    parser = command(
        commands,
        "batch",
        _batch,
        "read many photos into one table",
        "Give the same command again to go on after a stop, or with another calibration or "
        "protocol to judge anew; photos already measured aren't opened again.",
        example="cardreader batch photos/ --out results/",
        stopped="the same command goes on from here",
        extra="batch",
    )
    parser.add_argument(
        "sources",
        nargs="*",
        metavar="SOURCE",
        help="folder (with those below), photo, list (.txt or .csv) or address such as "
        "s3://bucket/folder; without any, the photos of the run before are judged anew",
    )
    parser.add_argument(
        "--out", type=Path, required=True, metavar="DIR", help="folder for journal and tables"
    )
    parser.add_argument(
        "--same-blot",
        type=_blot_pattern,
        metavar="PATTERN",
        help="photos of a folder whose names agree in the bracketed part of this regular "
        "expression show one blot from different sides and are read as one, such as "
        "'(.*)-[ab]'; a list says it in its column blot",
    )
    parser.add_argument(
        "--no-summary", action="store_true", help="don't make the summary page, which shows photos"
    )
    run = parser.add_argument_group("where it runs")
    workers_option(run, default=None)
    run.add_argument(
        "--cluster", metavar="ADDRESS", help="address of a Dask scheduler, to run on its workers"
    )
    run.add_argument(
        "--timeout-s",
        type=number(0.1, 86400),
        default=120.0,
        metavar="S",
        help="give a photo up after so many seconds (default: 120; not on a cluster)",
    )
    progress_option(parser)
    reader_options(parser)


_NEEDED = ("fsspec", "jinja2", "matplotlib", "pandas", "pyarrow", "threadpoolctl")


def _batch(arguments: argparse.Namespace) -> ExitCode:
    must_be_installed(*_NEEDED)
    from cardreader.batch.blots import named_by
    from cardreader.batch.cluster import ClusterError
    from cardreader.batch.journalfile import JournalError
    from cardreader.batch.paper import listed_words, paper_of, paper_words
    from cardreader.batch.run import JOURNAL, Settings, run_batch
    from cardreader.batch.sessions import MOST_SHOWN, doubted_in, session_words, what_follows
    from cardreader.batch.sources import NOT_A_FILE, PHOTO_ENDINGS, SourceError, list_photos
    from cardreader.core.refusal import Reason

    out: Path = arguments.out
    if not arguments.sources and not (out / JOURNAL).is_file():
        raise CommandError(ExitCode.USAGE, f"no SOURCE, and no earlier run in {out}")
    if arguments.same_blot is not None and not arguments.sources:
        raise CommandError(ExitCode.USAGE, "--same-blot needs a SOURCE to look at the names of")
    _spare(out)
    reader = reader_of(arguments)
    photos: Iterator[PhotoFile] | None = None
    said_of = paper_words
    left_out: Counter[str] = Counter()
    if arguments.sources:
        listed = list_photos(arguments.sources, left_out=left_out)
        with told(ExitCode.NO_FILE, SourceError), _list_faults_told():
            first = next(listed, None)  # so that a wrong word leaves no folder behind
        if first is None:
            known = ", ".join(PHOTO_ENDINGS)
            besides = f" (there: {_kinds(left_out)})" if left_out else ""
            raise CommandError(
                ExitCode.NO_FILE, f"no photo there{besides}; in folders, files in {known}"
            )
        said_of = paper_words if first.paper is None else listed_words
        photos = chain((first,), listed)
        if arguments.same_blot is not None:
            photos = named_by(arguments.same_blot, photos)
    if paper := said_of(paper_of(reader)):
        say(f"Blotting paper {paper}.\n")
    settings = Settings(
        out=out,
        workers=arguments.workers or _cores(),
        cluster=arguments.cluster,
        timeout_s=arguments.timeout_s,
        summary=not arguments.no_summary,
    )
    with (
        writing(out),
        told(ExitCode.NO_FILE, ClusterError, SourceError),
        told(ExitCode.BAD_DATA, JournalError),
        _list_faults_told(),
    ):
        counts = run_batch(photos, reader, settings, progress_of(arguments))
    if arguments.same_blot is not None and not counts.of_several:
        complain("no two photos' names fit --same-blot: each was read for itself")
    together = f"of several photos of one blot: {counts.of_several}, " * bool(counts.of_several)
    say(
        f"{out}: {counted(counts.photos, 'photo')}: {counts.read} read, {counts.refused} refused, "
        f"{counts.failed} failed ({together}measured now: {counts.measured_now}, "
        f"judged from records: {counts.judged_now}). Screening only.\n"
    )
    refer, confirm, as_protocol = counts.follows
    doubted = doubted_in(counts.sessions_off)
    not_so = f", {doubted} of them in sessions that lie too high" * bool(doubted)
    say(
        f"To do, each different photo once: {refer} refer now (severe, or may be), {confirm} "
        f"confirm by a blood test, {as_protocol} anaemia unlikely{not_so}.\n"
    )
    for off in counts.sessions_off[:MOST_SHOWN]:
        say(f"{session_words(off)} {what_follows(off)}\n")
    if (more := len(counts.sessions_off) - MOST_SHOWN) > 0:
        say(f"{counted(more, 'more session')} lying off: see run.json.\n")
    for remedy, count in counts.remedies:
        say(f"Not read, which does not mean well: {count} {remedy.value}.\n")
    if counts.reasons:
        say("Without a reading: " + ", ".join(f"{n} {why}" for why, n in counts.reasons) + ".\n")
    if (no_files := left_out.pop(NOT_A_FILE, 0)) > 0:
        say(f"Not files but pipes, sockets or devices, and not read: {no_files}.\n")
    if Reason.FORMAT_NOT_READ.value in dict(counts.reasons) and not is_installed("pillow_heif"):
        say("HEIC and HEIF photos can't be opened here: pip install '.[heif]' in the checkout.\n")
    if left_out:
        say(
            f"Left out, no photos by their names: {_kinds(left_out)}. Photos in archives must be "
            "unpacked, and other pictures saved as JPEG.\n"
        )
    return ExitCode.OK


@contextmanager
def _list_faults_told() -> Iterator[None]:
    """Tells all that is wrong with a list before the command ends over it."""
    from cardreader.batch.sources import ListError

    try:
        yield
    except ListError as error:
        raise faults_told(error, error.name) from None


def _kinds(left_out: Counter[str]) -> str:
    """Endings of files, each with how many there are, the most frequent first."""
    from cardreader.batch.tally import ranked

    kinds = [f"{n} {one_line(ending, 20)}" for ending, n in ranked(left_out)]
    return ", ".join([*kinds[:MOST_KINDS_SHOWN], *["..."] * (len(kinds) > MOST_KINDS_SHOWN)])


def _spare(out: Path) -> None:
    """Let no table be written over one of the same name that no run before wrote."""
    from cardreader.batch.run import ABOUT, CSV, JOURNAL, LINES, PARQUET, SUMMARY

    with writing(out):
        there = {path.name for path in out.iterdir()} if out.is_dir() else set()
    found = next((name for name in (CSV, PARQUET, LINES, SUMMARY) if name in there), None)
    if found is not None and there.isdisjoint((JOURNAL, ABOUT)):
        raise CommandError(
            ExitCode.USAGE,
            f"{out / found} is of no earlier run and would be lost: --out needs another folder",
        )


def _blot_pattern(text: str) -> re.Pattern[str]:
    from cardreader.batch.blots import blot_pattern

    try:
        return blot_pattern(text)
    except ValueError as error:
        raise argparse.ArgumentTypeError(str(error)) from None


def _cores() -> int:
    import os

    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1
