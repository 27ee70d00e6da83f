"""The ``cardreader`` command: read photos, make cards, render synthetic photos.

Thin: options in, one call to the pipeline, words or JSON out. What a command
needs is imported inside it, so that ``--help`` answers at once on a slow machine.
Errors are one line on standard error; exit codes are in ``exitcodes``.
"""

from __future__ import annotations

import argparse
import io
import json
import os
import sys
import textwrap
import warnings
from collections.abc import Callable, Sequence
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn

from cardreader import __version__
from cardreader.batch import cli as batch
from cardreader.calibrate import cli as study
from cardreader.terminal.exitcodes import MEANING, ExitCode
from cardreader.terminal.options import day
from cardreader.web.cli import add_commands

if TYPE_CHECKING:
    from cardreader.card.lot import Lot, Lots
    from cardreader.decide.subject import Subject
    from cardreader.hb.calibration import Calibration
    from cardreader.pipeline import Reader, Reading

TRACEBACK_VARIABLE = "CARDREADER_TRACEBACK"
INTERRUPTED = 128 + 2
"""As shells report an interrupt."""

DEFAULT_PROTOCOL = "common-practice"
SMOKING = ("none", "some", "under-10", "10-19", "20-or-more")
PICTURE_ENDINGS = (".jpg", ".jpeg", ".png")
MOST_SYNTHETIC = 10_000
DEFAULT_SITTINGS = 12_000
DEFAULT_CALIBRATION_SEED = 2026
FEWEST_SITTINGS, MOST_SITTINGS = 300, 200_000

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


