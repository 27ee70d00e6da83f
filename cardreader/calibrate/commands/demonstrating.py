"""``cardreader study demo``: the worked, synthetic study."""

from __future__ import annotations

import argparse
from datetime import date
from pathlib import Path

from cardreader.calibrate import demo as demonstration
from cardreader.calibrate import workflow
from cardreader.calibrate.commands.inputs import (
    must_be_free,
    must_be_of_a_demo,
    protocol_of,
    write_files,
)
from cardreader.calibrate.verdict import criteria_words, overall
from cardreader.core.shipped import shipped
from cardreader.terminal.exitcodes import ExitCode
from cardreader.terminal.failing import writing
from cardreader.terminal.faults import say_line
from cardreader.terminal.output import make_folder
from cardreader.terminal.readeroptions import calibration_of


def demo(arguments: argparse.Namespace) -> ExitCode:
    """Run the worked, synthetic study."""
    out: Path = arguments.out
    make_folder(out)
    for name, mark in demonstration.MARKS.items():
        must_be_of_a_demo(out / name, mark)
    must_be_free(out / "calibration", arguments.replace)
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
        features, about, base, protocol_of("common-practice"), progress=arguments.progress.note
    )
    arguments.progress.note("report")
    with writing(out):
        workflow.save(out / "calibration", features, about, base, fitted, found, arguments.replace)
    assert found is not None  # the demonstration has women enough
    words = demonstration.readme(features, truth, fitted, found)
    write_files(out, {"README.md": words.encode()})
    arguments.progress.end()
    report = out / "calibration" / workflow.REPORT_HTML
    say_line(
        f"Synthetic study of {arguments.women} women: {out / 'study.csv'}\n"
        f"{overall(found.criteria)}\n{criteria_words(found.criteria)}\nReport: {report}"
    )
    return ExitCode.OK
