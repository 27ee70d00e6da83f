"""What the ``cardreader study`` commands do: arguments in, words, folders and an exit code out."""

from __future__ import annotations

import argparse
from collections import Counter
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

from cardreader.calibrate import bridge as bridging
from cardreader.calibrate import demo as demonstration
from cardreader.calibrate import drift as watching
from cardreader.calibrate import planning, workflow
from cardreader.calibrate.confirmations import drift_page, read_confirmations
from cardreader.calibrate.conformal import least_groups
from cardreader.calibrate.diagnostic import ANAEMIA_G_DL, SEVERE_G_DL
from cardreader.calibrate.features import Features, read_features
from cardreader.calibrate.fit import SITE_MODEL, Fit, Pairs, Recipe
from cardreader.calibrate.kept import read_kept
from cardreader.calibrate.models import candidates
from cardreader.calibrate.provenance import LARGEST_SCORE, Past, past_of
from cardreader.calibrate.study import RowError, Study, StudyError, read_study
from cardreader.calibrate.verdict import criteria_words, overall
from cardreader.card.lots import Lots
from cardreader.core.shipped import shipped
from cardreader.decide.protocol import Protocol, load_protocol
from cardreader.hb import container
from cardreader.hb.calibration import Calibration
from cardreader.terminal.exitcodes import ExitCode
from cardreader.terminal.failing import CommandError, told, using_data, writing
from cardreader.terminal.output import make_folder, say, write_file
from cardreader.terminal.readeroptions import calibration_of, lots_of

MOST_FAULTS_SHOWN = 40
HOW_ROWS_COUNT = "(row 1 is the first below the header: row 2 of a spreadsheet)"
UNLIKE_WEIGHT = 0.2
"""Weight in the fit below which a photo is pointed out: about three times the usual miss."""


def validate(arguments: argparse.Namespace) -> ExitCode:
    """Check a study table."""
    try:
        study = read_study(arguments.table)
    except StudyError as error:
        _print_faults(error.errors)
        return ExitCode.BAD_DATA
    _print_faults(study.errors)
    missing = _missing(arguments, study)
    for words in missing:
        _say(words)
    _say_warnings(study)
    if missing or study.errors or study.warnings:
        _say(HOW_ROWS_COUNT)
    rows = study.rows
    _say(
        f"{study.n_rows} rows: {len(rows)} good, {len({e.row for e in study.errors})} faulty; "
        f"{rows['subject'].nunique()} subjects, {rows['phone'].nunique()} phones, "
        f"{rows['light'].nunique()} lights, {rows['lot'].nunique()} lots"
    )
    return ExitCode.BAD_DATA if study.errors or missing else ExitCode.OK


def _missing(arguments: argparse.Namespace, study: Study) -> list[str]:
    """Photos that aren't there and lots that no file describes, a line each."""
    words = [
        f"row {row}, photo: {photo} is not there"
        + ("; write / between folders, not \\" if "\\" in str(photo) else "")
        for row, photo in zip(study.rows["row"], study.rows["photo"], strict=True)
        if not (study.folder / str(photo)).is_file()
    ]
    known = {lot.lot_id for lot in lots_of(arguments).values()}
    first = study.rows.groupby("lot", sort=True)["row"].first()
    words += [
        f"row {row}, lot: lot_unknown: {_no_lot(str(lot), arguments)}"
        for lot, row in first.items()
        if lot not in known
    ]
    shown = words[:MOST_FAULTS_SHOWN]
    more = len(words) - len(shown)
    return [*shown, f"... and {more} more faults"] if more else shown


