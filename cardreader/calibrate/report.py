"""The validation report of a study: what was found, in words, tables and figures."""

from __future__ import annotations

from dataclasses import dataclass

from cardreader.calibrate import figures
from cardreader.calibrate.coverage import CoverageRow
from cardreader.calibrate.diagnostic import CutOff
from cardreader.calibrate.document import Block, Bullets, Document, Figure, Section, Table, Text
from cardreader.calibrate.features import Features
from cardreader.calibrate.fit import Fit, Pairs, reference_rows
from cardreader.calibrate.proportion import Proportion
from cardreader.calibrate.unsigned import without_signature
from cardreader.calibrate.validate import GREY_ZONE_G_DL, Validation
from cardreader.calibrate.verdict import WANTED_BIAS_G_DL, Criterion, overall
from cardreader.hb.estimate import beside_fresh_cards

SCREENING = (
    "Readings are for screening only. Anaemic, doubtful and severe readings need a blood test "
    "at a health facility; local protocol and licensed staff decide what is done."
)


@dataclass(frozen=True)
class Heading:
    """What identifies the report."""

    title: str
    calibration_id: str
    created: str
    version: str
    study_sha256: str
    synthetic: bool


def _share(found: Proportion) -> str:
    if found.value is None or found.ci is None:
        return "none"
    low, high = found.ci
    return f"{found.value:.1%} ({low:.1%} to {high:.1%}), {found.count}/{found.total}"


def _signed(value: float | None) -> str:
    return "" if value is None else f"{value:+.2f}"


def _plain(value: float | None) -> str:
    return "" if value is None else f"{value:.2f}"


def _interval(ci: tuple[float, float], digits: int = 2) -> str:
    return f"{ci[0]:+.{digits}f} to {ci[1]:+.{digits}f}"


def build(heading: Heading, features: Features, fitted: Fit, found: Validation) -> Document:
    """The whole report."""
    banner = "SYNTHETIC DATA: no blood was measured, no photo was made" if heading.synthetic else ""
    women = len(set(found.held_out.pairs.subject.tolist()))
    return Document(
        title=heading.title,
        subtitle="Calibration and validation report. Every reading shown is of a woman whom the "
        "calibration that read her had not seen.",
        banner=banner,
        foot=f"{heading.calibration_id}, cardreader {heading.version}, {heading.created}. "
        "Screening only.",
        facts=(
            ("Calibration", heading.calibration_id),
            ("Made", heading.created),
            ("Women", f"{women} with a readable photo, {len(found.held_out.pairs)} photos"),
            ("Laboratory", _methods_words(found)),
            ("Model", fitted.model),
            ("Study table, SHA-256", heading.study_sha256),
        ),
        sections=(
            _verdict(found),
            _rows(features, found),
            _agreement(found),
            _regression(found),
            _errors(found),
            _cut_offs(found),
            _decisions(found),
            _intervals(fitted, found),
            _unseen(found),
            _repeatability(fitted, found),
            _model(features, fitted),
            _method(fitted),
            *_refused_list(features),
        ),
    )


def _methods_words(found: Validation) -> str:
    return ", ".join(f"{row.method}: {row.n_women} women" for row in found.methods)


def _verdict(found: Validation) -> Section:
    marks = {True: "good", False: "bad", None: "open"}
    words = {True: "yes", False: "no", None: "can't say"}
    rows = tuple(
        (criterion.name, criterion.wanted, criterion.found, words[criterion.met])
        for criterion in found.criteria
    )
    return Section(
        "Verdict",
        (
            Text(overall(found.criteria), "verdict"),
            Text(SCREENING, "warning"),
            Table(
                ("Asked", "Wanted", "Found", "Met"),
                rows,
                "The limits are this project's own. Whoever plans a study fixes them before it.",
                wide=True,
                marks=tuple(marks[criterion.met] for criterion in found.criteria),
            ),
            Text("What this study can't show:"),
            Bullets(found.limits),
        ),
    )


