"""What API calls take and give."""

from __future__ import annotations

import datetime as dt
from enum import StrEnum
from typing import Annotated, Any, Literal

from fastapi import Path
from pydantic import BaseModel, BeforeValidator, Discriminator, Field, Tag

from cardreader.decide.rule import Outcome
from cardreader.decide.subject import Smoking
from cardreader.register.blots import SIDES, sides_of
from cardreader.register.dayshift import DayShift
from cardreader.register.kinds import (
    BirthOutcome,
    EventKind,
    Purpose,
    ReferralOutcome,
    Role,
    Source,
)
from cardreader.register.labunit import LIMITS as LAB_LIMITS
from cardreader.register.labunit import LabUnit
from cardreader.register.lists import Row
from cardreader.register.models import Reading, Woman
from cardreader.register.openreferrals import open_referrals
from cardreader.register.tube import LIMITS, TubeUnit
from cardreader.register.women import GESTATION_WEEKS
from cardreader.web.dayshiftwords import IN_DOUBT, day_off, in_doubt, shift_of_its_day
from cardreader.web.openfirst import open_first
from cardreader.web.texts import gettext
from cardreader.web.words import Said, rank_of, said_of

CODE_PATTERN = r"^[A-Za-z0-9][A-Za-z0-9/\-]{1,22}[A-Za-z0-9]$"
KEY_PATTERN = r"^[A-Za-z0-9_\-]{8,64}$"
ID_PATTERN = r"^[0-9a-f\-]{36}$"

RecordId = Annotated[str, Path(pattern=ID_PATTERN, description="36-character id")]
SubmissionKey = Annotated[
    str,
    Field(
        pattern=KEY_PATTERN,
        description="Made by the sender, kept with the entry: the same key again changes nothing",
    ),
]


def _a_number(value: object) -> object:
    if isinstance(value, bool | str):
        raise ValueError("a number is wanted")
    return value


def _by_unit(units: type[StrEnum], whose: str) -> Discriminator:
    """Tell bodies apart by their unit, and ask for it in words of our own where it isn't told.

    The framework's are of tags, and of the whole body.
    """
    *others, last = units
    return Discriminator(
        lambda body: body.get("unit") if isinstance(body, dict) else None,
        custom_error_type="unit",
        custom_error_message="missing or not known: send {choice}",
        custom_error_context={"choice": f"{', '.join(others)} or {last}, {whose}", "field": "unit"},
    )


NUMBER = BeforeValidator(_a_number)
"""JSON's own: of ``true`` and of ``"9"`` Python would make one."""


class SessionOut(BaseModel):
    """Who is signed in."""

    account_id: str
    name: str
    role: Role
    csrf: str
    register_id: str = Field(description="The register's: the same under every address")
    keeps_photos: bool = Field(description="Whether photos are kept once they are read")


class WomanIn(BaseModel):
    """A woman to add, by pseudonymous code."""

    code: str = Field(pattern=CODE_PATTERN)
    gestation_weeks: Annotated[int | None, NUMBER] = Field(
        None, ge=GESTATION_WEEKS[0], le=GESTATION_WEEKS[1]
    )
    smoking: Smoking | None = None


class WomanOut(BaseModel):
    """A woman and where she stands."""

    id: str
    code: str
    gestation_weeks: int | None
    anaemic: bool
    severe: bool
    awaiting_confirmation: bool
    due_on: dt.date | None
    overdue: bool
    referral_open: bool
    referral_urgent: bool = Field(description="Whether her open referral is urgent")
    birth_on: dt.date | None
    birth_outcome: BirthOutcome | None
    tablets_until: dt.date | None = Field(
        description="When her iron-folic acid is used up by what was given and counted"
    )


class EventOut(BaseModel):
    """What was noted beside her readings: a birth, tablets, an outcome of a referral."""

    id: str
    kind: EventKind
    on: dt.date
    choice: str | None
    amount: int | None
    words: str | None
    referral_id: str | None
    set_aside: bool


