"""A reading as plain text for the person in front of the woman."""

from __future__ import annotations

import textwrap
from math import ceil, floor
from typing import TYPE_CHECKING

from cardreader.core.units import G_L_PER_G_DL
from cardreader.decide.rule import BandProbability, Decision
from cardreader.decide.statements import TEXT, Statement
from cardreader.result.asjson import rounded
from cardreader.result.provisos import (
    blot_statement,
    calibration_statement,
    lot_statement,
    pairs_statement,
)

if TYPE_CHECKING:
    from cardreader.hb.estimate import HbEstimate
    from cardreader.result.reading import Reading

TEXT_WIDTH = 72


def reading_text(reading: Reading) -> str:
    """The result for the outreach worker: words first, then the number, then what to do.

    Plain text of at most 72 columns, ending in a newline.
    """
    if reading.refusal is not None:
        first = [[*headline_lines(reading.decision), *_wrap(reading.refusal.advice)]]
    elif reading.estimate is None:
        raise ValueError("a reading is either refused or has an estimate")
    else:
        first = _result(reading.estimate, reading.decision)
    return _join([*first, *_advice(reading.decision), _wrap(foot_text(reading))])


def result_text(estimate: HbEstimate, decision: Decision, foot: str) -> str:
    """The same for an estimate from several photos; ``foot`` tells how it came about."""
    return _join([*_result(estimate, decision), *_advice(decision), _wrap(foot)])


def headline(decision: Decision) -> str:
    """What the reading says, in a few words."""
    words = TEXT[decision.headline]
    if decision.band is not None and decision.headline is Statement.ANAEMIC:
        return f"{words.removesuffix('.')}: {decision.band.title}."
    return words


def headline_lines(decision: Decision) -> list[str]:
    """The headline, underlined."""
    words = headline(decision)
    return [words, "=" * len(words)]


def chance(probability: float) -> str:
    """A probability in words that hide neither a small nor a great one: "3 in 100"."""
    n = hundredths(probability)
    if n < 1:
        return "under 1 in 100"
    if n > 99:
        return "over 99 in 100"
    return f"{n} in 100"


def hundredths(probability: float) -> int:
    """How many in a hundred, by the digits that JSON keeps."""
    return round(100 * rounded(probability))


def band_name(band: BandProbability) -> str:
    """Title and limits of a band: "mild to moderate, 7 to below 11 g/dL"."""
    if band.from_g_dl is None:
        return f"{band.title}, below {band.below_g_dl:g} g/dL"
    if band.below_g_dl is None:
        return f"{band.title}, {band.from_g_dl:g} g/dL or more"
    return f"{band.title}, {band.from_g_dl:g} to below {band.below_g_dl:g} g/dL"


def number_text(estimate: HbEstimate) -> str:
    """The value in both units: "Haemoglobin about 8.9 g/dL (89 g/L)"."""
    g_l = estimate.hb_g_dl * G_L_PER_G_DL
    return f"Haemoglobin about {estimate.hb_g_dl:.1f} g/dL ({g_l:.0f} g/L)"


def interval_ends(low_g_dl: float, high_g_dl: float) -> tuple[float, float]:
    """The ends as they are shown, to a tenth; rounding widens them, never narrows.

    Worked out from the digits that JSON keeps, so that both say the same.
    """
    low, high = (round(rounded(end) * 10, 6) for end in (low_g_dl, high_g_dl))
    return floor(low) / 10, ceil(high) / 10


def interval_text(estimate: HbEstimate) -> str:
    """The interval in words."""
    low, high = interval_ends(*estimate.interval_g_dl)
    times = 100 * estimate.level
    often = "Nine times in ten" if round(times, 6) == 90 else f"{times:g} times in 100"
    return f"{often} between {low:.1f} and {high:.1f}"


def adjusted_text(decision: Decision) -> str:
    """The value after adjustment, or "" when nothing was taken off."""
    if decision.adjusted_hb_g_dl is None or decision.adjustment_g_dl < 0.05:
        return ""
    return (
        f"Judged as {decision.adjusted_hb_g_dl:.1f} g/dL: "
        f"{decision.adjustment_g_dl:.1f} taken off for elevation or smoking"
    )


# Each of these gives paragraphs: lists of lines, set apart by an empty line.


def _join(paragraphs: list[list[str]]) -> str:
    return "\n\n".join("\n".join(lines) for lines in paragraphs) + "\n"


def _result(estimate: HbEstimate, decision: Decision) -> list[list[str]]:
    number = [*headline_lines(decision), f"{number_text(estimate)}."]
    number.append(f"{interval_text(estimate)} g/dL.")
    if adjusted := adjusted_text(decision):
        number.append(f"{adjusted}.")
    names = [band_name(band) for band in decision.bands]
    width = max(len(name) for name in names)
    chances = [
        f"  {name:<{width}}  {chance(band.probability):>14}"
        for name, band in zip(names, decision.bands, strict=True)
    ]
    return [number, ["Chance that it is", *chances]]


def _advice(decision: Decision) -> list[list[str]]:
    out = [["Now", *_points(decision.actions)]]
    if decision.usual_care:
        once = "Once confirmed, local protocol" if decision.confirm else "Local protocol"
        out.append([f"{once} usually asks", *_points(decision.usual_care)])
    return [*out, _wrap(" ".join(TEXT[s] for s in decision.cautions))]


def foot_text(reading: Reading, estimate: HbEstimate | None = None) -> str:
    """What the reading rests on, in a few sentences: notes, card, protocol, calibration.

    ``estimate`` is that of several photos, where it is not the reading's own.
    """
    codes = list(reading.decision.notes)
    about = (blot_statement(reading), lot_statement(reading), calibration_statement(reading))
    codes += [statement for statement in about if statement is not None]
    if reading.another_paper:
        codes.append(Statement.OTHER_PAPER)
    value = reading.estimate if estimate is None else estimate
    if value is not None and (beyond := pairs_statement(value)) is not None:
        codes.insert(0, beyond)
    card = f"Card lot {reading.lot_id}. " if reading.lot_id else ""
    if reading.paper:
        card += f"Blotting paper {reading.paper}. "
    elif reading.paper_taken and value is not None:
        card += f"Blotting paper not said, taken to be {reading.paper_taken}. "
    source = f"{card}Protocol {reading.protocol_id}. Calibration {reading.calibration_id}."
    return " ".join([*(TEXT[c] for c in codes), source])


def _points(codes: tuple[Statement, ...]) -> list[str]:
    return [line for code in codes for line in _wrap(TEXT[code], "  - ", "    ")]


def _wrap(text: str, first: str = "", rest: str = "") -> list[str]:
    return textwrap.wrap(
        text,
        TEXT_WIDTH,
        initial_indent=first,
        subsequent_indent=rest,
        break_long_words=False,
        break_on_hyphens=False,
    )
