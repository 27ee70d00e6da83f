"""What the joined records of one woman say that can't all be true. No database here.

Nothing is settled by it: until somebody does, she is shown as what can hurt least.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import combinations

from cardreader.decide.subject import LONGEST_GESTATION_WEEKS
from cardreader.register.fieldgroups import WOMAN, fields_of
from cardreader.register.kinds import BirthOutcome
from cardreader.register.merge.state import Row
from cardreader.register.oncenoted import ONE_BIRTH
from cardreader.register.women import Closing


class Contradiction(StrEnum):
    """What her records contradict each other in."""

    PREGNANCY = "pregnancy"
    CLOSING = "closing"
    SMOKING = "smoking"


FIELDS: dict[Contradiction, tuple[str, ...]] = {
    Contradiction.PREGNANCY: ("gestation", "birth"),
    Contradiction.CLOSING: ("closing",),
    Contradiction.SMOKING: ("smoking",),
}
"""The fields that are decided together."""

WEEKS_APART = dt.timedelta(weeks=4)
"""Pregnancies that began closer together are one, dated twice."""
BIRTHS_APART = dt.timedelta(weeks=22)
"""From a birth to the next that is none of a loss."""
LOST_UNTIL = dt.timedelta(weeks=28)
"""Until then a pregnancy is lost; from `BIRTHS_APART` on a child may be born."""
_LONGEST = dt.timedelta(weeks=LONGEST_GESTATION_WEEKS)


@dataclass(frozen=True)
class Pregnancy:
    """One pregnancy as a record tells of it; ``told`` and ``start`` are None without weeks."""

    start: dt.date | None
    told: dt.date | None
    birth: dt.date | None
    outcome: str | None

    @property
    def over_by(self) -> dt.date | None:
        """The day by which it was surely over; None where nothing tells."""
        return self.birth or (None if self.start is None else self.start + _LONGEST)


def pregnancy_of(said: Row) -> Pregnancy:
    """What a record tells: of the pregnancy after the birth it notes, where weeks began after."""
    told = _day(said["gestation_on"])
    weeks = said["gestation_weeks"]
    start = None if told is None or weeks is None else told - dt.timedelta(weeks=weeks)
    birth = _day(said["birth_on"])
    if birth is not None and start is not None and told is not None and told > birth <= start:
        birth = None
    return Pregnancy(start, told, birth, None if birth is None else said["birth_outcome"])


def of_one(said: Row) -> Row:
    """A record's row with the birth before left out where its weeks began after that birth.

    One register noted the birth, and another, which did not know, the next pregnancy's weeks.
    """
    if said["birth_on"] is not None and pregnancy_of(said).birth is None:
        return {**said, "birth_on": None, "birth_outcome": None}
    return said


def contradicts_itself(said: Row) -> bool:
    """Whether weeks were told after the birth that the record notes, and began before it."""
    own = pregnancy_of(said)
    return own.birth is not None and own.told is not None and own.told > own.birth


def contradicting_pregnancies(said: Sequence[Row]) -> list[Row]:
    """The records whose pregnancies can't all be as told; what a later one follows is past."""
    told = [pregnancy_of(row) for row in said]
    found: set[int] = set()
    for n, m in combinations(range(len(told)), 2):
        if told[n] != told[m] and not _agree(told[n], told[m]) and not _is_past(n, m, told):
            found |= {n, m}
    found |= {n for n, row in enumerate(said) if contradicts_itself(row)}
    return [said[n] for n in sorted(found)]


def contradictions(said: Sequence[Row]) -> tuple[Contradiction, ...]:
    """What the records of one woman contradict each other in."""
    found = {
        Contradiction.PREGNANCY: bool(contradicting_pregnancies(said)),
        Contradiction.CLOSING: any(
            _closed_against(one, other) or _closed_against(other, one)
            for one, other in combinations(said, 2)
        ),
        Contradiction.SMOKING: len({row["smoking"] for row in said} - {None}) > 1,
    }
    return tuple(kind for kind, is_so in found.items() if is_so)


