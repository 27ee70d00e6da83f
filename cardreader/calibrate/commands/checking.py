"""``cardreader study validate``: a study's table, looked through before any photo is opened."""

from __future__ import annotations

import argparse
import os

from cardreader.calibrate.commands.inputs import no_lot, say_warnings
from cardreader.calibrate.features import take_kept
from cardreader.calibrate.kept import Kept, read_kept
from cardreader.calibrate.study import Study, read_study
from cardreader.calibrate.studyfaults import StudyError
from cardreader.core.photofiles import PhotoFiles
from cardreader.core.rowfaults import MOST_TOLD
from cardreader.terminal.exitcodes import ExitCode
from cardreader.terminal.faults import (
    HOW_ROWS_COUNT,
    print_faults,
    say_first,
    say_line,
)
from cardreader.terminal.readeroptions import lots_of


def validate(arguments: argparse.Namespace) -> ExitCode:
    """Check a study table."""
    try:
        study = read_study(arguments.table)
    except StudyError as error:
        print_faults(error.errors)
        return ExitCode.BAD_DATA
    print_faults(study.errors)
    kept = None if arguments.measured is None else read_kept(arguments.measured)
    gone, untold = _no_photos(arguments, study, kept)
    missing, n_gone = [*gone, *_no_lots(arguments, study)], len(gone) + untold
    missing += _of_no_use(arguments, study, kept or {})
    say_first(missing, "faults", untold)
    say_warnings(study)
    if missing or study.errors or study.warnings:
        say_line(HOW_ROWS_COUNT)
    rows = study.rows
    without = f", {n_gone} of them without their photo" if n_gone else ""
    say_line(
        f"{study.n_rows} rows: {len(rows)} good{without}, "
        f"{len({e.row for e in study.errors})} faulty; "
        f"{rows['subject'].nunique()} subjects, {rows['phone'].nunique()} phones, "
        f"{rows['light'].nunique()} lights, {rows['lot'].nunique()} lots"
    )
    return ExitCode.BAD_DATA if study.errors or missing else ExitCode.OK


def _no_lots(arguments: argparse.Namespace, study: Study) -> list[str]:
    """A line for each lot that no file describes."""
    known = {lot.lot_id for lot in lots_of(arguments).values()}
    first = study.rows.groupby("lot", sort=True)["row"].first()
    return [
        f"row {row}, lot: lot_unknown: {no_lot(str(lot), arguments)}"
        for lot, row in first.items()
        if lot not in known
    ]


def _no_photos(
    arguments: argparse.Namespace, study: Study, kept: dict[str, Kept] | None
) -> tuple[list[str], int]:
    """A line for each of the first photos that aren't there, and how many more there are."""
    files = PhotoFiles(study.folder)
    gone = [
        (int(row), str(photo))
        for row, photo in zip(study.rows["row"], study.rows["photo"], strict=True)
        if (not os.path.isfile(files.find(str(photo))) if kept is None else str(photo) not in kept)
    ]
    lines = [
        f"row {row}, photo: "
        + (
            f"{photo} is not there{_hint(files, photo)}"
            if kept is None
            else f"nothing measured of {photo} is in {arguments.measured}"
        )
        for row, photo in gone[:MOST_TOLD]
    ]
    return lines, len(gone) - len(lines)


def _of_no_use(arguments: argparse.Namespace, study: Study, kept: dict[str, Kept]) -> list[str]:
    """A line for each way in which kept photos can't be fitted to, with the first such row."""
    lots = lots_of(arguments)
    known = {lot.lot_id for lot in lots.values()}
    rows: dict[str, list[int]] = {}
    for row, photo, lot in zip(*(study.rows[c] for c in ("row", "photo", "lot")), strict=True):
        if str(photo) in kept and str(lot) in known:
            measured, why, _ = take_kept(kept[str(photo)], str(lot), lots)
            if measured is None:
                rows.setdefault(why, []).append(int(row))
    return [f"row {of[0]}, photo: {why}" + _and_more(len(of) - 1) for why, of in rows.items()]


def _and_more(more: int) -> str:
    if not more:
        return ""
    return f"; so is {more} more" if more == 1 else f"; so are {more} more"


def _hint(files: PhotoFiles, photo: str) -> str:
    if "\\" in photo:
        return "; write / between folders, not \\"
    alike = files.alike(photo)
    return f", but {alike} is: write its name so" if alike else ""