class CommandError(Exception):
    """Ends a command with one line on standard error and an exit code."""

    def __init__(self, code: ExitCode, message: str) -> None:
        super().__init__(message)
        self.code = code


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command; returns the exit code and lets no exception out."""
    if isinstance(sys.stdout, io.TextIOWrapper):
        # A file name that the terminal can't show must not cost the result.
        sys.stdout.reconfigure(errors="backslashreplace")
    # What colour-science says on import where the study extra isn't there; errors are one line.
    warnings.filterwarnings("ignore", message='"Matplotlib" related API')
    code = _run(argv)
    try:
        _say("")  # what argparse or a library printed may still be on its way
    except CommandError as failure:
        _complain(str(failure))
        code = int(failure.code)
    return code


def _run(argv: Sequence[str] | None) -> int:
    try:
        arguments = build_parser().parse_args(argv)
        command: Callable[[argparse.Namespace], ExitCode] = arguments.run
        return int(command(arguments))
    except CommandError as failure:
        _complain(str(failure))
        return int(failure.code)
    except SystemExit as leaving:  # argparse, after --help or a wrong option
        return leaving.code if isinstance(leaving.code, int) else int(ExitCode.USAGE)
    except KeyboardInterrupt:
        _complain("stopped")
        return INTERRUPTED
    except Exception as error:
        if os.environ.get(TRACEBACK_VARIABLE):
            raise
        if isinstance(error, ModuleNotFoundError) and not _is_ours(error.name):
            _complain(
                f"{error.name} is missing: this command needs an extra "
                "(pip install 'cardreader[study,web,batch]' brings them all)"
            )
            return int(ExitCode.USAGE)
        _complain(
            f"defect: {type(error).__name__}: {error} "
            f"(set {TRACEBACK_VARIABLE}=1 to see where, and report it)"
        )
        return int(ExitCode.DEFECT)


def _is_ours(module: str | None) -> bool:
    return (module or "cardreader").split(".")[0] == "cardreader"


def build_parser() -> argparse.ArgumentParser:
    """The parser with every command and option; tests hold docs/cli.md against it."""
    parser = _Parser(
        prog="cardreader",
        description=_ABOUT,
        epilog=f"{_EXAMPLES}\n\n{_exit_codes()}",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="version", version=f"cardreader {__version__}")
    commands = parser.add_subparsers(title="commands", metavar="COMMAND", required=True)
    _add_read(commands)
    _add_card(commands)
    _add_simulate(commands)
    _add_calibrate_default(commands)
    batch.add_commands(commands, _command)
    study.add_commands(commands, _command)
    add_commands(commands, _command)
    return parser


class _Parser(argparse.ArgumentParser):
    """A parser whose errors are one line, like all others here."""

    def error(self, message: str) -> NoReturn:
        _complain(f"{message} (see {self.prog} --help)")
        raise SystemExit(int(ExitCode.USAGE))


def _exit_codes() -> str:
    lines = [f"  {code.value}  {meaning}" for code, meaning in MEANING.items()]
    return "\n".join(["exit codes:", *lines, "With several photos the largest code is given."])


def _say(text: str) -> None:
    """Print a result, all of it and now, so that a full disk is noticed."""
    try:
        sys.stdout.write(text)
        sys.stdout.flush()
    except OSError as error:
        # What is still buffered goes nowhere, or Python would complain on its way out.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        # A reader that left early, as `head` does, knows why it did.
        quiet = isinstance(error, BrokenPipeError)
        message = "" if quiet else f"the result can't be written: {error.strerror}"
        raise CommandError(ExitCode.NOT_WRITTEN, message) from None


def _complain(message: str) -> None:
    if not (one_line := " ".join(message.split())):
        return
    print(f"cardreader: {one_line}", file=sys.stderr)


def _command(
    commands: argparse._SubParsersAction[_Parser],
    name: str,
    run: Callable[[argparse.Namespace], ExitCode],
    about: str,
    more: str = "",
) -> argparse.ArgumentParser:
    parser = commands.add_parser(
        name,
        help=about,
        description=textwrap.fill(f"{about[0].upper()}{about[1:]}. {more}".strip(), 79),
        epilog=_exit_codes(),
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.set_defaults(run=run)
    return parser


# --- read -------------------------------------------------------------------------


def _add_read(commands: argparse._SubParsersAction[_Parser]) -> None:
    parser = _command(
        commands,
        "read",
        _read,
        "read haemoglobin from a photo",
        "Several photos are taken together as blots of one woman; give one photo of each blot.",
    )
    parser.add_argument("photos", nargs="+", metavar="PHOTO", type=Path, help="photo file")
    out = parser.add_argument_group("result")
    out.add_argument("--json", action="store_true", help="print JSON instead of words")
    out.add_argument(
        "--annotate",
        metavar="OUT",
        type=_picture_path,
        help="also write an annotated picture, .jpg or .png; "
        "with several photos OUT-1, OUT-2 and so on",
    )
    woman = parser.add_argument_group("about the woman")
    woman.add_argument("--trimester", type=int, choices=(1, 2, 3), help="trimester of pregnancy")
    woman.add_argument(
        "--gestation-weeks", type=int, metavar="N", help="completed weeks of pregnancy"
    )
    woman.add_argument(
        "--elevation-m", type=float, metavar="M", help="elevation of her home above the sea, metres"
    )
    woman.add_argument("--smoking", choices=SMOKING, help="cigarettes a day")
    _rules_options(parser)


def _rules_options(parser: argparse.ArgumentParser) -> None:
    rules = parser.add_argument_group("judged by")
    rules.add_argument(
        "--protocol",
        default=DEFAULT_PROTOCOL,
        metavar="P",
        help=f"shipped protocol or a .toml file of your own (default: {DEFAULT_PROTOCOL})",
    )
    rules.add_argument(
        "--calibration",
        type=Path,
        metavar="PATH",
        help="calibration file or folder instead of the shipped one",
    )
    _lots_option(rules)
    rules.add_argument(
        "--today",
        type=day,
        metavar="DATE",
        help="day to check the card's expiry against, YYYY-MM-DD (default: today)",
    )


def _lots_option(group: argparse._ActionsContainer) -> None:
    group.add_argument(
        "--lots", type=Path, metavar="FOLDER", help="card lots instead of the shipped ones"
    )


def _read(arguments: argparse.Namespace) -> ExitCode:
    subject = _subject(arguments)
    contents = [_bytes_of(path) for path in arguments.photos]  # a missing one is told at once
    reader = _reader(arguments)
    from cardreader.pipeline import read_photo

    readings = [read_photo(data, reader, subject) for data in contents]
    _print_readings(readings, reader, subject, as_json=arguments.json)
    if arguments.annotate is not None:
        _annotate(readings, arguments.annotate)
    refused = any(reading.refusal is not None for reading in readings)
    return ExitCode.REFUSED if refused else ExitCode.OK


def _print_readings(
    readings: list[Reading], reader: Reader, subject: Subject, as_json: bool
) -> None:
    from cardreader.result import blots, report

    if len(readings) == 1:
        (reading,) = readings
        _say(
            report.dumps(report.reading_json(reading)) if as_json else report.reading_text(reading)
        )
        return
    together = blots.take_together(readings, reader.calibration, reader.protocol, subject)
    _say(report.dumps(blots.several_json(together)) if as_json else blots.several_text(together))


def _annotate(readings: list[Reading], out: Path) -> None:
    from cardreader.result.annotate import write_annotated

    for number, reading in enumerate(readings, 1):
        path = out if len(readings) == 1 else out.with_stem(f"{out.stem}-{number}")
        with _Writing(path):
            write_annotated(path, reading)


def _subject(arguments: argparse.Namespace) -> Subject:
    from cardreader.decide.subject import Smoking, Subject, Trimester

    trimester, smoking = arguments.trimester, arguments.smoking
    try:
        return Subject(
            trimester=None if trimester is None else Trimester(trimester),
            gestation_weeks=arguments.gestation_weeks,
            elevation_m=arguments.elevation_m,
            smoking=None if smoking is None else Smoking(smoking),
        )
    except ValueError as error:
        raise CommandError(ExitCode.USAGE, str(error)) from None


def _bytes_of(path: Path) -> bytes:
    from cardreader.read.photo import MAX_FILE_BYTES

    try:
        with path.open("rb") as stream:
            # One byte more than a photo may have: the reader refuses it, memory is spared.
            return stream.read(MAX_FILE_BYTES + 1)
    except (OSError, ValueError) as error:  # ValueError: a null byte in the name
        raise CommandError(ExitCode.NO_FILE, _about(path, error)) from None


def _reader(arguments: argparse.Namespace) -> Reader:
    from cardreader.decide.protocol import load_protocol
    from cardreader.pipeline import Reader

    try:
        protocol = load_protocol(arguments.protocol)
    except (ValueError, OSError) as error:
        raise CommandError(ExitCode.BAD_DATA, _reason(error)) from None
    return Reader(
        lots=_lots(arguments.lots),
        calibration=_calibration(arguments.calibration),
        protocol=protocol,
        today=arguments.today or date.today(),
    )


def _calibration(path: Path | None) -> Calibration:
    from cardreader.core.shipped import shipped
    from cardreader.hb.calibration import CalibrationError
    from cardreader.hb.container import load_calibration

    path = path or shipped("default")
    try:
        return load_calibration(path)
    except CalibrationError as error:
        raise CommandError(ExitCode.BAD_DATA, str(error)) from None
    except OSError as error:
        raise CommandError(ExitCode.BAD_DATA, _reason(error)) from None


def _lots(folder: Path | None) -> Lots:
    from cardreader.card.lot import Lots
    from cardreader.core.shipped import shipped

    try:
        return Lots.load(folder or shipped("lots"))
    except (ValueError, OSError) as error:
        raise CommandError(ExitCode.BAD_DATA, _reason(error)) from None


# --- card -------------------------------------------------------------------------


def _add_card(commands: argparse._SubParsersAction[_Parser]) -> None:
    parser = _command(
        commands,
        "card",
        _card,
        "make the card to print",
        "Every print run is a lot of its own and must be measured before its cards are used.",
    )
    parser.add_argument(
        "--out", type=Path, required=True, metavar="FILE", help="file to write, .pdf or .svg"
    )
    parser.add_argument("--page", choices=("a4", "letter"), default="a4", help="paper size")
    parser.add_argument("--lot", type=int, required=True, metavar="N", help="lot number to print")
    parser.add_argument("--copies", type=int, default=1, metavar="N", help="cards on the page")
    parser.add_argument(
        "--lot-file",
        type=Path,
        metavar="FILE",
        help="also write the lot's colours as asked for, CGATS.17 text",
    )
    _lots_option(parser)


def _card(arguments: argparse.Namespace) -> ExitCode:
    out: Path = arguments.out
    if out.suffix.lower() not in (".pdf", ".svg"):
        raise CommandError(ExitCode.USAGE, f"{out}: a card ends in .pdf or .svg")
    from cardreader.card.artwork import card_sheet
    from cardreader.card.cgats import write_lot

    lot = _lot_to_print(_lots(arguments.lots), arguments.lot)
    try:
        sheet = card_sheet(lot, arguments.page, arguments.copies)
    except ValueError as error:
        raise CommandError(ExitCode.USAGE, str(error)) from None
    _write(out, sheet.pdf() if out.suffix.lower() == ".pdf" else sheet.svg())
    if arguments.lot_file is not None:
        _write(arguments.lot_file, write_lot(lot))
    _say(f"{out}: lot {lot.lot_id}. Print at 100 % and measure the print before use.\n")
    return ExitCode.OK


def _lot_to_print(lots: Lots, number: int) -> Lot:
    """The lot itself, or the shipped design under a new number."""
    from dataclasses import replace

    if number in lots:
        return lots[number]
    design = next((lot for lot in lots.values() if lot.basis == "nominal"), None)
    if design is None:
        raise CommandError(
            ExitCode.BAD_DATA, f"no lot {number} and no nominal lot to take colours from"
        )
    try:
        return replace(design, number=number)
    except ValueError as error:
        raise CommandError(ExitCode.USAGE, str(error)) from None


# --- simulate ---------------------------------------------------------------------


def _add_simulate(commands: argparse._SubParsersAction[_Parser]) -> None:
    parser = _command(
        commands,
        "simulate",
        _simulate,
        "render synthetic photos with known truth",
        "For trying out and testing only: no blood was photographed.",
    )
    parser.add_argument(
        "--out", type=Path, required=True, metavar="DIR", help="folder to write photos to"
    )
    parser.add_argument(
        "--hb",
        type=_hb,
        nargs="+",
        default=[9.0],
        metavar="G_DL",
        help="haemoglobin of the photos in turn, g/dL, 3 to 18 (default: 9)",
    )
    parser.add_argument("--seed", type=int, default=1, metavar="N", help="same seed, same photos")
    parser.add_argument(
        "--count", type=int, metavar="N", help="number of photos (default: one for each --hb)"
    )
    parser.add_argument(
        "--samples",
        action="store_true",
        help="write the project's sample photos, good and refused, with their readings instead",
    )


def _simulate(arguments: argparse.Namespace) -> ExitCode:
    count = len(arguments.hb) if arguments.count is None else arguments.count
    if not 1 <= count <= MOST_SYNTHETIC:
        raise CommandError(ExitCode.USAGE, f"--count must be 1 to {MOST_SYNTHETIC}")
    if arguments.seed < 0:
        raise CommandError(ExitCode.USAGE, "--seed must not be negative")
    if arguments.samples:
        return _sample_photos(arguments.out)
    from cardreader.simulate.handout import handout_photo

    out: Path = arguments.out
    with _Writing(out):
        out.mkdir(parents=True, exist_ok=True)
    truth = []
    for number in range(1, count + 1):
        hb_g_dl = arguments.hb[(number - 1) % len(arguments.hb)]
        photo = handout_photo(hb_g_dl, arguments.seed, number)
        _write(out / photo.name, photo.data)
        truth.append(photo.truth)
    _write(out / "truth.json", json.dumps(truth, indent=2, sort_keys=True) + "\n")
    _say(f"{out}: synthetic photos: {count}; the truth about them is in truth.json\n")
    return ExitCode.OK


def _sample_photos(out: Path) -> ExitCode:
    from cardreader.simulate.samples import make_samples

    with _Writing(out):
        paths = make_samples(out)
    _say(f"{out}: synthetic sample photos: {len(paths)}, truth and reading beside each\n")
    return ExitCode.OK


# --- calibrate-default ------------------------------------------------------------


def _add_calibrate_default(commands: argparse._SubParsersAction[_Parser]) -> None:
    parser = _command(
        commands,
        "calibrate-default",
        _calibrate_default,
        "fit the default calibration again",
        "It is fitted to simulated sittings and claims no clinical accuracy.",
    )
    parser.add_argument(
        "--out", type=Path, required=True, metavar="DIR", help="folder to write model.json to"
    )
    parser.add_argument(
        "--sittings",
        type=int,
        default=DEFAULT_SITTINGS,
        metavar="N",
        help=f"simulated sittings to fit to (default: {DEFAULT_SITTINGS})",
    )
    parser.add_argument(
        "--seed",
        type=int,
        default=DEFAULT_CALIBRATION_SEED,
        metavar="N",
        help=f"same seed and date, same calibration (default: {DEFAULT_CALIBRATION_SEED})",
    )
    parser.add_argument(
        "--today",
        type=day,
        metavar="DATE",
        help="day to write into it, YYYY-MM-DD (default: today)",
    )
    parser.add_argument(
        "--workers", type=int, default=1, metavar="N", help="processes to draw with (default: 1)"
    )


def _calibrate_default(arguments: argparse.Namespace) -> ExitCode:
    if not FEWEST_SITTINGS <= arguments.sittings <= MOST_SITTINGS:
        raise CommandError(
            ExitCode.USAGE, f"--sittings must be {FEWEST_SITTINGS} to {MOST_SITTINGS}"
        )
    if arguments.seed < 0 or not 1 <= arguments.workers <= 256:
        raise CommandError(ExitCode.USAGE, "--seed must not be negative, --workers 1 to 256")
    from cardreader.calibrate.bleaching import fit_fading
    from cardreader.calibrate.default import draw_pairs, fit_default

    out: Path = arguments.out
    with _Writing(out):
        out.mkdir(parents=True, exist_ok=True)
    pairs = draw_pairs(arguments.sittings, arguments.seed, workers=arguments.workers)
    fading = fit_fading(pairs, arguments.seed)
    calibration = fit_default(pairs, arguments.today or date.today(), arguments.seed, fading)
    _write(out / "model.json", calibration.to_json())
    _say(f"{out / 'model.json'}: calibration {calibration.id}, from {calibration.source}\n")
    return ExitCode.OK


# --- small things -----------------------------------------------------------------


class _Writing:
    """Turns a failed write into one line and its exit code."""

    def __init__(self, path: Path) -> None:
        self._path = path

    def __enter__(self) -> None:
        return None

    def __exit__(self, kind: object, error: BaseException | None, trace: object) -> None:
        if isinstance(error, OSError):
            raise CommandError(ExitCode.NOT_WRITTEN, _about(self._path, error)) from None


def _write(path: Path, data: bytes | str) -> None:
    from cardreader.core.files import write_atomic

    with _Writing(path):
        write_atomic(path, data)


def _reason(error: Exception) -> str:
    if isinstance(error, OSError) and error.strerror and error.filename:
        return f"{error.filename}: {error.strerror}"
    return str(error)


def _about(path: Path, error: Exception) -> str:
    fault = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
    return f"{path}: {fault}"


def _picture_path(text: str) -> Path:
    path = Path(text)
    if path.suffix.lower() not in PICTURE_ENDINGS:
        raise argparse.ArgumentTypeError(f"{text!r} must end in {', '.join(PICTURE_ENDINGS)}")
    return path


def _hb(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = float("nan")
    if not 3.0 <= value <= 18.0:
        raise argparse.ArgumentTypeError(f"{text!r} is not between 3 and 18 g/dL")
    return value
