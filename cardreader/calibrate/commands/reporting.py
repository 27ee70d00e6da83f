"""``cardreader study report``: a finished calibration on women whom it never saw."""

from __future__ import annotations

import argparse

from cardreader.calibrate import workflow
from cardreader.calibrate.commands.inputs import (
    about_of,
    features_of,
    must_be_new,
    must_be_no_calibration,
    must_be_of_its_colours,
    must_give_values,
    protocol_of,
    study_of,
    with_past,
    write_files,
)
from cardreader.calibrate.verdict import criteria_words, overall
from cardreader.core.shipped import shipped
from cardreader.terminal.exitcodes import ExitCode
from cardreader.terminal.faults import say_line


def report(arguments: argparse.Namespace) -> ExitCode:
    """Validate a finished calibration on new women."""
    must_be_no_calibration(arguments.out)
    study = study_of(arguments)
    calibration, past = with_past(arguments.calibration or shipped("default"))
    about = about_of(arguments, study)
    protocol = protocol_of(arguments.protocol)
    must_be_of_its_colours(study, calibration, arguments)
    must_give_values(study, calibration)
    features = features_of(study, arguments)
    must_be_new(features, past)
    files, found = workflow.external_report(features, about, calibration, protocol)
    write_files(arguments.out, files)
    say_line(f"{overall(found.criteria)}\n{criteria_words(found.criteria)}")
    say_line(f"Report: {arguments.out / workflow.REPORT_HTML}. Screening only.")
    return ExitCode.OK
