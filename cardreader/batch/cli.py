"""``cardreader batch``: options in, one run, a few words out."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

from cardreader.terminal.exitcodes import ExitCode


def add_commands(
    subparsers: argparse._SubParsersAction[Any], make_parser: Callable[..., argparse.ArgumentParser]
) -> None:
    """Add ``batch`` to the command line."""
    from cardreader import cli

    parser = make_parser(
        subparsers,
        "batch",
        _batch,
        "read many photos into one table",
        "Give the same command again to go on after a stop, or with another calibration or "
        "protocol to judge anew; photos already measured aren't opened again.",
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
        "--no-summary", action="store_true", help="don't make the summary page, which shows photos"
    )
    run = parser.add_argument_group("where it runs")
    run.add_argument("--workers", type=_count, metavar="N", help="processes (default: one a core)")
    run.add_argument(
        "--cluster", metavar="ADDRESS", help="address of a Dask scheduler, to run on its workers"
    )
    run.add_argument(
        "--timeout-s",
        type=_seconds,
        default=120.0,
        metavar="S",
        help="give a photo up after so many seconds (default: 120; not on a cluster)",
    )
    cli._rules_options(parser)


def _batch(arguments: argparse.Namespace) -> ExitCode:
    from cardreader import cli
    from cardreader.batch.cluster import ClusterError
    from cardreader.batch.journal import JournalError
    from cardreader.batch.progress import on_terminal
    from cardreader.batch.run import JOURNAL, Settings, run_batch
    from cardreader.batch.sources import SourceError, find_photos

    out: Path = arguments.out
    if not arguments.sources and not (out / JOURNAL).is_file():
        raise cli.CommandError(ExitCode.USAGE, f"no SOURCE, and no earlier run in {out}")
    reader = cli._reader(arguments)
    try:
        photos = find_photos(arguments.sources) if arguments.sources else None
    except SourceError as error:
        raise cli.CommandError(ExitCode.NO_FILE, str(error)) from None
    if photos == []:
        raise cli.CommandError(ExitCode.NO_FILE, "no photo there")
    settings = Settings(
        out=out,
        workers=arguments.workers or _cores(),
        cluster=arguments.cluster,
        timeout_s=arguments.timeout_s,
        summary=not arguments.no_summary,
    )
    try:
        counts = run_batch(photos, reader, settings, on_terminal())
    except JournalError as error:
        raise cli.CommandError(ExitCode.BAD_DATA, str(error)) from None
    except ClusterError as error:
        raise cli.CommandError(ExitCode.NO_FILE, str(error)) from None
    except OSError as error:
        raise cli.CommandError(ExitCode.NOT_WRITTEN, cli._about(out, error)) from None
    sys.stdout.write(
        f"{out}: {counts.photos} photos: {counts.read} read, {counts.refused} refused, "
        f"{counts.failed} failed (measured now: {counts.measured_now}, "
        f"judged from records: {counts.judged_now}). Screening only.\n"
    )
    return ExitCode.OK


def _cores() -> int:
    import os

    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def _count(text: str) -> int:
    value = int(text)
    if not 1 <= value <= 1024:
        raise argparse.ArgumentTypeError(f"{text!r} is not between 1 and 1024")
    return value


def _seconds(text: str) -> float:
    value = float(text)
    if not 0.1 <= value <= 86400:
        raise argparse.ArgumentTypeError(f"{text!r} is not between 0.1 and 86400")
    return value