def _rows(features: Features, found: Validation) -> Section:
    counts = (
        ("rows in the study table", str(found.n_table)),
        ("rows with a fault, not used", str(found.n_faulty)),
        ("photos refused before a colour was found", str(len(features.refused))),
        ("photos whose colour or value the reader refuses", str(found.n_not_accepted)),
        ("readings", str(len(found.held_out.pairs) - found.n_not_accepted)),
        ("women", str(found.n_women)),
        ("women without any reading", str(found.n_women_unread)),
    )
    blocks: list[Block] = [Table(("", "number"), counts)]
    if features.table_errors:
        blocks.append(Text("Faulty rows, as they stand in the table:"))
        blocks.append(Bullets(tuple(str(error) for error in features.table_errors[:50])))
        if len(features.table_errors) > 50:
            blocks.append(Text(f"... and {len(features.table_errors) - 50} more faults."))
    if found.refusals:
        rows = tuple((reason, str(count)) for reason, count in found.refusals)
        blocks.append(Table(("Refused because", "photos"), rows))
    return Section("What became of every row", tuple(blocks))


MOST_LISTED = 200


def _refused_list(features: Features) -> tuple[Section, ...]:
    if features.refused.empty:
        return ()
    listed = tuple(
        (str(row["row"]), str(row["photo"]), str(row["refusal"]))
        for row in features.refused.head(MOST_LISTED).to_dict("records")
    )
    more = len(features.refused) - len(listed)
    note = f"and {more} more" if more else ""
    return (
        Section(
            "Refused photos, one by one",
            (Table(("Row", "Photo", "Reason"), listed, note, wide=True),),
        ),
    )


def _agreement(found: Validation) -> Section:
    a = found.agreement
    rows = (
        ("bias", f"{a.bias:+.2f}", _interval(a.bias_ci)),
        ("lower limit of agreement", f"{a.lower:+.2f}", _interval(a.lower_ci)),
        ("upper limit of agreement", f"{a.upper:+.2f}", _interval(a.upper_ci)),
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
                        _signed(row.bias_g_dl),
                        _plain(row.rms_g_dl),
                        _share(row.coverage),
                    )
                    for row in found.methods
                ),
                "Acid-haematin tubes have an error of their own, which would be charged to the "
                "reading: where enough women have a better value, all other tables leave them out.",
            ),
        ),
    )


def _regression(found: Validation) -> Section:
    rows = []
    for line in (found.deming, found.passing_bablok):
        rows.append(
            (
                line.method,
                str(line.n),
                f"{line.intercept:+.2f} ({_interval(line.intercept_ci)})",
                f"{line.slope:.3f} ({line.slope_ci[0]:.3f} to {line.slope_ci[1]:.3f})",
                "" if line.linearity_p is None else f"p = {line.linearity_p:.3f}",
            )
        )
    one = found.one_each
    drawing = figures.comparison_figure(
        one.hb_g_dl, one.pairs.lab_g_dl, one.pairs.light, (found.deming, found.passing_bablok)
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
            Figure(drawing, "Reading against laboratory value; dotted lines at 7 and 11 g/dL."),
        ),
    )


def _errors(found: Validation) -> Section:
    rows = tuple(
        (
            row.name,
            str(row.n_readings),
            str(row.n_women),
            _signed(row.bias),
            _plain(row.sd),
            _plain(row.rms),
        )
        for row in found.bands
    )
    total = tuple((row.name, row.source, _share(row.within)) for row in found.total_error)
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


def _cut_off_row(name: str, found: CutOff) -> tuple[str, ...]:
    return (
        name,
        _share(found.sensitivity),
        _share(found.specificity),
        _share(found.positive_value),
        _share(found.negative_value),
    )


