"""How far readings lie from the laboratory: agreement, method comparison, errors by level."""

from __future__ import annotations

from cardreader.calibrate import figures
from cardreader.calibrate.document import Figure, Section, Table, Text
from cardreader.calibrate.fit import reference_rows
from cardreader.calibrate.report.words import interval, plain, share, signed
from cardreader.calibrate.validate import Validation


def agreement(found: Validation) -> Section:
    """Bias and limits of agreement (Bland and Altman)."""
    a = found.agreement
    rows = (
        ("bias", f"{a.bias:+.2f}", interval(a.bias_ci)),
        ("lower limit of agreement", f"{a.lower:+.2f}", interval(a.lower_ci)),
        ("upper limit of agreement", f"{a.upper:+.2f}", interval(a.upper_ci)),
    )
    method = {
        "exact": "exact intervals of the limits from the noncentral t (Carkeet 2015)",
        "approximate": "Bland and Altman's approximate intervals",
        "mover": "variance components of replicates, intervals by MOVER (Zou 2013)",
    }[a.ci_method]
    trend = (
        "The difference does not change demonstrably with the level "
        if a.trend_p >= 0.05
        else "The difference changes with the level, so that one pair of limits is too simple "
    )
    held = found.held_out
    kept = held.accepted & reference_rows(held.pairs, 0.9)
    drawing = figures.bland_altman_figure(
        held.hb_g_dl[kept], held.pairs.lab_g_dl[kept], held.pairs.phone[kept], a
    )
    return Section(
        "Agreement with the laboratory",
        (
            Text(
                f"In 95 of 100 women a single reading lies between {abs(a.lower):.2f} g/dL "
                f"{'below' if a.lower < 0 else 'above'} and {abs(a.upper):.2f} g/dL "
                f"{'above' if a.upper > 0 else 'below'} the laboratory value."
            ),
            Table(
                ("Reading - laboratory, g/dL", "value", "95 % interval"),
                rows,
                f"{a.n_pairs} readings of {a.n_subjects} women; {method}. {trend}"
                f"(slope {a.trend_slope:+.3f}, p = {a.trend_p:.3f}).",
            ),
            Figure(
                drawing,
                "Difference against mean (Bland and Altman), with bias, 95 % limits of agreement "
                "and their 95 % intervals in grey.",
            ),
            Table(
                ("Laboratory method", "readings", "women", "bias", "RMS", "intervals that hold"),
                tuple(
                    (
                        row.method + ("" if row.reference else " (shown here only)"),
                        str(row.n_readings),
                        str(row.n_women),
                        signed(row.bias_g_dl),
                        plain(row.rms_g_dl),
                        share(row.coverage),
                    )
                    for row in found.methods
                ),
                "Acid-haematin tubes have an error of their own, which would be charged to the "
                "reading: where enough women have a better value, all other tables leave them out.",
            ),
        ),
    )


def regression(found: Validation) -> Section:
    """Lines of reading against laboratory value."""
    rows = []
    for line in found.lines:
        rows.append(
            (
                line.method,
                str(line.n),
                f"{line.intercept:+.2f} ({interval(line.intercept_ci)})",
                f"{line.slope:.3f} ({line.slope_ci[0]:.3f} to {line.slope_ci[1]:.3f})",
                "" if line.linearity_p is None else f"p = {line.linearity_p:.3f}",
            )
        )
    one = found.one_each
    drawing = figures.comparison_figure(
        one.hb_g_dl, one.pairs.lab_g_dl, one.pairs.light, found.lines
    )
    none = (
        "Where a line is missing, laboratory values or readings are all the same, or they do not "
        "rise together: look whether values and photos belong together."
    )
    return Section(
        "Method comparison",
        (
            Table(
                ("Line", "women", "intercept, g/dL", "slope", "linearity (cusum)"),
                tuple(rows),
                "One reading a woman. Deming: error ratio from the stated uncertainties of reading "
                "and laboratory, jackknife intervals. No difference between methods: intercept "
                "interval holds 0 and slope interval holds 1.",
            ),
            *((Text(none, "warning"),) if len(found.lines) < 2 else ()),
            Figure(drawing, "Reading against laboratory value; dotted lines at 7 and 11 g/dL."),
        ),
    )


def along_the_scale(found: Validation) -> Section:
    """Errors by level, and against total-error limits."""
    rows = tuple(
        (
            row.name,
            str(row.n_readings),
            str(row.n_women),
            signed(row.bias),
            plain(row.sd),
            plain(row.rms),
        )
        for row in found.bands
    )
    total = tuple((row.name, row.source, share(row.within)) for row in found.total_error)
    one = found.one_each
    drawing = figures.residual_figure(
        one.hb_g_dl, one.low_g_dl, one.high_g_dl, one.pairs.lab_g_dl, one.covered
    )
    return Section(
        "Errors along the scale",
        (
            Table(
                ("Laboratory Hb, g/dL", "readings", "women", "bias", "sd", "RMS"),
                rows,
                "g/dL, reading minus laboratory.",
            ),
            Figure(
                drawing, "Residual against laboratory value, with the interval of each reading."
            ),
            Table(
                ("Total-error limit", "source", "readings within it"),
                total,
                "Limits for laboratories are shown as a yardstick. A card is not a laboratory.",
                wide=True,
            ),
        ),
    )