def choices(kind: Contradiction, said: Row) -> list[Row]:
    """What a record says of it: two things where it contradicts itself."""
    columns = [column for name in FIELDS[kind] for column in fields_of(WOMAN)[name]]
    row = of_one(said)
    plain = {column: row[column] for column in columns}
    if kind is not Contradiction.PREGNANCY or not contradicts_itself(row):
        return [plain]
    return [
        {**plain, **weeks_by_birth(row)},
        {**plain, "birth_on": None, "birth_outcome": None},
    ]


def weeks_by_birth(said: Row) -> Row:
    """The same weeks, told on a day before the birth that ended them: it began as it did."""
    own = pregnancy_of(said)
    assert own.birth is not None
    assert own.start is not None
    weeks = (own.birth - own.start).days // 7
    if weeks < 0:
        return {"gestation_weeks": None, "gestation_on": None}
    told = own.start + dt.timedelta(weeks=weeks)
    return {"gestation_weeks": weeks, "gestation_on": told.isoformat()}


def of_one_pregnancy(birth_on: dt.date, pregnancy: Pregnancy) -> bool:
    """Whether a birth, if there was one on that day, must have been that of a pregnancy.

    Of one that goes on it would have been the end.
    """
    if pregnancy.birth is not None:
        return abs(pregnancy.birth - birth_on) < BIRTHS_APART
    return pregnancy.start is not None and birth_on > pregnancy.start


def _agree(one: Pregnancy, other: Pregnancy) -> bool:
    """Whether both can be as told: of one pregnancy, or of two."""
    if one.birth is not None and other.birth is not None:
        return _births_agree(one, other)
    if one.birth is None and other.birth is None:
        return _starts_agree(one, other)
    born, going = (one, other) if one.birth is not None else (other, one)
    assert born.birth is not None
    if going.start is None or going.told is None:
        return True
    if going.start >= born.birth or going.start + _LONGEST < (born.start or born.birth - _LONGEST):
        return True
    if going.told > born.birth:
        return False
    return _starts_agree(born, going) and _may_end_so(born.birth - going.start, born.outcome)


def _births_agree(one: Pregnancy, other: Pregnancy) -> bool:
    first, last = sorted((one, other), key=lambda p: (p.birth, p.outcome or ""))
    assert first.birth is not None
    assert last.birth is not None
    if (first.birth, first.outcome) == (last.birth, last.outcome):
        return True
    of_any = last.outcome in (BirthOutcome.LOSS, BirthOutcome.NOT_KNOWN)
    return last.birth - first.birth >= (ONE_BIRTH if of_any else BIRTHS_APART)


def _starts_agree(one: Pregnancy, other: Pregnancy) -> bool:
    if one.start is None or other.start is None:
        return True
    apart = abs(one.start - other.start)
    return apart < WEEKS_APART or apart > _LONGEST


def _may_end_so(lasted: dt.timedelta, outcome: str | None) -> bool:
    if outcome == BirthOutcome.LOSS:
        return lasted < LOST_UNTIL + WEEKS_APART
    return outcome == BirthOutcome.NOT_KNOWN or lasted > BIRTHS_APART - WEEKS_APART


def _is_past(one: int, other: int, told: Sequence[Pregnancy]) -> bool:
    """Whether a third record tells of a pregnancy that began when both were over."""
    ends = [told[one].over_by, told[other].over_by]
    if None in ends:
        return False
    over = max(end for end in ends if end is not None)
    return any(
        third.start is not None and third.start >= over
        for n, third in enumerate(told)
        if n not in (one, other)
    )


def _closed_against(closed: Row, other: Row) -> bool:
    """Whether a record was closed while the other is followed, or was closed of a living woman.

    Not where the other was opened later: she went from one place and came to the next.
    """
    if closed["closed_on"] is None:
        return False
    died = closed["closed_reason"] == Closing.DIED
    if other["closed_on"] is not None:
        return died and other["closed_reason"] != Closing.DIED
    since = max(other["added_at"][: len(closed["closed_on"])], other["followed_from"] or "")
    return died or since <= closed["closed_on"]


def _day(text: str | None) -> dt.date | None:
    return None if text is None else dt.date.fromisoformat(text)