class ReferralOut(BaseModel):
    """A referral and what became of it; ``outcome`` may be told while it stays open."""

    id: str
    purpose: Purpose
    urgent: bool
    result: str
    hb_g_dl: float | None
    opened_at: dt.datetime
    outcome: ReferralOutcome | None
    closed_at: dt.datetime | None
    double_of: str | None = Field(
        description="The open referral for the same, opened at another register, that stands for it"
    )


class CountOut(BaseModel):
    """One count of a month, split by name where it is split."""

    code: str
    words: str
    count: int
    parts: dict[str, int]


class MonthOut(BaseModel):
    """The counts of a month, as the page has them; without the lists as they stand today."""

    month: str
    counts: list[CountOut]


class Side(BaseModel):
    """One of several photos of a blot, by itself."""

    sha256: str
    hb_g_dl: float | None
    outcome: str
    refusal: str | None


class DayOffOut(BaseModel):
    """That readings of a day as a whole lie off those before: of another paper, say."""

    on: dt.date
    women: int
    shift_g_dl: float = Field(description="By how much; above 0 severe anaemia is missed")
    words: str


class ReadingOut(BaseModel):
    """An entered reading. ``reading`` is the whole reading of a photo as JSON.

    ``words`` say what it means, of all the visit's blots together, in the language asked
    for, and first what is open of her where the reading alone would call her well; ``rank``
    sorts by how pressing that is, 0 for severe.
    """

    id: str
    url: str
    code: str
    woman_id: str
    visit_id: str | None
    source: str
    taken_at: dt.datetime
    hb_g_dl: float | None
    low_g_dl: float | None
    high_g_dl: float | None
    outcome: str | None
    words: str
    rank: int
    refusal: str | None
    screening_only: bool
    set_aside: bool
    referral_open: bool = Field(description="Whether she is sent for a test or care still")
    referral_urgent: bool = Field(description="Whether that is urgent, whatever this one says")
    reading: dict[str, Any] | None
    day_off: DayOffOut | None = Field(
        description="Where all readings of its day lie off; an all-clear of a day that lies too "
        "high is given as uncertain"
    )
    sides: list[Side] = Field(
        description="What each photo of the blot said alone, the newest first, where several "
        "were read as one; else empty"
    )


class _TubeIn(BaseModel):
    """Whatever scale was read."""

    submission_key: SubmissionKey
    sure: bool = Field(False, description="Checked, though hardly ever so high")


class TubeGramsIn(_TubeIn):
    """An acid-haematin tube reading on the scale in g/dL."""

    unit: Literal[TubeUnit.G_DL]
    value: Annotated[float, NUMBER] = Field(
        ge=LIMITS[TubeUnit.G_DL][0], le=LIMITS[TubeUnit.G_DL][1]
    )


class TubePercentIn(_TubeIn):
    """An acid-haematin tube reading on the scale in percent."""

    unit: Literal[TubeUnit.PERCENT]
    value: Annotated[float, NUMBER] = Field(
        ge=LIMITS[TubeUnit.PERCENT][0], le=LIMITS[TubeUnit.PERCENT][1]
    )


TubeIn = Annotated[
    Annotated[TubeGramsIn, Tag(TubeUnit.G_DL)] | Annotated[TubePercentIn, Tag(TubeUnit.PERCENT)],
    _by_unit(TubeUnit, "as the scale that was read"),
]


class LabOut(ReadingOut):
    """An entered laboratory result."""

    maybe_mmol_l: bool = Field(
        description="The newest results by this method, entered as g/dL, look as a whole like "
        "mmol/L: ask the laboratory, set wrong ones aside and enter them with their unit. Nearly "
        "all of these women may be anaemic, too"
    )


class _LabIn(BaseModel):
    """Whatever unit is written."""

    submission_key: SubmissionKey
    method: str = Field(min_length=1, max_length=80, pattern=r"^[^\x00-\x1f\x7f]+$")
    place: str = Field("", max_length=80, pattern=r"^[^\x00-\x1f\x7f]*$")
    on: dt.date
    sure: bool = Field(
        False,
        description="Checked, though far from her reading, unlike another result of its day, "
        "hardly ever so high, or of an unlikely day",
    )


def _lab_value(unit: LabUnit) -> Any:
    low, high = LAB_LIMITS[unit]
    return Field(ge=low, le=high, description="As the laboratory wrote it, in `unit`")


