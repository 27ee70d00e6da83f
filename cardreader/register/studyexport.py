"""The register's pairs as a study: the table and the measurements that ``study fit`` takes.

Women, workers and days are numbered anew: what leaves the register for a bench names nobody.
Paper of before a batch was named is a batch too, `UNNAMED`: taken for the batch named next, pairs
on two papers would be fitted as if on one, and photos on the new one read as if on the old.
"""

from __future__ import annotations

import csv
import io
import json

from cardreader.register.sitepairs import PairsFound

COLUMNS = (
    *("photo", "subject", "visit", "replicate", "lab_value", "lab_unit", "lab_method", "lab_sd"),
    *("phone", "light", "lot", "operator", "paper"),
)


def study_csv(found: PairsFound, lab_method: str, lab_sd_percent: float) -> str:
    """The study table, one row a pair; the laboratory's uncertainty in percent of the value."""
    from cardreader.hb.paper import UNNAMED

    women, levels, blots, people = ({} for _ in range(4))  # type: ignore[var-annotated]
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(COLUMNS)
    for pair in found.pairs:
        woman = women.setdefault(pair.woman_id, len(women) + 1)
        level = levels.setdefault(pair.woman_id, {})
        visit = level.setdefault(pair.level, len(level) + 1)
        own = blots.setdefault(pair.level, {})
        replicate = own.setdefault(pair.blot, len(own) + 1)
        operator = people.setdefault(pair.operator, len(people) + 1)
        writer.writerow(
            (
                *(pair.reading_id, f"woman {woman}", visit, replicate),
                *(f"{pair.lab_g_dl:g}", "g/dL", lab_method),
                f"{pair.lab_g_dl * lab_sd_percent / 100:.4g}",
                *(pair.phone, f"day {pair.day.isoformat()}", pair.lot_id),
                *(f"worker {operator}", pair.paper or UNNAMED),
            )
        )
    return out.getvalue()


def measured_jsonl(found: PairsFound) -> str:
    """What was measured of each photo, a line each."""
    lines = (
        {
            "photo": p.reading_id,
            "lot_id": p.lot_id,
            "lot_basis": p.lot_basis,
            "lot_colours": p.lot_colours,
            "sha256": p.sha256,
            "measured": p.measured,
        }
        for p in found.pairs
    )
    return "".join(json.dumps(line, sort_keys=True) + "\n" for line in lines)