def fit(arguments: argparse.Namespace) -> ExitCode:
    """Make a calibration from a study."""
    study = _study(arguments)
    lots = lots_of(arguments)
    base = calibration_of(arguments.base or _prior_for(study, lots))
    names = [name for name, model in candidates(base).items() if model.deployable]
    if base.posterior is not None:
        names.insert(0, SITE_MODEL)
    if arguments.model is not None and arguments.model not in names:
        raise CommandError(ExitCode.USAGE, f"--model is one of: {', '.join(names)}")
    _must_be_free(arguments.out, arguments.replace)
    about = _about(arguments, study.sha256, arguments.id)
    protocol = _protocol(arguments.protocol)
    features = _features(study, arguments)
    recipe = Recipe(coverage=arguments.coverage, folds=arguments.folds, seed=arguments.seed)
    fitted, found = workflow.calibrate(
        features, about, base, protocol, recipe, arguments.model, arguments.progress.note
    )
    arguments.progress.note("report")
    with writing(arguments.out):
        workflow.save(arguments.out, features, about, base, fitted, found, arguments.replace)
    arguments.progress.end()
    _say_weights(features, fitted)
    if (ahead := workflow.outlook_of(features, fitted)) is not None:
        _say(ahead.words)
    for batch, women in workflow.papers_of_few(features).items():
        if fitted.calibration.is_another_paper(batch):
            _say(
                f"Blotting paper {batch}: too few women ({women}; at least "
                f"{workflow.LEAST_WOMEN_OF_A_SITE}), so photos on it get no value yet."
            )
    if untaught := _untaught(features):
        _say(untaught)
    if found is None:
        _say(
            f"{arguments.out}: calibration {fitted.calibration.id}, model {fitted.model}\n"
            "Too few women for a validation: what they leave open is in the width of its "
            "readings. Screening only."
        )
        return ExitCode.OK
    _say(
        f"{arguments.out}: calibration {fitted.calibration.id}, model {fitted.model}\n"
        f"{overall(found.criteria)}\n{criteria_words(found.criteria)}\n"
        f"Report: {arguments.out / workflow.REPORT_HTML}. Screening only."
    )
    return ExitCode.OK


def _untaught(features: Features) -> str:
    """Where no pair says how dark blots are, though women there will be read."""
    lab = features.used["lab_g_dl"]
    parts = []
    if lab.min() > SEVERE_G_DL:
        parts.append(f"below {lab.min():.1f}")
    if lab.max() < ANAEMIA_G_DL:
        parts.append(f"above {lab.max():.1f}")
    if not parts:
        return ""
    return (
        f"No laboratory value lies {' or '.join(parts)} g/dL: readings there rest on simulated "
        "worlds and can be off by more than their intervals say."
    )


def _say_weights(features: Features, fitted: Fit) -> None:
    """Photos unlike the others, which the fit has let count little; none is dropped."""
    unlike = fitted.weight < UNLIKE_WEIGHT
    if not unlike.any():
        return
    names = features.used["photo"][unlike].astype(str).tolist()
    more = len(names) - MOST_FAULTS_SHOWN
    _say(
        f"{len(names)} {'photo is' if len(names) == 1 else 'photos are'} unlike the others and "
        "count little (look whether blot, woman and laboratory value belong together): "
        + ", ".join(names[:MOST_FAULTS_SHOWN])
        + (f" and {more} more" if more > 0 else "")
    )


def report(arguments: argparse.Namespace) -> ExitCode:
    """Validate a finished calibration on new women."""
    study = _study(arguments)
    calibration, past = _with_past(arguments.calibration or shipped("default"))
    about = _about(arguments, study.sha256)
    protocol = _protocol(arguments.protocol)
    features = _features(study, arguments)
    _must_be_new(features, past)
    files, found = workflow.external_report(features, about, calibration, protocol)
    _write_files(arguments.out, files)
    _say(f"{overall(found.criteria)}\n{criteria_words(found.criteria)}")
    _say(f"Report: {arguments.out / workflow.REPORT_HTML}. Screening only.")
    return ExitCode.OK


def plan(arguments: argparse.Namespace) -> ExitCode:
    """Say how many women a study needs."""
    with told(ExitCode.USAGE, ValueError):
        limits = planning.subjects_for_limits(arguments.sd, arguments.limits_width)
        cases = planning.cases_for_sensitivity(arguments.sensitivity, arguments.at_least)
        enrolled = planning.subjects_to_screen(cases, arguments.severe_share)
        bridge = planning.pairs_for_bridge(arguments.sd, arguments.margin)
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