def _cut_offs(found: Validation) -> Section:
    rows = tuple(_cut_off_row(name, cut) for name, cut in found.cut_offs)
    edges = ("below 7", "7 to 11", "11 and above")
    kappa_rows = tuple(
        (f"reading {name}", *(str(count) for count in row))
        for name, row in zip(edges, found.kappa_table.tolist(), strict=True)
    )
    kappa = (
        "All readings fall into one band: kappa is not defined."
        if found.kappa is None
        else f"Weighted kappa (quadratic) {found.kappa.value:.2f} "
        f"({found.kappa.ci[0]:.2f} to {found.kappa.ci[1]:.2f})."
    )
    blocks: list[Block] = [
        Table(
            ("Called positive when", "sensitivity", "specificity", "PV +", "PV -"),
            rows,
            "One reading a woman, Wilson 95 % intervals. The grey zone leaves out women whose "
            f"laboratory value lies within {GREY_ZONE_G_DL:g} g/dL of the cut-off. Predictive "
            "values are those of this study's mixture of women, which is not that of a village.",
        )
    ]
    if found.rocs:
        blocks.append(
            Figure(
                figures.roc_figure(found.rocs),
                "Receiver operating characteristics at 7 and 11 g/dL.",
            )
        )
    blocks.append(
        Table(("", *(f"laboratory {name}" for name in edges)), kappa_rows, f"g/dL. {kappa}")
    )
    return Section("Cut-offs at 7 and 11 g/dL", tuple(blocks))


def _decisions(found: Validation) -> Section:
    rows, marks = [], []
    for row in found.consequences:
        per = "" if row.per_thousand is None else f"{row.per_thousand:.0f}"
        rows.append((row.truth, row.answer, str(row.count), per, row.meaning))
        marks.append("bad" if row.harmful and row.count else "")
    return Section(
        "What the decisions would have meant",
        (
            Table(
                ("She is", "Decision", "Women", "Per 1000", "Consequence"),
                tuple(rows),
                "By laboratory value at 7 and 11 g/dL, and the decision rule of the protocol. "
                f"Harmful combinations that occurred are shaded. {_prevalence_words(found)}",
                wide=True,
                marks=tuple(marks),
            ),
        ),
    )


def _prevalence_words(found: Validation) -> str:
    if found.prevalence is None:
        return "Per 1000 women with this study's own shares of severe and other anaemia."
    shares = ", ".join(f"{share:.0%} {state}" for state, share in found.prevalence.items())
    return f"Per 1000 women of whom {shares}, as stated by the study."


def _part(row: CoverageRow) -> str:
    return "all women" if row.part == "all" else f"{row.part}: {row.value}"


def _interval_words(fitted: Fit) -> str:
    words = (
        f"Intervals are made to hold the laboratory value of {fitted.recipe.coverage:.0%} of "
        f"women. Their factor is {fitted.calibration.conformal_scale:.2f}"
    )
    n = len(fitted.conformity_scores)
    if not n:
        return f"{words}, as the calibration brought it; none of these women had a part in it."
    return f"{words}, the score of exact rank among {n} women, each read by a model without her."


