"""The table at the head of sites.md, worked out from the tables further down the page."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from marked import with_part

PAGE = Path(__file__).parent / "sites.md"
BASES = {"Lab": "Lab", "spectra": "spectra", "photos": "twenty photos", "design": "design alone"}
OWN, OTHERS = "same phones and lamps", "others"
RMSE_AIMS: dict[int, tuple[float | None, float | None]] = {
    20: (1.0, None),
    80: (0.75, None),
    240: (0.60, 0.75),
}
"""Pairs, and the largest RMSE in g/dL with the study's phones and lamps, and with others."""
MEAN_HELD, WORST_HELD, REFUSED, MISSED = (88.0, 93.0), 85.0, (8.0, 12.0), 1.0
"""Percent: of truths in 90 % intervals, of photos refused (own, others), of severe cases missed."""


@dataclass(frozen=True)
class Row:
    """One number of pairs: g/dL, and percent."""

    pairs: int
    rmse: float
    held: float
    worst_held: float
    refused: float
    missed: float
    harmful: int


def rows_of(text: str, basis: str, which: str) -> list[Row]:
    """The rows of one table, but for the one without pairs."""
    _, found, after = text.partition(f"## Lot known by {basis}, {which}\n")
    if not found:
        raise ValueError(f"sites.md has no table of lots known by {basis}, {which}")
    rows = [_row(line) for line in re.findall(r"^\| \d.*$", after.split("\n#")[0], re.MULTILINE)]
    return [row for row in rows if row.pairs]


def _row(line: str) -> Row:
    cells = [cell.strip() for cell in line.strip("|").split("|")]
    missed, severe = (int(part) for part in cells[8].split(" of "))
    percent = [float(cells[k].rstrip("%")) for k in (3, 4, 7)]
    held, worst, refused = percent
    harmful = int(cells[9].split(" of ")[0])
    return Row(int(cells[0]), float(cells[1]), held, worst, refused, 100 * missed / severe, harmful)


def page() -> str:
    """sites.md, its first table as the others have it."""
    text = PAGE.read_text(encoding="utf-8")
    return with_part(text, "aims", _table(text))


def _table(text: str) -> str:
    head = ["lot known by", *(f"RMSE, {n} pairs" for n in RMSE_AIMS)]
    head += ["held by 90 % intervals", "in the worst world", "refused", "severe missed", "harmful"]
    aims = ["*aim*", *(_both(*aim) for aim in RMSE_AIMS.values())]
    aims += ["88 to 93 %", "85 %", "8, 12 %", "1 %", "none"]
    lines = [_line(head), "|---" * len(head) + "|", _line(aims)]
    return "\n".join([*lines, *(_line(_cells(text, basis)) for basis in BASES)])


def _cells(text: str, basis: str) -> list[str]:
    both = [rows_of(text, basis, which) for which in (OWN, OTHERS)]
    held = [[row.held for row in rows] for rows in both]
    worst = [min(row.worst_held for row in rows) for rows in both]
    refused = [max(row.refused for row in rows) for rows in both]
    missed = [max(row.missed for row in rows) for rows in both]
    harmful = [sum(row.harmful for row in rows) for rows in both]
    return [
        BASES[basis],
        *(_rmse_cell(both, pairs, aims) for pairs, aims in RMSE_AIMS.items()),
        _pair(_span(values) for values in held),
        _pair(_marked(f"{value:.1f}", value >= WORST_HELD) for value in worst),
        _pair(_most(value, most) for value, most in zip(refused, REFUSED, strict=True)),
        _pair(_most(value, MISSED) for value in missed),
        _pair(_marked(str(count), not count) for count in harmful),
    ]


def _rmse_cell(both: list[list[Row]], pairs: int, aims: tuple[float | None, float | None]) -> str:
    at = [next(row.rmse for row in rows if row.pairs == pairs) for rows in both]
    return _pair(
        _marked(f"{rmse:.2f}", aim is None or rmse <= aim)
        for rmse, aim in zip(at, aims, strict=True)
    )


def _span(values: list[float]) -> str:
    low, high = MEAN_HELD
    met = low <= min(values) and max(values) <= high
    return _marked(f"{min(values):.1f} to {max(values):.1f}", met)


def _most(value: float, limit: float) -> str:
    return _marked(f"{value:.1f}", value <= limit)


def _marked(text: str, met: bool) -> str:
    return text if met else f"**{text}**"


def _both(own: float | None, others: float | None) -> str:
    return f"{own:g}" if others is None else f"{own:.2f}; {others:.2f}"


def _pair(parts: Iterable[str]) -> str:
    return "; ".join(parts)


def _line(cells: list[str]) -> str:
    return "| " + " | ".join(cells) + " |"