def bridge(arguments: argparse.Namespace) -> ExitCode:
    """Test a calibration on a new lot or phone, and write one for it when asked."""

    old, past = _with_past(arguments.calibration)
    study = _study(arguments)
    if arguments.out is not None:
        _must_be_free(arguments.out, replace=False)
    about = _about(arguments, study.sha256, arguments.id)
    features = _features(study, arguments)
    _must_be_new(features, past)
    pairs = Pairs.of(features)
    if new_papers := sorted({p for p in pairs.paper.tolist() if old.is_another_paper(p)}):
        raise CommandError(
            ExitCode.BAD_DATA,
            f"calibration {old.id} never saw blotting paper {', '.join(new_papers)}: no bridge "
            "leads to another paper; fit again with these pairs among the others",
        )
    scores = list(past.conformity_scores)
    found = bridging.bridge(pairs, old, len(scores) or None, scores, arguments.margin)
    _say(found.words)
    if arguments.out is None:
        return ExitCode.OK
    if found.verdict is bridging.Verdict.UNDECIDED:
        _say(f"{arguments.out}: no calibration written.")
        return ExitCode.OK
    note: dict[str, Any] = {"bridge": found.words}
    if found.verdict is bridging.Verdict.HOLDS:
        new = bridging.with_lots(old, pairs)
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
        scores = [min(score, LARGEST_SCORE) for score in changed.conformity_scores]
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
        "photos_sha256": sorted({*past.photos_sha256, *features.rows["photo_sha256"]} - {""}),
        **note,
    }
    with writing(arguments.out):
        container.save(arguments.out, new, provenance)
    _say(f"{arguments.out}: calibration {new.id} for lots {', '.join(new.lots) or 'of any number'}")
    return ExitCode.OK


def drift(arguments: argparse.Namespace) -> ExitCode:
    """Chart confirmatory results."""
    entries = read_confirmations(arguments.table)
    centre = 0.0
    if arguments.calibration is not None:
        centre = _with_past(arguments.calibration)[1].drift_centre_g_dl
    charts = watching.watch(entries, centre)
    for chart in charts:
        _say(chart.words)
    by_cusum, by_ewma = watching.cusum_run_length(), watching.ewma_run_length()
    _say(
        f"Expected difference {centre:+.2f} g/dL. In control each chart alarms falsely about once "
        f"in {by_cusum:.0f} (CUSUM) and {by_ewma:.0f} (EWMA) confirmed results."
    )
    if arguments.out is not None:
        _write_files(arguments.out, {"drift.html": drift_page(charts, centre).encode()})
    return ExitCode.OK


def demo(arguments: argparse.Namespace) -> ExitCode:
    """Run the worked, synthetic study."""
    out: Path = arguments.out
    make_folder(out)
    _must_be_free(out / "calibration", arguments.replace)
    arguments.progress.note("drawing the study")
    study, features, truth = demonstration.demo_study(out, arguments.women)
    about = workflow.About(
        title=demonstration.TITLE,
        study_sha256=study.sha256,
        created=arguments.today or date.today(),
        synthetic=True,
        prevalence=demonstration.PREVALENCE,
    )
    base = calibration_of(shipped("worlds"))
    fitted, found = workflow.calibrate(
        features, about, base, _protocol("common-practice"), progress=arguments.progress.note
    )
    arguments.progress.note("report")
    with writing(out):
        workflow.save(out / "calibration", features, about, base, fitted, found, arguments.replace)
    assert found is not None  # the demonstration has women enough
    words = demonstration.readme(features, truth, fitted, found)
    _write_files(out, {"README.md": words.encode()})
    arguments.progress.end()
    report = out / "calibration" / workflow.REPORT_HTML
    _say(
        f"Synthetic study of {arguments.women} women: {out / 'study.csv'}\n"
        f"{overall(found.criteria)}\n{criteria_words(found.criteria)}\nReport: {report}"
    )
    return ExitCode.OK


def _print_faults(errors: tuple[RowError, ...]) -> None:
    for error in errors[:MOST_FAULTS_SHOWN]:
        _say(str(error))
    if len(errors) > MOST_FAULTS_SHOWN:
        _say(f"... and {len(errors) - MOST_FAULTS_SHOWN} more faults")


