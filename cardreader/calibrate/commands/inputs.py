"""What the ``cardreader study`` commands take and give: tables, lots, calibrations, words."""

from __future__ import annotations

import argparse
from collections import Counter
from datetime import date
from pathlib import Path

from cardreader.calibrate import workflow
from cardreader.calibrate.features import Features, read_features
from cardreader.calibrate.kept import read_kept
from cardreader.calibrate.provenance import Past, past_of
from cardreader.calibrate.sitefading import PRIOR_OF
from cardreader.calibrate.study import Study, read_study
from cardreader.card.lots import Lots
from cardreader.core.oneline import one_line, reason
from cardreader.core.shipped import shipped
from cardreader.decide.protocol import Protocol
from cardreader.decide.protocolfile import load_protocol
from cardreader.hb import container
from cardreader.hb.calibration import Calibration
from cardreader.hb.lotcolours import WHAT_TO_DO
from cardreader.terminal.exitcodes import ExitCode
from cardreader.terminal.failing import CommandError, using_data
from cardreader.terminal.faults import (
    HOW_ROWS_COUNT,
    print_faults,
    say_first,
    say_line,
    with_faults_told,
)
from cardreader.terminal.output import make_folder, write_file
from cardreader.terminal.readeroptions import lots_of


def study_of(arguments: argparse.Namespace) -> Study:
    """The study of a table, its warnings said; CommandError where rows are faulty."""
    study = with_faults_told(read_study, arguments.table)
    say_warnings(study)
    if study.errors and not arguments.skip_faulty:
        print_faults(study.errors)
        say_line(HOW_ROWS_COUNT)
        faulty = len({error.row for error in study.errors})
        many = "1 faulty row: correct it" if faulty == 1 else f"{faulty} faulty rows: correct them"
        without = ", or go on without by --skip-faulty" if len(study.rows) else ""
        raise CommandError(ExitCode.BAD_DATA, f"{arguments.table} has {many}{without}")
    return study


def prior_for(study: Study, lots: Lots) -> Path:
    """The shipped prior for how well the study's lots are known."""
    used = {lot.lot_id: lot for lot in lots.values()}
    known = [used[name] for name in set(study.rows["lot"]) if name in used]
    bases = {lot.basis for lot in known}
    for basis in ("nominal", "photographed"):
        if basis in bases:
            return shipped(PRIOR_OF[basis])
    return shipped(PRIOR_OF["measured"])


def features_of(study: Study, arguments: argparse.Namespace) -> Features:
    """What was measured of a study's photos, and in words what gave no colour."""
    lots = lots_of(arguments)
    _must_be_known(study, lots, arguments)
    arguments.progress.start("photos", len(study.rows))
    kept = None if arguments.measured is None else read_kept(arguments.measured)
    today = arguments.today or date.today()
    features = read_features(study, lots, today, arguments.progress.at, kept)
    arguments.progress.end()
    say_line(f"{len(features.used)} photos gave a colour, {len(features.refused)} gave none")
    for why, count in Counter(text.split(" (")[0] for text in features.refused["refusal"]).items():
        say_line(f"  {count}: {why}")
    return features


def _must_be_known(study: Study, lots: Lots, arguments: argparse.Namespace) -> None:
    """Better told before an hour of photos that none of them could be read."""
    known = {lot.lot_id for lot in lots.values()}
    unknown = sorted(set(study.rows["lot"]) - known)
    if unknown and not set(study.rows["lot"]) & known:
        raise CommandError(
            ExitCode.BAD_DATA,
            f"lot_unknown: {no_lot(', '.join(unknown), arguments)}",
        )


def no_lot(lot: str, arguments: argparse.Namespace) -> str:
    """That no file describes a card lot, and where one would be looked for."""
    if arguments.lots is None:
        return f"no file describes card lot {lot}; give the folder of your lots' files by --lots"
    return f"no file in {arguments.lots} describes card lot {lot}: is the number right?"


def about_of(arguments: argparse.Namespace, study: Study, name: str = "") -> workflow.About:
    """What the arguments and its cards say of a study."""
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
        study_sha256=study.sha256,
        created=arguments.today or date.today(),
        synthetic=arguments.synthetic or _on_demonstration_cards(study, lots_of(arguments)),
        id=name,
        prevalence=prevalence,
    )


def _on_demonstration_cards(study: Study, lots: Lots) -> bool:
    """Whether all cards are of lots that never were printed, and so no woman's blot lay on one."""
    used = set(study.rows["lot"])
    never_printed = bool(used) and used <= {
        lot.lot_id for lot in lots.values() if lot.is_demonstration
    }
    if never_printed:
        say_line("Only demonstration cards: the study is called synthetic everywhere.")
    return never_printed


