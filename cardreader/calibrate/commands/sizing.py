"""``cardreader study plan``: how many women a study needs."""

from __future__ import annotations

import argparse

from cardreader.calibrate import planning
from cardreader.calibrate.conformal import least_groups
from cardreader.terminal.exitcodes import ExitCode
from cardreader.terminal.failing import told
from cardreader.terminal.faults import say_line


def plan(arguments: argparse.Namespace) -> ExitCode:
    """Say how many women a study needs."""
    with told(ExitCode.USAGE, ValueError):
        limits = planning.subjects_for_limits(arguments.sd, arguments.limits_width)
        cases = planning.cases_for_sensitivity(arguments.sensitivity, arguments.at_least)
        enrolled = planning.subjects_to_screen(cases, arguments.severe_share)
        bridge = planning.pairs_for_bridge(arguments.sd, arguments.margin)
    say_line(
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