class LabGramsIn(_LabIn):
    """A laboratory result in g/dL."""

    unit: Literal[LabUnit.G_DL]
    value: Annotated[float, NUMBER] = _lab_value(LabUnit.G_DL)


class LabGramsALitreIn(_LabIn):
    """A laboratory result in g/L."""

    unit: Literal[LabUnit.G_L]
    value: Annotated[float, NUMBER] = _lab_value(LabUnit.G_L)


class LabMillimolesIn(_LabIn):
    """A laboratory result in mmol/L, of one haem: times 1.611 it is g/dL."""

    unit: Literal[LabUnit.MMOL_L]
    value: Annotated[float, NUMBER] = _lab_value(LabUnit.MMOL_L)


LabIn = Annotated[
    Annotated[LabGramsIn, Tag(LabUnit.G_DL)]
    | Annotated[LabGramsALitreIn, Tag(LabUnit.G_L)]
    | Annotated[LabMillimolesIn, Tag(LabUnit.MMOL_L)],
    _by_unit(LabUnit, "as the laboratory's slip has it"),
]


def woman_out(row: Row, today: dt.date) -> WomanOut:
    """Where a woman stands on a day."""
    return WomanOut(
        id=row.woman.id,
        code=row.woman.code,
        gestation_weeks=row.woman.gestation_at(today),
        anaemic=row.standing.anaemic,
        severe=row.standing.severe,
        awaiting_confirmation=row.standing.awaiting_confirmation,
        due_on=row.due.first_on if row.due else None,
        overdue=row.due is not None and row.due.is_overdue(today),
        referral_open=row.referral is not None,
        referral_urgent=row.referral is not None and row.referral.urgent,
        birth_on=row.woman.birth_on,
        birth_outcome=_birth_outcome(row.woman),
        tablets_until=row.tablets.lasts_until if row.tablets else None,
    )


def reading_out(reading: Reading) -> ReadingOut:
    """An entered reading, with its words in the language asked for."""
    shift, said, outcome = shift_of_its_day(reading), said_of(reading), reading.band
    if doubt := in_doubt(reading, shift):
        outcome = Outcome.UNCERTAIN.value
        said = Said(IN_DOUBT, rank_of(Outcome.UNCERTAIN))
    referrals = open_referrals(reading.woman)
    words, rank = gettext(said.words), said.rank
    if (first := open_first(reading, alone=IN_DOUBT if doubt else None)) is not None:
        alone = gettext("This value alone: %(words)s") % {"words": gettext(first.alone)}
        words, rank = f"{gettext(first.title)}. {alone}", first.rank
    return ReadingOut(
        id=reading.id,
        code=reading.woman.code,
        words=words,
        rank=rank,
        url=f"/readings/{reading.id}",
        woman_id=reading.woman_id,
        visit_id=reading.visit_id,
        source=reading.source,
        taken_at=reading.taken_at,
        hb_g_dl=reading.hb_g_dl,
        low_g_dl=reading.low_g_dl,
        high_g_dl=reading.high_g_dl,
        outcome=outcome,
        refusal=reading.refusal,
        screening_only=reading.source != Source.LAB,
        set_aside=reading.set_aside_at is not None,
        referral_open=bool(referrals),
        referral_urgent=any(referral.urgent for referral in referrals),
        reading=_whole(reading) if reading.source == Source.PHOTO else None,
        day_off=_day_off(shift),
        sides=[Side(**side) for side in sides_of(reading)],
    )


def _day_off(shift: DayShift | None) -> DayOffOut | None:
    said = day_off(shift)
    if shift is None or said is None:
        return None
    words = f"{said.found} {said.follows}"
    return DayOffOut(on=shift.on, women=shift.women, shift_g_dl=shift.shift_g_dl, words=words)


def _whole(reading: Reading) -> dict[str, Any] | None:
    detail = reading.detail
    return detail and {name: part for name, part in detail.items() if name != SIDES}


def _birth_outcome(woman: Woman) -> BirthOutcome | None:
    return None if woman.birth_outcome is None else BirthOutcome(woman.birth_outcome)
