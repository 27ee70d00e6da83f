"""What readings would have led to: cut-offs, and decisions by what they mean."""

from __future__ import annotations

from cardreader.calibrate import figures
from cardreader.calibrate.breakdown import GREY_ZONE_G_DL
from cardreader.calibrate.diagnostic import CutOff
from cardreader.calibrate.document import Block, Figure, Section, Table
from cardreader.calibrate.report.words import share
from cardreader.calibrate.validate import Validation


def _cut_off_row(name: str, found: CutOff) -> tuple[str, ...]:
    return (
        name,
        share(found.sensitivity),
        share(found.specificity),
        share(found.positive_value),
        share(found.negative_value),
    )


def cut_offs(found: Validation) -> Section:
    """Sensitivity, specificity and agreement at 7 and 11 g/dL."""
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


def consequences(found: Validation) -> Section:
    """Decisions by what they mean for the women."""
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