def _intervals(fitted: Fit, found: Validation) -> Section:
    level = fitted.recipe.coverage
    rows = tuple(
        (_part(row), _share(row.coverage), _plain(row.mean_width_g_dl)) for row in found.coverage
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


def _unseen(found: Validation) -> Section:
    if not found.unseen:
        return Section(
            "Phones, lights and lots that were left out",
            (Text("The study has one phone, one light and one lot: nothing could be left out."),),
        )
    rows = tuple(
        (
            f"{row.part}: {row.value}",
            str(row.n_readings),
            _signed(row.bias_g_dl),
            _plain(row.rms_g_dl),
            _share(row.coverage),
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
    return Section(
        "Phones, lights and lots that were left out",
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


def _repeatability(fitted: Fit, found: Validation) -> Section:
    rows: list[tuple[str, str]] = []
    r = found.repeatability
    if r is None:
        rows.append(("repeatability", "no woman was read twice under the same conditions"))
    else:
        low, high = r.sd_ci
        rows += [
            ("repeatability sd", f"{r.sd_repeatability_g_dl:.2f} g/dL ({low:.2f} to {high:.2f})"),
            ("repeatability limit r", f"{r.limit_r_g_dl:.2f} g/dL"),
        ]
        if r.sd_reproducibility_g_dl is None or r.limit_R_g_dl is None:
            rows.append(
                (
                    "reproducibility",
                    "not known: it takes women read again under the same conditions and under "
                    "others too",
                )
            )
        else:
            rows += [
                ("reproducibility sd", f"{r.sd_reproducibility_g_dl:.2f} g/dL"),
                ("reproducibility limit R", f"{r.limit_R_g_dl:.2f} g/dL"),
            ]
    v = fitted.volume
    if v is not None:
        rows.append(
            (
                "scatter of blood volume between blots",
                f"{v.cv:.1%} (95 % within {v.ci[0]:.1%} to {v.ci[1]:.1%}; {v.prior_cv:.1%} "
                f"believed before); {v.n_two_blots} women with several blots, {v.n_same_blot} "
                "with a blot photographed again, under any conditions",
            )
        )
    blots = found.several_blots
    if blots is not None:
        rows.append(
            (
                "error of one blot, of the mean of two",
                f"RMS {blots.rms_one:.2f} and {blots.rms_two:.2f} g/dL ({blots.n_women} women)",
            )
        )
    rows.append(("figure used by the reader", f"{fitted.calibration.volume_cv:.1%}"))
    return Section(
        "Repeating a reading",
        (
            Table(
                ("", "found"),
                tuple(rows),
                "As in ISO 5725: a level is a woman, a laboratory is a set of phone, light and "
                "operator. Two readings of one woman under the same conditions differ by more "
                "than r in 5 of 100 cases. Scatter of blood volume sets a floor that no image "
                "processing removes; n blots divide it by the root of n.",
                wide=True,
            ),
        ),
    )


def _model(features: Features, fitted: Fit) -> Section:
    pairs = Pairs.of(features)
    fresh = beside_fresh_cards(features.measured(), fitted.calibration)
    locus = Figure(
        figures.locus_figure(
            pairs.lab_g_dl,
            without_signature(fresh, pairs.lab_g_dl, fitted.calibration),
            fitted.calibration,
        ),
        "Blots of the study, less what the card says of lamp and phone, and the fitted locus.",
    )
    if not fitted.scores:
        return Section("Model", (Text(f"The model was not chosen here: {fitted.model}."), locus))
    groupings = list(fitted.scores[0].by_grouping)
    rows = tuple(
        (
            score.model,
            *(_plain(score.by_grouping[name]) for name in groupings),
            f"{score.rms_g_dl:.3f}",
        )
        for score in fitted.scores
    )
    return Section(
        "Choice of the model",
        (
            Table(
                ("Candidate", *(f"{name} left out" for name in groupings), "mean"),
                rows,
                f"Root mean square error, g/dL. Chosen: {fitted.model}, the best that the reader "
                "can use. In the validation the choice was made anew in every fold.",
            ),
            Figure(figures.model_figure(fitted.scores), "Error of every candidate."),
            locus,
        ),
    )


def _method(fitted: Fit) -> Section:
    recipe = fitted.recipe
    return Section(
        "How it was done",
        (
            Bullets(
                (
                    f"Nested cross-validation: {recipe.folds} outer folds of women measure, "
                    f"{recipe.inner_folds} inner folds choose; phones and lots are left out too "
                    "where the study has several.",
                    "Uncertainty of the laboratory value: as stated in the table, or assumed by "
                    "method; the fit moves each pair by the two variances, as in errors-in-"
                    "variables regression.",
                    "Intervals: cross-conformal, normalised scores, every woman with the same "
                    "weight, exact finite-sample rank; too few women raise an error.",
                    f"Seed of every draw: {recipe.seed}.",
                )
            ),
        ),
    )


def criteria_words(criteria: tuple[Criterion, ...]) -> str:
    """The verdict for a terminal: one line a criterion."""
    words = {True: "yes      ", False: "NO       ", None: "can't say"}
    return "\n".join(f"  {words[c.met]} {c.name}: {c.found}" for c in criteria)
