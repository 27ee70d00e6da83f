"""The verdict on a calibration in plain words, and what its study can't show."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

import numpy as np

from cardreader.calibrate.agreement import Agreement
from cardreader.calibrate.choosing import Recipe
from cardreader.calibrate.coverage import CoverageRow
from cardreader.calibrate.diagnostic import SEVERE_G_DL, CutOff
from cardreader.calibrate.features import Features
from cardreader.calibrate.fit import GIVEN, Fit
from cardreader.calibrate.locusregressor import BEYOND_G_DL
from cardreader.calibrate.pairs import Pairs
from cardreader.calibrate.proportion import Proportion

# What the verdict asks for: ours, to be fixed before a study and not after it.
WANTED_BIAS_G_DL = 0.5
WANTED_LIMITS_G_DL = 2.0
WANTED_SENSITIVITY = 0.95
COVERAGE_SLACK = 0.1
OVER_COVERAGE = 0.04
"""Share of intervals beyond the promise from which they are called too wide: those that hold 94 %
in place of 90 are a seventh wider than they need be."""
MISSED_AT_MOST = 0.1


@dataclass(frozen=True)
class Criterion:
    """One line of the verdict. ``met`` is None where the study is too small to say."""

    name: str
    wanted: str
    found: str
    met: bool | None


def criteria(
    agreement: Agreement,
    cut_offs: tuple[tuple[str, CutOff], ...],
    coverage: CoverageRow,
    passed_over: Proportion,
    recipe: Recipe,
) -> tuple[Criterion, ...]:
    """Every line of the verdict, from the study's figures.

    ``passed_over``: see `breakdown.severe_passed_over`.
    """
    by_name = dict(cut_offs)
    referred = by_name["decision refers for severe"].sensitivity
    confirmed = by_name["decision asks to confirm"].sensitivity
    return (
        _bias_criterion(agreement),
        _limits_criterion(agreement),
        _coverage_criterion(coverage, recipe.coverage),
        _share_criterion("Severe anaemia is referred", referred, WANTED_SENSITIVITY),
        _share_criterion("Anaemia is sent for confirmation", confirmed, WANTED_SENSITIVITY),
        _missed_criterion(passed_over),
    )


def _missed_criterion(found: Proportion) -> Criterion:
    few = found.ci is None or found.ci[1] > MISSED_AT_MOST
    return Criterion(
        "No woman with severe anaemia is called not anaemic",
        "none in any reading, and so many women that the 95 % interval ends below "
        f"{MISSED_AT_MOST:.0%}",
        f"{found.count} of {found.total}"
        + ("" if found.ci is None else f" (up to {found.ci[1]:.1%})"),
        False if found.count else None if few else True,
    )


def _bias_criterion(found: Agreement) -> Criterion:
    low, high = found.bias_ci
    inside = low >= -WANTED_BIAS_G_DL and high <= WANTED_BIAS_G_DL
    outside = low > WANTED_BIAS_G_DL or high < -WANTED_BIAS_G_DL
    return Criterion(
        "Readings are right on average",
        f"bias within ±{WANTED_BIAS_G_DL:g} g/dL",
        f"{found.bias:+.2f} g/dL (95 % interval {low:+.2f} to {high:+.2f})",
        True if inside else False if outside else None,
    )


def _limits_criterion(found: Agreement) -> Criterion:
    inside = found.lower_ci[0] >= -WANTED_LIMITS_G_DL and found.upper_ci[1] <= WANTED_LIMITS_G_DL
    outside = found.lower_ci[1] < -WANTED_LIMITS_G_DL or found.upper_ci[0] > WANTED_LIMITS_G_DL
    return Criterion(
        "Single readings are close enough",
        f"95 % limits of agreement within ±{WANTED_LIMITS_G_DL:g} g/dL",
        f"{found.lower:+.2f} to {found.upper:+.2f} g/dL",
        True if inside else False if outside else None,
    )


def _coverage_criterion(row: CoverageRow, nominal: float) -> Criterion:
    found, ci = row.coverage, row.coverage.ci
    if found.value is None or ci is None:
        return Criterion("Intervals keep their promise", f"{nominal:.0%}", "no readings", None)
    return Criterion(
        "Intervals keep their promise",
        f"{nominal:.0%} of intervals hold the laboratory value, its own error allowed for",
        f"{found.value:.1%} (95 % interval {ci[0]:.1%} to {ci[1]:.1%})",
        _kept_promise(ci, nominal),
    )


def _kept_promise(ci: tuple[float, float], nominal: float) -> bool | None:
    """Whether coverage is right: too narrow is a fault, and so is wider than promised."""
    if ci[1] < nominal or ci[0] > nominal + OVER_COVERAGE:
        return False
    return True if ci[0] >= nominal - COVERAGE_SLACK else None


def _share_criterion(name: str, found: Proportion, wanted: float) -> Criterion:
    ask = f"at least {wanted:.0%}, and the 95 % interval above {wanted - 0.05:.0%}"
    if found.value is None or found.ci is None:
        return Criterion(name, ask, "no such woman in the study", None)
    low, high = found.ci
    words = f"{found.count} of {found.total} = {found.value:.1%} ({low:.1%} to {high:.1%})"
    met = True if found.value >= wanted and low >= wanted - 0.05 else None
    return Criterion(name, ask, words, False if high < wanted else met)


def overall(criteria: tuple[Criterion, ...]) -> str:
    """The verdict in one sentence."""

    def listed(met: bool | None) -> str:
        names = [c.name[0].lower() + c.name[1:] for c in criteria if c.met is met]
        return "; that ".join(names)

    if failed := listed(False):
        return f"Not fit for use as it stands. It was not found that {failed}."
    if unknown := listed(None):
        return f"Nothing speaks against it, but the study is too small to say that {unknown}."
    return "In this study every criterion was met. It remains a screening aid, not a diagnosis."


def limits(
    features: Features, pairs: Pairs, fitted: Fit, synthetic: bool, severe_counted: int
) -> tuple[str, ...]:
    """What the study can't show, one sentence or two each.

    ``severe_counted``: women below 7 g/dL behind the tables.
    """
    lab = pairs.lab_g_dl
    women = np.unique(pairs.subject).size
    severe = np.unique(pairs.subject[lab < SEVERE_G_DL]).size
    parts = {
        "phone": np.unique(pairs.phone),
        "light": np.unique(pairs.light),
        "card lot": np.unique(pairs.lot),
    }
    see = "" if fitted.model == GIVEN else "see the lines for parts left out, and "
    lines = []
    if synthetic:
        lines.append(
            "Everything here is synthetic: no blood was taken and no photo was made. It shows "
            "that the method works on what it was told, and nothing about women."
        )
    left_out = "" if severe_counted == severe else ": the others have a tube's value, or no reading"
    lines.append(
        f"{women} women, {severe} of them below 7 g/dL. What is said of severe anaemia rests on "
        f"{'those ' if not left_out else ''}{severe_counted}{left_out}."
    )
    lines += [
        f"{name.capitalize()}s seen: {', '.join(values)}. Others may read differently; {see}bridge "
        "before use."
        for name, values in parts.items()
    ]
    lines.append(
        f"Laboratory values reached from {lab.min():.1f} to {lab.max():.1f} g/dL. {_beyond(fitted)}"
    )
    methods = Counter(pairs.method.tolist())
    lines.append(
        "Laboratory methods: "
        + ", ".join(f"{name} {count}" for name, count in methods.most_common())
        + ". The laboratory's own error is part of every difference shown here."
    )
    if np.unique(pairs.operator).size < 2:
        lines.append("One operator only: nothing is known about other hands.")
    volume = fitted.volume  # None for a finished calibration on new women
    if volume is not None and not volume.n_two_blots:
        lines.append(
            "No woman has two blots: scatter of blood volume was not measured but believed."
        )
    elif volume is not None and not volume.measured:
        lines.append(
            f"Scatter of blood volume is known only to lie within {volume.ci[0]:.1%} to "
            f"{volume.ci[1]:.1%}: more women with two blots, and blots photographed twice, "
            "would tell."
        )
    bases = set(features.rows["lot_basis"])
    if "nominal" in bases:
        lines.append(
            "Some card lots are known by their design only, not measured. What is shown here holds "
            "for readings by that design; once such a lot is measured, fit again."
        )
    if "photographed" in bases:
        lines.append(
            "Colours of some card lots were found from photos, not measured. What is shown here "
            "holds for readings by those colours; once such a lot is measured, fit again."
        )
    refused = len(features.refused)
    if refused:
        were = "photo was refused and has" if refused == 1 else "photos were refused and have"
        lines.append(
            f"{refused} {were} no reading. If photos are refused because of how the women's blood "
            "or skin is, the figures here are too good."
        )
    lines.append(
        "Conditions that the study did not meet: other altitude, storage of blots before the "
        "photo, sickle cell disease and other haemoglobin variants, carbon monoxide of smokers, "
        "heat and damp, users with less training."
    )
    return tuple(lines)


def _beyond(fitted: Fit) -> str:
    if fitted.model == GIVEN:
        return "Nothing is shown of readings beyond that."
    if fitted.calibration.posterior is not None:
        return "Beyond that the reader goes by simulated worlds, with wider intervals."
    return f"More than {BEYOND_G_DL:g} g/dL beyond that the reader refuses."


def criteria_words(criteria: tuple[Criterion, ...]) -> str:
    """The verdict for a terminal: one line a criterion."""
    words = {True: "yes      ", False: "NO       ", None: "can't say"}
    return "\n".join(f"  {words[c.met]} {c.name}: {c.found}" for c in criteria)
