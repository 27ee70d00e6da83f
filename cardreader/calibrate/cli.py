"""``cardreader study``: the researcher's bench from the command line."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cardreader.exitcodes import ExitCode

if TYPE_CHECKING:
    from cardreader.calibrate.features import Features
    from cardreader.calibrate.study import Study

Run = Callable[[argparse.Namespace], ExitCode]
MakeParser = Callable[..., argparse.ArgumentParser]
MOST_FAULTS_SHOWN = 40


def add_commands(subparsers: argparse._SubParsersAction[Any], make_parser: MakeParser) -> None:
    """Add ``study`` and its commands to the command line."""
    group = make_parser(
        subparsers,
        "study",
        _no_command,
        "calibrate and validate against laboratory values",
        "For researchers; needs the study extra (pip install 'cardreader[study]'). "
        "See docs/calibration.md.",
    )
    commands = group.add_subparsers(
        title="study commands", metavar="COMMAND", required=True, dest="study_command"
    )
    for add in (_add_check, _add_fit, _add_report, _add_plan, _add_bridge, _add_drift, _add_demo):
        add(commands, make_parser)


def _no_command(arguments: argparse.Namespace) -> ExitCode:
    raise AssertionError("argparse lets no study through without its command")


_EXTRA = frozenset({"pandas", "pyarrow", "matplotlib", "jinja2", "statsmodels"})


def _guarded(run: Run) -> Run:
    """One line and an exit code for what goes wrong on this bench."""

    def guarded(arguments: argparse.Namespace) -> ExitCode:
        from cardreader.cli import CommandError

        try:
            return _told(run, arguments)
        except ModuleNotFoundError as error:
            if error.name not in _EXTRA:
                raise
            raise CommandError(
                ExitCode.USAGE,
                f"{error.name} is missing: install with pip install 'cardreader[study]'",
            ) from None

    return guarded


def _told(run: Run, arguments: argparse.Namespace) -> ExitCode:
    from cardreader.calibrate.conformal import TooFewPairsError
    from cardreader.calibrate.study import StudyError
    from cardreader.calibration import CalibrationError
    from cardreader.cli import CommandError

    try:
        return run(arguments)
    except (TooFewPairsError, StudyError, CalibrationError) as error:
        raise CommandError(ExitCode.BAD_DATA, str(error)) from None
    except FileNotFoundError as error:
        raise CommandError(ExitCode.NO_FILE, f"{error.filename}: {error.strerror}") from None


def _say(words: str) -> None:
    sys.stdout.write(words + "\n")


def _progress(words: str) -> None:
    if sys.stderr.isatty():
        sys.stderr.write(f"\r\x1b[K{words} ...")
        sys.stderr.flush()


def _count_progress(done: int, total: int) -> None:
    _progress(f"photo {done} of {total}")


def _clear() -> None:
    if sys.stderr.isatty():
        sys.stderr.write("\r\x1b[K")


def _number(low: float, high: float) -> Callable[[str], float]:
    def parse(text: str) -> float:
        try:
            value = float(text)
        except ValueError:
            value = float("nan")
        if not low <= value <= high:
            raise argparse.ArgumentTypeError(f"{text!r} is not a number from {low:g} to {high:g}")
        return value

    return parse


def _whole(low: int, high: int) -> Callable[[str], int]:
    def parse(text: str) -> int:
        if not text.isdecimal() or not low <= int(text) <= high:
            raise argparse.ArgumentTypeError(f"{text!r} is not a whole number, {low} to {high}")
        return int(text)

    return parse


def _day(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is no date; write it as 2026-03-31") from None


def _table_argument(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("table", type=Path, metavar="TABLE", help="study table, CSV or Parquet")


def _reading_options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--skip-faulty",
        action="store_true",
        help="go on without the faulty rows; the report lists them",
    )
    parser.add_argument(
        "--protocol",
        default="common-practice",
        metavar="P",
        help="protocol whose decisions are counted (default: common-practice)",
    )
    parser.add_argument(
        "--lots", type=Path, metavar="FOLDER", help="card lots instead of the shipped ones"
    )
    parser.add_argument(
        "--today",
        type=_day,
        metavar="DATE",
        help="day of the study, YYYY-MM-DD: lots must be in date then (default: today)",
    )
    parser.add_argument("--title", default="", help="title of the report (default: file's name)")
    parser.add_argument(
        "--synthetic", action="store_true", help="the study is not of real women: say so everywhere"
    )
    parser.add_argument(
        "--prevalence",
        nargs=2,
        type=_number(0, 1),
        metavar=("SEVERE", "ANAEMIC"),
        help="shares below 7 and from 7 to 11 g/dL among the women to be screened, "
        "for consequences per 1000 (default: the study's own)",
    )


# --- validate -----------------------------------------------------------------------


def _add_check(commands: Any, make_parser: MakeParser) -> None:
    parser = make_parser(
        commands,
        "validate",
        _guarded(_check),
        "check a study table",
        "Every fault is printed with its row and column. Code 5 if there is one.",
    )
    _table_argument(parser)


def _check(arguments: argparse.Namespace) -> ExitCode:
    from cardreader.calibrate.study import StudyError, read_study

    try:
        study = read_study(arguments.table)
    except StudyError as error:
        _print_faults(error.errors)
        return ExitCode.BAD_DATA
    _print_faults(study.errors)
    for warning in study.warnings:
        _say(f"please look at {warning}")
    rows = study.rows
    _say(
        f"{study.n_rows} rows: {len(rows)} good, {len({e.row for e in study.errors})} faulty; "
        f"{rows['subject'].nunique()} subjects, {rows['phone'].nunique()} phones, "
        f"{rows['light'].nunique()} lights, {rows['lot'].nunique()} lots"
    )
    return ExitCode.BAD_DATA if study.errors else ExitCode.OK


def _print_faults(errors: tuple[Any, ...]) -> None:
    for error in errors[:MOST_FAULTS_SHOWN]:
        _say(str(error))
    if len(errors) > MOST_FAULTS_SHOWN:
        _say(f"... and {len(errors) - MOST_FAULTS_SHOWN} more faults")


# --- fit ----------------------------------------------------------------------------


def _add_fit(commands: Any, make_parser: MakeParser) -> None:
    parser = make_parser(
        commands,
        "fit",
        _guarded(_fit),
        "make a calibration from a study, with its validation report",
        "Reads the photos of the table, chooses and fits a model, measures it on women left "
        "out, and writes one folder.",
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
        type=_number(0.5, 0.99),
        default=0.9,
        metavar="C",
        help="share of laboratory values that intervals are to hold (default: 0.9)",
    )
    parser.add_argument(
        "--folds", type=_whole(2, 20), default=5, metavar="N", help="folds of women (default: 5)"
    )
    parser.add_argument(
        "--seed", type=_whole(0, 2**31), default=1, metavar="N", help="of all draws (default: 1)"
    )
    _reading_options(parser)


def _fit(arguments: argparse.Namespace) -> ExitCode:
    from cardreader.calibrate import workflow
    from cardreader.calibrate.fit import Recipe
    from cardreader.calibrate.models import candidates
    from cardreader.calibrate.report import criteria_words
    from cardreader.calibrate.validate import overall
    from cardreader.cli import CommandError

    study = _study(arguments)
    base = _calibration(arguments.base)
    names = [name for name, model in candidates(base).items() if model.deployable]
    if arguments.model is not None and arguments.model not in names:
        raise CommandError(ExitCode.USAGE, f"--model is one of: {', '.join(names)}")
    _must_be_free(arguments.out, arguments.replace)
    features = _features(study, arguments, base)
    about = _about(arguments, study.sha256, arguments.id)
    recipe = Recipe(coverage=arguments.coverage, folds=arguments.folds, seed=arguments.seed)
    protocol = _protocol(arguments.protocol)
    fitted, found = workflow.calibrate(
        features, about, base, protocol, recipe, arguments.model, _progress
    )
    _progress("report")
    _writing(
        arguments.out,
        lambda: workflow.save(
            arguments.out, features, about, base, fitted, found, arguments.replace
        ),
    )
    _clear()
    _say(
        f"{arguments.out}: calibration {fitted.calibration.id}, model {fitted.model}\n"
        f"{overall(found.criteria)}\n{criteria_words(found.criteria)}\n"
        f"Report: {arguments.out / workflow.REPORT_HTML}. Screening only."
    )
    return ExitCode.OK


def _must_be_free(out: Path, replace: bool) -> None:
    """Better told before an hour of photos than after."""
    from cardreader.calibrate.container import MANIFEST
    from cardreader.cli import CommandError

    if out.exists() and not (replace and (out / MANIFEST).is_file()):
        hint = "is no calibration" if replace else "give another folder, or --replace"
        raise CommandError(ExitCode.NOT_WRITTEN, f"{out} exists: {hint}")
    if not out.absolute().parent.is_dir():
        raise CommandError(ExitCode.NOT_WRITTEN, f"{out.absolute().parent}: no such folder")


def _writing(path: Path, write: Callable[[], Any]) -> None:
    from cardreader.cli import CommandError

    try:
        write()
    except OSError as error:
        reason = error.strerror or str(error)
        raise CommandError(ExitCode.NOT_WRITTEN, f"{path}: {reason}") from None


def _study(arguments: argparse.Namespace) -> Study:
    from cardreader.calibrate.study import read_study
    from cardreader.cli import CommandError

    study = read_study(arguments.table)
    if study.errors and not arguments.skip_faulty:
        _print_faults(study.errors)
        raise CommandError(
            ExitCode.BAD_DATA,
            f"{arguments.table} has {len({error.row for error in study.errors})} faulty rows: "
            "correct them, or go on without them by --skip-faulty",
        )
    return study


def _features(study: Study, arguments: argparse.Namespace, base: Any) -> Features:
    from cardreader.calibrate.features import read_features
    from cardreader.card import Lots
    from cardreader.cli import CommandError
    from cardreader.shipped import shipped

    try:
        lots = Lots.load(arguments.lots or shipped("lots"))
    except (ValueError, OSError) as error:
        raise CommandError(ExitCode.BAD_DATA, str(error)) from None
    today = arguments.today or date.today()
    protocol = _protocol(arguments.protocol)
    features = read_features(study, lots, base, protocol, today, _count_progress)
    _clear()
    _say(f"{len(features.used)} photos gave a colour, {len(features.refused)} were refused")
    return features


def _protocol(name: str) -> Any:
    from cardreader.cli import CommandError
    from cardreader.protocol import load_protocol

    try:
        return load_protocol(name)
    except (ValueError, OSError) as error:
        raise CommandError(ExitCode.BAD_DATA, str(error)) from None


def _calibration(path: Path | None) -> Any:
    from cardreader.calibrate.container import load_calibration
    from cardreader.shipped import shipped

    return load_calibration(path or shipped("default"))


def _about(arguments: argparse.Namespace, sha256: str, name: str = "") -> Any:
    from cardreader.calibrate.workflow import About
    from cardreader.cli import CommandError

    prevalence = None
    if arguments.prevalence:
        severe, anaemic = arguments.prevalence
        if severe + anaemic > 1:
            raise CommandError(ExitCode.USAGE, "--prevalence: the two shares exceed 1")
        prevalence = {
            "severe": severe,
            "anaemic": anaemic,
            "not anaemic": round(1 - severe - anaemic, 12),
        }
    return About(
        title=arguments.title or arguments.table.stem,
        study_sha256=sha256,
        created=arguments.today or date.today(),
        synthetic=arguments.synthetic,
        id=name,
        prevalence=prevalence,
    )


# --- report -------------------------------------------------------------------------


def _add_report(commands: Any, make_parser: MakeParser) -> None:
    parser = make_parser(
        commands,
        "report",
        _guarded(_report),
        "validate a finished calibration on new women",
        "None of these women may have had a part in the calibration.",
    )
    _table_argument(parser)
    parser.add_argument(
        "--calibration", type=Path, metavar="PATH", help="calibration (default: the shipped one)"
    )
    parser.add_argument(
        "--out", type=Path, required=True, metavar="DIR", help="folder for the report"
    )
    _reading_options(parser)


def _report(arguments: argparse.Namespace) -> ExitCode:
    from cardreader.calibrate import workflow
    from cardreader.calibrate.report import criteria_words
    from cardreader.calibrate.validate import overall

    study = _study(arguments)
    calibration = _calibration(arguments.calibration)
    features = _features(study, arguments, calibration)
    about = _about(arguments, study.sha256)
    files, found = workflow.external_report(
        features, about, calibration, _protocol(arguments.protocol)
    )
    _write_files(arguments.out, files)
    _say(f"{overall(found.criteria)}\n{criteria_words(found.criteria)}")
    _say(f"Report: {arguments.out / workflow.REPORT_HTML}. Screening only.")
    return ExitCode.OK


def _write_files(folder: Path, files: dict[str, bytes]) -> None:
    from cardreader.files import write_atomic

    def write() -> None:
        folder.mkdir(parents=True, exist_ok=True)
        for name, data in files.items():
            write_atomic(folder / name, data)

    _writing(folder, write)


# --- plan ---------------------------------------------------------------------------


def _add_plan(commands: Any, make_parser: MakeParser) -> None:
    parser = make_parser(
        commands, "plan", _guarded(_plan), "say how many women a study needs", "No data needed."
    )
    parser.add_argument(
        "--sd",
        type=_number(0.05, 5),
        default=0.7,
        metavar="G_DL",
        help="expected sd of reading minus laboratory, g/dL (default: 0.7)",
    )
    parser.add_argument(
        "--limits-width",
        type=_number(0.02, 3),
        default=0.2,
        metavar="G_DL",
        help="how well each limit of agreement is to be known, plus or minus (default: 0.2)",
    )
    parser.add_argument(
        "--sensitivity",
        type=_number(0.5, 1),
        default=0.98,
        metavar="P",
        help="sensitivity below 7 g/dL that is believed in (default: 0.98)",
    )
    parser.add_argument(
        "--at-least",
        type=_number(0.3, 0.999),
        default=0.9,
        metavar="P",
        help="what the lower 95 %% limit of sensitivity is to exceed (default: 0.9)",
    )
    parser.add_argument(
        "--severe-share",
        type=_number(0.0005, 1),
        default=0.03,
        metavar="P",
        help="share of women below 7 g/dL where you enrol (default: 0.03)",
    )
    parser.add_argument(
        "--margin",
        type=_number(0.05, 3),
        default=0.5,
        metavar="G_DL",
        help="bias that a bridging study lets pass, g/dL (default: 0.5)",
    )


def _plan(arguments: argparse.Namespace) -> ExitCode:
    from cardreader.calibrate import planning
    from cardreader.calibrate.conformal import least_groups
    from cardreader.cli import CommandError

    try:
        limits = planning.subjects_for_limits(arguments.sd, arguments.limits_width)
        cases = planning.cases_for_sensitivity(arguments.sensitivity, arguments.at_least)
        enrolled = planning.subjects_to_screen(cases, arguments.severe_share)
        bridge = planning.pairs_for_bridge(arguments.sd, arguments.margin)
    except ValueError as error:
        raise CommandError(ExitCode.USAGE, str(error)) from None
    _say(
        f"Limits of agreement known to ±{arguments.limits_width:g} g/dL: {limits} women "
        f"(sd of differences {arguments.sd:g} g/dL).\n"
        f"Sensitivity below 7 g/dL shown to exceed {arguments.at_least:.0%} with 80 % assurance, "
        f"if it is {arguments.sensitivity:.0%}: {cases} women below 7 g/dL;\n"
        f"  unselected that means enrolling {enrolled} where {arguments.severe_share:.1%} are so "
        "low (with 90 % assurance). Severe cases may be sought out instead, but then\n"
        "  predictive values must be computed for the real share.\n"
        f"Bridging to a new lot or phone, bias within ±{arguments.margin:g} g/dL, 80 % power: "
        f"{bridge} women.\n"
        f"Fewest women for any 90 % interval: {least_groups(0.1)}; for 95 %: {least_groups(0.05)}. "
        "That is a floor, not a plan.\n"
        "Spread the women over the whole range, several phones, lights and lots; make two blots "
        "of every woman and photograph some blots twice."
    )
    return ExitCode.OK


# --- bridge -------------------------------------------------------------------------


def _add_bridge(commands: Any, make_parser: MakeParser) -> None:
    parser = make_parser(
        commands,
        "bridge",
        _guarded(_bridge),
        "test whether a calibration holds for a new lot or phone",
        "The table holds a few women read with the new lot or phone. With --out a calibration "
        "for it is written: the old one if it holds, a corrected one if it does not.",
    )
    _table_argument(parser)
    parser.add_argument(
        "--calibration", type=Path, required=True, metavar="DIR", help="the old calibration"
    )
    parser.add_argument(
        "--margin",
        type=_number(0.05, 3),
        default=0.5,
        metavar="G_DL",
        help="mean bias that is let pass, g/dL; fix it before the study (default: 0.5)",
    )
    parser.add_argument("--out", type=Path, metavar="DIR", help="folder for the new calibration")
    parser.add_argument("--id", default="", help="name of the new calibration")
    _reading_options(parser)


def _bridge(arguments: argparse.Namespace) -> ExitCode:
    from dataclasses import replace

    from cardreader.calibrate import bridge as bridging
    from cardreader.calibrate import container
    from cardreader.calibrate.fit import Pairs

    old, past = _with_provenance(arguments.calibration)
    study = _study(arguments)
    if arguments.out is not None:
        _must_be_free(arguments.out, replace=False)
    features = _features(study, arguments, old)
    pairs = Pairs.of(features)
    scores = [float(score) for score in past.get("conformity_scores", [])]
    found = bridging.bridge(pairs, old, len(scores) or None, scores, arguments.margin)
    _say(found.words)
    if arguments.out is None or found.verdict is bridging.Verdict.UNDECIDED:
        return ExitCode.OK
    about = _about(arguments, study.sha256, arguments.id)
    note: dict[str, Any] = {"bridge": found.words}
    if found.verdict is bridging.Verdict.HOLDS:
        new = bridging.with_lots(old, pairs.lot.tolist())
    else:
        changed = bridging.update(pairs, old)
        new = changed.calibration
        note["update"] = {
            "offset_only": changed.offset_only,
            "intercept_g_dl": changed.intercept_g_dl,
            "slope": changed.slope,
            "rms_old_g_dl": changed.rms_old_g_dl,
            "rms_new_g_dl": changed.rms_new_g_dl,
        }
        scores = list(changed.conformity_scores)
        _say(
            f"Corrected: {changed.intercept_g_dl:+.2f} + {changed.slope:.3f} x old reading; RMS on "
            f"women left out {changed.rms_new_g_dl:.2f} g/dL, was {changed.rms_old_g_dl:.2f}."
        )
    # A calibration that merely holds rests on what it rested on before.
    unmeasured = arguments.synthetic or (
        found.verdict is bridging.Verdict.HOLDS and old.basis == "simulated"
    )
    new = replace(
        new,
        id=about.calibration_id,
        created=about.created.isoformat(),
        basis="simulated" if unmeasured else "measured",
        source=f"{old.id}, bridged by {about.title}: {found.n_women} women",
    )
    provenance = {
        "title": about.title,
        "created": about.created.isoformat(),
        "synthetic": arguments.synthetic,
        "study_sha256": study.sha256,
        "base": {"id": old.id, "sha256": old.sha256},
        "conformity_scores": scores,
        **note,
    }
    _writing(arguments.out, lambda: container.save(arguments.out, new, provenance))
    _say(f"{arguments.out}: calibration {new.id} for lots {', '.join(new.lots) or 'of any number'}")
    return ExitCode.OK


def _with_provenance(path: Path) -> tuple[Any, dict[str, Any]]:
    from cardreader.calibrate import container

    if (path / container.MANIFEST).exists():
        loaded = container.load(path)
        return loaded.calibration, loaded.provenance
    return container.load_calibration(path), {}


# --- drift --------------------------------------------------------------------------


def _add_drift(commands: Any, make_parser: MakeParser) -> None:
    parser = make_parser(
        commands,
        "drift",
        _guarded(_drift),
        "watch for a lot or phone that has drifted",
        "The table holds confirmatory results with their readings: columns date, lot, phone, "
        "hb_g_dl, sd_g_dl, lab_g_dl, lab_sd_g_dl.",
    )
    _table_argument(parser)
    parser.add_argument(
        "--calibration",
        type=Path,
        metavar="DIR",
        help="calibration folder whose study says what difference to expect",
    )
    parser.add_argument("--out", type=Path, metavar="DIR", help="folder for a page with the charts")


def _drift(arguments: argparse.Namespace) -> ExitCode:
    from cardreader.calibrate import drift
    from cardreader.calibrate.confirmations import drift_page, read_confirmations

    entries = read_confirmations(arguments.table)
    centre = 0.0
    if arguments.calibration is not None:
        centre = float(_with_provenance(arguments.calibration)[1].get("drift_centre_g_dl") or 0.0)
    charts = drift.watch(entries, centre)
    for chart in charts:
        _say(chart.words)
    _say(
        f"Expected difference {centre:+.2f} g/dL. In control each chart alarms falsely about "
        f"once in {drift.cusum_run_length():.0f} (CUSUM) and {drift.ewma_run_length():.0f} (EWMA) "
        "confirmed results."
    )
    if arguments.out is not None:
        _write_files(arguments.out, {"drift.html": drift_page(charts, centre).encode()})
    return ExitCode.OK


# --- demo ---------------------------------------------------------------------------


def _add_demo(commands: Any, make_parser: MakeParser) -> None:
    parser = make_parser(
        commands,
        "demo",
        _guarded(_demo),
        "run the worked demonstration study",
        "All of it is synthetic, and says so. Takes about two minutes.",
    )
    parser.add_argument("--out", type=Path, required=True, metavar="DIR", help="folder to make")
    parser.add_argument(
        "--women",
        type=_whole(30, 1000),
        default=140,
        metavar="N",
        help="women in the study, four photos each (default: 140)",
    )
    parser.add_argument("--replace", action="store_true", help="replace an older demo there")
    parser.add_argument(
        "--today", type=_day, metavar="DATE", help="day to write into it (default: today)"
    )


def _demo(arguments: argparse.Namespace) -> ExitCode:
    from cardreader.calibrate import demo, workflow
    from cardreader.calibrate.report import criteria_words
    from cardreader.calibrate.validate import overall

    out: Path = arguments.out
    _writing(out, lambda: out.mkdir(parents=True, exist_ok=True))
    _must_be_free(out / "calibration", arguments.replace)
    _progress("drawing the study")
    study, features, truth = demo.demo_study(out, arguments.women)
    about = workflow.About(
        title=demo.TITLE,
        study_sha256=study.sha256,
        created=arguments.today or date.today(),
        synthetic=True,
        prevalence=demo.PREVALENCE,
    )
    base = _calibration(None)
    fitted, found = workflow.calibrate(
        features, about, base, _protocol("common-practice"), progress=_progress
    )
    _progress("report")
    _writing(
        out,
        lambda: workflow.save(
            out / "calibration", features, about, base, fitted, found, arguments.replace
        ),
    )
    words = demo.readme(features, truth, fitted, found)
    _write_files(out, {"README.md": words.encode()})
    _clear()
    report = os.path.join(out, "calibration", workflow.REPORT_HTML)
    _say(
        f"Synthetic study of {arguments.women} women: {out / 'study.csv'}\n"
        f"{overall(found.criteria)}\n{criteria_words(found.criteria)}\nReport: {report}"
    )
    return ExitCode.OK
