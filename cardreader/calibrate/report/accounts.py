"""What the study comes to: the verdict, and what became of every row."""

from __future__ import annotations

from cardreader.calibrate.document import Block, Bullets, Section, Table, Text
from cardreader.calibrate.features import Features
from cardreader.calibrate.validate import Validation
from cardreader.calibrate.verdict import overall

SCREENING = (
    "Readings are for screening only. Anaemic, doubtful and severe readings need a blood test "
    "at a health facility; local protocol and licensed staff decide what is done."
)

MOST_LISTED = 200
"""Refused photos that are listed one by one."""
MOST_FAULTS = 50


def verdict(found: Validation) -> Section:
    """What was asked of the calibration, and whether it was met."""
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


def every_row(features: Features, found: Validation) -> Section:
    """Rows of the study table by what became of them."""
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
        blocks.append(Bullets(tuple(str(error) for error in features.table_errors[:MOST_FAULTS])))
        if len(features.table_errors) > MOST_FAULTS:
            blocks.append(Text(f"... and {len(features.table_errors) - MOST_FAULTS} more faults."))
    if found.refusals:
        rows = tuple((reason, str(count)) for reason, count in found.refusals)
        blocks.append(Table(("Refused because", "photos"), rows))
    return Section("What became of every row", tuple(blocks))


def refused_list(features: Features) -> tuple[Section, ...]:
    """The refused photos, or nothing where there is none."""
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
