"""``cardreader study validate``: a study's table, looked through before any photo is opened."""

from __future__ import annotations

import argparse

from cardreader.calibrate.commands.inputs import (
    HOW_ROWS_COUNT,
    MOST_FAULTS_SHOWN,
    no_lot,
    print_faults,
    say_line,
    say_warnings,
)
from cardreader.calibrate.photofiles import PhotoFiles
from cardreader.calibrate.study import Study, StudyError, read_study
from cardreader.terminal.exitcodes import ExitCode
from cardreader.terminal.readeroptions import lots_of


def validate(arguments: argparse.Namespace) -> ExitCode:
    """Check a study table."""
    try:
        study = read_study(arguments.table)
    except StudyError as error:
        print_faults(error.errors)
        return ExitCode.BAD_DATA
    print_faults(study.errors)
    missing = _missing(arguments, study)
    for words in missing:
        say_line(words)
    say_warnings(study)
    if missing or study.errors or study.warnings:
        say_line(HOW_ROWS_COUNT)
    rows = study.rows
    say_line(
        f"{study.n_rows} rows: {len(rows)} good, {len({e.row for e in study.errors})} faulty; "
        f"{rows['subject'].nunique()} subjects, {rows['phone'].nunique()} phones, "
        f"{rows['light'].nunique()} lights, {rows['lot'].nunique()} lots"
    )
    return ExitCode.BAD_DATA if study.errors or missing else ExitCode.OK


def _missing(arguments: argparse.Namespace, study: Study) -> list[str]:
    """Photos that aren't there and lots that no file describes, a line each."""
    files = PhotoFiles(study.folder)
    gone = [
        (int(row), str(photo))
        for row, photo in zip(study.rows["row"], study.rows["photo"], strict=True)
        if not files.find(str(photo)).is_file()
    ]
    words = [
        f"row {row}, photo: {photo} is not there{_hint(files, photo)}"
        for row, photo in gone[:MOST_FAULTS_SHOWN]
    ]
    known = {lot.lot_id for lot in lots_of(arguments).values()}
    first = study.rows.groupby("lot", sort=True)["row"].first()
    words += [
        f"row {row}, lot: lot_unknown: {no_lot(str(lot), arguments)}"
        for lot, row in first.items()
        if lot not in known
    ]
    shown = words[:MOST_FAULTS_SHOWN]
    more = len(words) + len(gone[MOST_FAULTS_SHOWN:]) - len(shown)
    return [*shown, f"... and {more} more faults"] if more else shown


def _hint(files: PhotoFiles, photo: str) -> str:
    if "\\" in photo:
        return "; write / between folders, not \\"
    alike = files.alike(photo)
    return f", but {alike} is: write its name so" if alike else ""