def _say_warnings(study: Study) -> None:
    for warning in study.warnings:
        _say(f"please look at {warning}")


def _study(arguments: argparse.Namespace) -> Study:
    study = read_study(arguments.table)
    _say_warnings(study)
    if study.errors and not arguments.skip_faulty:
        _print_faults(study.errors)
        _say(HOW_ROWS_COUNT)
        raise CommandError(
            ExitCode.BAD_DATA,
            f"{arguments.table} has {len({error.row for error in study.errors})} faulty rows: "
            "correct them, or go on without them by --skip-faulty",
        )
    return study


def _prior_for(study: Study, lots: Lots) -> Path:
    """The shipped prior for how well the study's lots are known."""
    used = {lot.lot_id: lot for lot in lots.values()}
    known = [used[name] for name in set(study.rows["lot"]) if name in used]
    by_design = any(lot.basis == "nominal" for lot in known)
    return shipped("worlds-design" if by_design else "worlds")


def _features(study: Study, arguments: argparse.Namespace) -> Features:
    lots = lots_of(arguments)
    _must_be_known(study, lots, arguments)
    arguments.progress.start("photos", len(study.rows))
    kept = None if arguments.measured is None else read_kept(arguments.measured)
    today = arguments.today or date.today()
    features = read_features(study, lots, today, arguments.progress.at, kept)
    arguments.progress.end()
    _say(f"{len(features.used)} photos gave a colour, {len(features.refused)} gave none")
    for why, count in Counter(text.split(" (")[0] for text in features.refused["refusal"]).items():
        _say(f"  {count}: {why}")
    return features


def _must_be_known(study: Study, lots: Lots, arguments: argparse.Namespace) -> None:
    """Better told before an hour of photos that none of them could be read."""
    known = {lot.lot_id for lot in lots.values()}
    unknown = sorted(set(study.rows["lot"]) - known)
    if unknown and not set(study.rows["lot"]) & known:
        raise CommandError(
            ExitCode.BAD_DATA,
            f"lot_unknown: {_no_lot(', '.join(unknown), arguments)}",
        )


def _no_lot(lot: str, arguments: argparse.Namespace) -> str:
    if arguments.lots is None:
        return f"no file describes card lot {lot}; give the folder of your lots' files by --lots"
    return f"no file in {arguments.lots} describes card lot {lot}: is the number right?"


def _about(arguments: argparse.Namespace, sha256: str, name: str = "") -> workflow.About:
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
    return workflow.About(
        title=arguments.title or arguments.table.stem,
        study_sha256=sha256,
        created=arguments.today or date.today(),
        synthetic=arguments.synthetic,
        id=name,
        prevalence=prevalence,
    )


def _protocol(name: str) -> Protocol:
    with using_data():
        return load_protocol(name)


def _with_past(path: Path) -> tuple[Calibration, Past]:
    if (path / container.MANIFEST).exists():
        loaded = container.load(path)
        return loaded.calibration, past_of(loaded.provenance)
    return container.load_calibration(path), Past()


def _must_be_new(features: Features, past: Past) -> None:
    """A calibration agrees with the photos it was made from: that would show nothing."""
    known = past.photos_sha256 & set(features.rows["photo_sha256"])
    if known - {""}:
        raise CommandError(
            ExitCode.BAD_DATA,
            f"{len(known - {''})} photos of the table had a part in the calibration: "
            "only new women can test it",
        )


def _must_be_free(out: Path, replace: bool) -> None:
    """Better told before an hour of photos than after."""
    if out.exists() and not (replace and (out / container.MANIFEST).is_file()):
        hint = "is no calibration" if replace else "give another folder, or --replace"
        raise CommandError(ExitCode.NOT_WRITTEN, f"{out} exists: {hint}")
    if not out.absolute().parent.is_dir():
        raise CommandError(ExitCode.NOT_WRITTEN, f"{out.absolute().parent}: no such folder")


def _write_files(folder: Path, files: dict[str, bytes]) -> None:
    make_folder(folder)
    for name, data in files.items():
        write_file(folder / name, data)


def _say(words: str) -> None:
    say(words + "\n")
