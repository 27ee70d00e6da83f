"""``cardreader study``: commands and options of the researcher's bench; they run in commands/."""

from __future__ import annotations

import argparse
from contextlib import closing
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from cardreader.terminal.exitcodes import ExitCode
from cardreader.terminal.failing import told
from cardreader.terminal.frame import Run, command
from cardreader.terminal.options import number, seed_option, whole
from cardreader.terminal.progress import progress_of, progress_option
from cardreader.terminal.readeroptions import (
    calibration_option,
    lots_option,
    protocol_option,
    today_option,
)

if TYPE_CHECKING:
    from cardreader.terminal.frame import Commands


def add_study(commands: Commands) -> None:
    """Add ``study`` and its commands to the command line."""
    group = command(
        commands,
        "study",
        _no_command,
        "calibrate and validate against laboratory values",
        "For researchers; needs the study extra (pip install '.[study]' in the checkout). "
        "See docs/calibration.md.",
        example="cardreader study validate study.csv",
        extra="study",
    )
    own = group.add_subparsers(
        title="study commands", metavar="COMMAND", required=True, dest="study_command"
    )
    for add in (_add_check, _add_fit, _add_report, _add_plan, _add_bridge, _add_drift, _add_demo):
        add(own)


def _no_command(arguments: argparse.Namespace) -> ExitCode:
    raise AssertionError("argparse lets no study through without its command")


def _guarded(name: str) -> Run:
    """The command of that name, with one line and an exit code for what goes wrong on this bench.

    Imported when it runs: help must answer at once, and without the study extra.
    """
    return partial(_run, name)


def _run(name: str, arguments: argparse.Namespace) -> ExitCode:
    from threadpoolctl import threadpool_limits

    from cardreader.calibrate import commands
    from cardreader.calibrate.conformal import TooFewPairsError
    from cardreader.calibrate.studyfaults import StudyError
    from cardreader.hb.calibrationnumbers import CalibrationError

    run: Run = getattr(commands, name)
    with (
        told(ExitCode.NO_FILE, OSError),  # what is written is told apart, by its own name
        told(ExitCode.BAD_DATA, TooFewPairsError, StudyError, CalibrationError),
        threadpool_limits(1),  # thousands of 3 x 3 matrices: more threads would only wait
        closing(progress_of(arguments)) as arguments.progress,
    ):
        return run(arguments)


def _table_argument(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("table", type=Path, metavar="TABLE", help="study table, CSV or Parquet")


def _measured_option(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--measured",
        type=Path,
        metavar="FILE",
        help="what a register kept of the photos (JSON lines), in place of the photos",
    )


def _reading_options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--skip-faulty",
        action="store_true",
        help="go on without the faulty rows; the report lists them",
    )
    _measured_option(parser)
    protocol_option(parser)
    lots_option(parser)
    today_option(parser, "day of the study, when lots must be in date")
    progress_option(parser)
    parser.add_argument("--title", default="", help="title of the report (default: file's name)")
    parser.add_argument(
        "--synthetic", action="store_true", help="the study is not of real women: say so everywhere"
    )
    parser.add_argument(
        "--prevalence",
        nargs=2,
        type=number(0, 1),
        metavar=("SEVERE", "ANAEMIC"),
        help="shares below 7 and from 7 to 11 g/dL among the women to be screened, "
        "for consequences per 1000 (default: the study's own)",
    )


# --- validate -----------------------------------------------------------------------


def _add_check(commands: Commands) -> None:
    parser = command(
        commands,
        "validate",
        _guarded("validate"),
        "check a study table",
        "Every fault is printed with its row and column, photos that are missing and card lots "
        "that no file describes. Code 5 if there is one.",
        example="cardreader study validate study.csv",
        extra="study",
    )
    _table_argument(parser)
    _measured_option(parser)
    parser.add_argument(
        "--lots", type=Path, metavar="FOLDER", help="card lots instead of the shipped ones"
    )


# --- fit ----------------------------------------------------------------------------


def _add_fit(commands: Commands) -> None:
    parser = command(
        commands,
        "fit",
        _guarded("fit"),
        "make a calibration from a study, with its validation report",
        "Reads the photos of the table, chooses and fits a model, measures it on women left "
        "out, and writes one folder.",
        example="cardreader study fit study.csv --out calibration/",
    )
    _table_argument(parser)
    parser.add_argument("--out", type=Path, required=True, metavar="DIR", help="folder to make")
    parser.add_argument("--replace", action="store_true", help="replace an older calibration there")
    parser.add_argument("--id", default="", help="name of the calibration (default: title, date)")
    parser.add_argument(
        "--base",
        type=Path,
        metavar="PATH",
        help="calibration to build on instead of the shipped one",
    )
    parser.add_argument(
        "--model", metavar="NAME", help="fit this candidate instead of choosing the best"
    )
    parser.add_argument(
        "--coverage",
        type=number(0.5, 0.99),
        default=0.9,
        metavar="C",
        help="share of laboratory values that intervals are to hold (default: 0.9)",
    )
    parser.add_argument(
        "--folds", type=whole(2, 20), default=5, metavar="N", help="folds of women (default: 5)"
    )
    seed_option(parser, 1, "draws")
    _reading_options(parser)


