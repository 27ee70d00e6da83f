"""Whether intervals hold what they promise, and what was left out of the fit."""

from __future__ import annotations

from cardreader.calibrate import figures
from cardreader.calibrate.coverage import CoverageRow
from cardreader.calibrate.document import Figure, Section, Table, Text
from cardreader.calibrate.fit import GIVEN, SITE_MODEL, Fit
from cardreader.calibrate.report.words import plain, share, signed
from cardreader.calibrate.validate import Validation
from cardreader.calibrate.verdict import WANTED_BIAS_G_DL

_LABORATORY = (
    "Against a laboratory's value its own error, as the study states it, is laid on both sides. "
)
_LEFT_OUT = "Phones, lights and lots that were left out"


def _part(row: CoverageRow) -> str:
    return "all women" if row.part == "all" else f"{row.part}: {row.value}"


def _interval_words(fitted: Fit) -> str:
    of_site = fitted.calibration.posterior is not None
    words = (
        f"Intervals are made to hold the {'true' if of_site else 'laboratory'} value of "
        f"{fitted.recipe.coverage:.0%} of women. "
        + (_LABORATORY if of_site else "")
        + f"Their factor is {fitted.calibration.conformal_scale:.2f}"
    )
    n = len(fitted.conformity_scores)
    if fitted.model == GIVEN:
        return f"{words}, as the calibration brought it; none of these women had a part in it."
    if not n:
        return f"{words}: the prior's, moved a little by what women left out in turn needed."
    if fitted.model == SITE_MODEL:
        return f"{words}: the prior's, moved by what {n} women needed, each left out in turn."
    return f"{words}, the score of exact rank among {n} women, each read by a model without her."


def promises(fitted: Fit, found: Validation) -> Section:
    """Coverage of the intervals, for all and for parts."""
    level = fitted.recipe.coverage
    rows = tuple(
        (_part(row), share(row.coverage), plain(row.mean_width_g_dl)) for row in found.coverage
    )
    return Section(
        "Do the intervals keep their promise?",
        (
            Text(_interval_words(fitted)),
            Table(
                ("Part", "intervals that hold", "mean width, g/dL"),
                rows,
                "One reading a woman; Wilson 95 % intervals. Small parts can't show much. The "
                "promise is for all women together, not for each part: at low values the "
                "laboratory's own error is the larger part of the difference, and more of its "
                "values lie outside.",
            ),
            Figure(
                figures.coverage_figure(found.coverage, found.unseen, level),
                "Coverage with 95 % intervals. Blue circles: women left out. Orange squares: "
                "phone, light or lot left out as well. Dashed: what was promised.",
            ),
        ),
    )


def unseen(fitted: Fit, found: Validation) -> tuple[Section, ...]:
    """Readings by calibrations that lacked the phone, light or lot; a given one lacks nothing."""
    if fitted.model == GIVEN:
        return ()
    if not found.unseen:
        pairs = found.held_out.pairs
        several = any(len(set(part.tolist())) > 1 for part in (pairs.phone, pairs.light, pairs.lot))
        why = (
            "Too few women have others to learn from"
            if several
            else "The study has one phone, one light and one lot"
        )
        return (Section(_LEFT_OUT, (Text(f"{why}: nothing could be left out."),)),)
    rows = tuple(
        (
            f"{row.part}: {row.value}",
            str(row.n_readings),
            signed(row.bias_g_dl),
            plain(row.rms_g_dl),
            share(row.coverage),
        )
        for row in found.unseen
    )
    marks = tuple(
        "bad"
        if row.coverage.ci is not None and row.coverage.ci[1] < 0.9
        else "open"
        if abs(row.bias_g_dl) > WANTED_BIAS_G_DL
        else ""
        for row in found.unseen
    )
    section = Section(
        _LEFT_OUT,
        (
            Text(
                "Each line is read by a calibration made without that phone, light or lot and "
                "without those women: what to expect of the next one."
            ),
            Table(
                ("Left out", "readings", "bias, g/dL", "RMS, g/dL", "intervals that hold"),
                rows,
                f"Shaded: coverage clearly below 90 %, or bias beyond {WANTED_BIAS_G_DL:g} g/dL.",
                marks=marks,
            ),
        ),
    )
    return (section,)
