"""``cardreader study drift``: confirmatory results, charted."""

from __future__ import annotations

import argparse
from datetime import date

from cardreader.calibrate import drift as watching
from cardreader.calibrate.commands.inputs import (
    must_be_no_calibration,
    with_past,
    write_files,
)
from cardreader.calibrate.confirmations import drift_page, read_confirmations
from cardreader.calibrate.odddates import odd_dates
from cardreader.terminal.exitcodes import ExitCode
from cardreader.terminal.faults import say_first, say_line, with_faults_told


def drift(arguments: argparse.Namespace) -> ExitCode:
    """Chart confirmatory results."""
    if arguments.out is not None:
        must_be_no_calibration(arguments.out)
    entries = with_faults_told(read_confirmations, arguments.table)
    odd = odd_dates([entry.on for entry in entries], date.today())
    say_first([f"please look at {words}" for words in odd], "to look at")
    centre = 0.0
    if arguments.calibration is not None:
        centre = with_past(arguments.calibration)[1].drift_centre_g_dl
    charts = watching.watch(entries, centre)
    for chart in charts:
        say_line(chart.words)
    by_cusum, by_ewma = watching.cusum_run_length(), watching.ewma_run_length()
    say_line(
        f"Expected difference {centre:+.2f} g/dL. In control each chart alarms falsely about once "
        f"in {by_cusum:.0f} (CUSUM) and {by_ewma:.0f} (EWMA) confirmed results."
    )
    if arguments.out is not None:
        write_files(arguments.out, {"drift.html": drift_page(charts, centre).encode()})
    return ExitCode.OK