# --- report -------------------------------------------------------------------------


def _add_report(commands: Commands) -> None:
    parser = command(
        commands,
        "report",
        _guarded("report"),
        "validate a finished calibration on new women",
        "None of these women may have had a part in the calibration.",
        example="cardreader study report new-women.csv --calibration calibration/ --out report/",
    )
    _table_argument(parser)
    calibration_option(parser)
    parser.add_argument(
        "--out", type=Path, required=True, metavar="DIR", help="folder for the report"
    )
    _reading_options(parser)


# --- plan ---------------------------------------------------------------------------


def _add_plan(commands: Commands) -> None:
    parser = command(
        commands,
        "plan",
        _guarded("plan"),
        "say how many women a study needs",
        "No data needed.",
        example="cardreader study plan --sd 0.6 --severe-share 0.05",
    )
    parser.add_argument(
        "--sd",
        type=number(0.05, 5),
        default=0.7,
        metavar="G_DL",
        help="expected sd of reading minus laboratory, g/dL (default: 0.7)",
    )
    parser.add_argument(
        "--limits-width",
        type=number(0.02, 3),
        default=0.2,
        metavar="G_DL",
        help="how well each limit of agreement is to be known, plus or minus (default: 0.2)",
    )
    parser.add_argument(
        "--sensitivity",
        type=number(0.5, 1),
        default=0.98,
        metavar="P",
        help="sensitivity below 7 g/dL that is believed in (default: 0.98)",
    )
    parser.add_argument(
        "--at-least",
        type=number(0.3, 0.999),
        default=0.9,
        metavar="P",
        help="what the lower 95 %% limit of sensitivity is to exceed (default: 0.9)",
    )
    parser.add_argument(
        "--severe-share",
        type=number(0.0005, 1),
        default=0.03,
        metavar="P",
        help="share of women below 7 g/dL where you enrol (default: 0.03)",
    )
    parser.add_argument(
        "--margin",
        type=number(0.05, 3),
        default=0.5,
        metavar="G_DL",
        help="bias that a bridging study lets pass, g/dL (default: 0.5)",
    )


# --- bridge -------------------------------------------------------------------------


def _add_bridge(commands: Commands) -> None:
    parser = command(
        commands,
        "bridge",
        _guarded("bridge"),
        "test whether a calibration holds for a new lot or phone",
        "The table holds a few women read with the new lot or phone. With --out a calibration "
        "for it is written: the old one if it holds, a corrected one if it does not.",
        example="cardreader study bridge new-lot.csv --calibration calibration/ --out bridged/",
    )
    _table_argument(parser)
    parser.add_argument(
        "--calibration", type=Path, required=True, metavar="DIR", help="the old calibration"
    )
    parser.add_argument(
        "--margin",
        type=number(0.05, 3),
        default=0.5,
        metavar="G_DL",
        help="mean bias that is let pass, g/dL; fix it before the study (default: 0.5)",
    )
    parser.add_argument("--out", type=Path, metavar="DIR", help="folder for the new calibration")
    parser.add_argument("--id", default="", help="name of the new calibration")
    _reading_options(parser)


# --- drift --------------------------------------------------------------------------


def _add_drift(commands: Commands) -> None:
    parser = command(
        commands,
        "drift",
        _guarded("drift"),
        "watch for a lot or phone that has drifted",
        "The table holds confirmatory results with their readings: columns date, lot, phone, "
        "hb_g_dl, sd_g_dl, lab_g_dl, lab_sd_g_dl.",
        example="cardreader study drift confirmed.csv --calibration calibration/ --out drift/",
    )
    _table_argument(parser)
    parser.add_argument(
        "--calibration",
        type=Path,
        metavar="DIR",
        help="calibration folder whose study says what difference to expect",
    )
    parser.add_argument("--out", type=Path, metavar="DIR", help="folder for a page with the charts")


# --- demo ---------------------------------------------------------------------------


def _add_demo(commands: Commands) -> None:
    parser = command(
        commands,
        "demo",
        _guarded("demo"),
        "run the worked demonstration study",
        "All of it is synthetic, and says so. Takes about two minutes.",
        example="cardreader study demo --out demo-study/",
    )
    parser.add_argument("--out", type=Path, required=True, metavar="DIR", help="folder to make")
    parser.add_argument(
        "--women",
        type=whole(30, 1000),
        default=140,
        metavar="N",
        help="women in the study, four photos each (default: 140)",
    )
    parser.add_argument("--replace", action="store_true", help="replace an older demo there")
    progress_option(parser)
    today_option(parser, "day to write into it")