def protocol_of(name: str) -> Protocol:
    """The protocol of that name, CommandError where it can't be used."""
    with using_data():
        return load_protocol(name)


def with_past(path: Path) -> tuple[Calibration, Past]:
    """A calibration and what its provenance says that counts."""
    if (path / container.MANIFEST).exists():
        loaded = container.load(path)
        return loaded.calibration, past_of(loaded.provenance)
    return container.load_calibration(path), Past()


def older_at(path: Path) -> tuple[Calibration, Past] | None:
    """The calibration that a new one is to replace; None where there is none to compare with."""
    if not path.exists():
        return None
    try:
        older, past = with_past(path)
        older.must_be_of_this_chain()
    except (ValueError, OSError) as error:
        say_line(f"What changes can't be told, since the older one can't be used: {reason(error)}")
        return None
    return older, past


def must_be_new(features: Features, past: Past) -> None:
    """A calibration agrees with the photos it was made from: that would show nothing."""
    known = past.photos_sha256 & set(features.rows["photo_sha256"])
    if known - {""}:
        raise CommandError(
            ExitCode.BAD_DATA,
            f"{len(known - {''})} photos of the table had a part in the calibration: "
            "only new women can test it",
        )


def must_be_of_its_colours(
    study: Study, calibration: Calibration, arguments: argparse.Namespace
) -> None:
    """Beside other colours of a lot it gives no value, so there is nothing to validate."""
    used = set(study.rows["lot"])
    for lot in lots_of(arguments).values():
        if lot.lot_id in used and (unlike := calibration.unlike(lot)):
            raise CommandError(
                ExitCode.BAD_DATA,
                f"lot_changed: calibration {calibration.id} was fitted with other colours of lot "
                f"{lot.lot_id} ({unlike}): {WHAT_TO_DO}",
            )


def must_give_values(study: Study, calibration: Calibration) -> None:
    """Figures of values that nobody would get would speak for a calibration not in use."""
    unread = [
        lot for lot in sorted(set(study.rows["lot"])) if not calibration.gives_values_for(lot)
    ]
    if not unread:
        return
    many = f"card lot {unread[0]}" if len(unread) == 1 else f"card lots {', '.join(unread)}"
    if calibration.basis == "measured":
        why = f"calibration_unfit: calibration {calibration.id} is not for {many}"
        way = "study bridge tries it there, study fit makes one with pairs of both"
    else:
        why = f"not_calibrated: no laboratory values stand behind {calibration.id} for {many}"
        way = "name the calibration made of your own pairs by --calibration"
    raise CommandError(
        ExitCode.BAD_DATA, f"{why}, so no photo of them gets a value to validate: {way}"
    )


def must_be_free(out: Path, replace: bool) -> None:
    """Better told before an hour of photos than after."""
    if out.exists() and not (replace and (out / container.MANIFEST).is_file()):
        hint = "is no calibration" if replace else "give another folder, or --replace"
        raise CommandError(ExitCode.NOT_WRITTEN, f"{out} exists: {hint}")
    if strange := container.strangers(out):
        raise CommandError(
            ExitCode.NOT_WRITTEN,
            f"{out} holds {one_line(strange[0], 60)}, which is no part of the calibration and "
            "would be lost: move it, or give another folder",
        )
    if not out.absolute().parent.is_dir():
        raise CommandError(ExitCode.NOT_WRITTEN, f"{out.absolute().parent}: no such folder")


def must_be_no_calibration(out: Path) -> None:
    """A report written into a calibration's folder would leave it changed, and unreadable."""
    if (out / container.MANIFEST).exists():
        raise CommandError(
            ExitCode.NOT_WRITTEN, f"{out} is a calibration with its own report: give another folder"
        )


def must_be_of_a_demo(path: Path, mark: str) -> None:
    """What a demonstration writes stands in place of another one's, and of nothing else."""
    if path.exists() and mark not in path.read_text("utf-8", errors="replace"):
        raise CommandError(
            ExitCode.NOT_WRITTEN,
            f"{path} is no demonstration's and would be lost: give a new folder",
        )


def say_warnings(study: Study) -> None:
    """A line for each of the first rows worth a look."""
    say_first([f"please look at {warning}" for warning in study.warnings], "to look at")


def write_files(folder: Path, files: dict[str, bytes]) -> None:
    """Write files into a folder, which is made."""
    make_folder(folder)
    for name, data in files.items():
        write_file(folder / name, data)
