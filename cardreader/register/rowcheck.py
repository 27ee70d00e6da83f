"""Rows that come from a backup, held to what this program writes before they are believed.

SQLite takes a text where a number belongs, and the page that adds to it breaks
weeks later. A backup is therefore checked value by value, and once more when it
is in the tables, for words and limits that only the newest tables know.
"""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Callable
from math import isfinite
from typing import Any

from sqlalchemy import (
    JSON,
    Boolean,
    Column,
    Date,
    DateTime,
    Float,
    Integer,
    String,
    Table,
    and_,
    or_,
    select,
)
from sqlalchemy.orm import InstrumentedAttribute, Session

from cardreader.core.refusal import Reason
from cardreader.decide.rule import Outcome
from cardreader.decide.subject import Smoking
from cardreader.register.kinds import (
    BirthOutcome,
    EventKind,
    FitState,
    Purpose,
    ReferralOutcome,
    Regimen,
    Role,
    Source,
)
from cardreader.register.models import (
    Account,
    Event,
    JoinedVisit,
    JudgedAgain,
    Reading,
    Referral,
    SiteCalibration,
    Treatment,
    Visit,
    Woman,
)
from cardreader.register.women import GESTATION_WEEKS, Closing, clean_code

EARLIEST, LATEST = dt.datetime(1969, 1, 1), dt.datetime(2200, 1, 1)
"""Arithmetic with dates far off overflows. Where a clock's battery is empty it is 1970 after
a start, and what was entered then is in the register all the same."""
LARGEST = 1e10
"""No quantity kept here comes near: the seconds that a clock is wrong by are the largest, and
between `EARLIEST` and `LATEST` lie 7.3e9."""


class RowError(ValueError):
    """A row that this program can't have written; one line says where."""


def checked_row(table: Table, row: object, only: tuple[str, ...] | None = None) -> dict[str, Any]:
    """A row of JSON values as the table takes them; RowError when one doesn't belong there.

    Every row gives every column: rows are filled in together, and what the first
    one leaves out would be left out of all. ``only``: the columns it gives, all by default.
    """
    if not isinstance(row, dict):
        raise RowError(f"a row of {table.name} is no row")
    if unknown := [name for name in row if name not in table.c]:
        raise RowError(f"{table.name} has no column {unknown[0][:40]!r}")
    out = {}
    for column in (c for c in table.columns if only is None or c.name in only):
        value = row.get(column.name)
        if value is not None:
            out[column.name] = _value(table, column, value)
        elif column.nullable:
            out[column.name] = None
        else:
            raise RowError(f"{table.name}.{column.name} is empty")
    return out


def checked_values(table: Table, values: object, columns: tuple[str, ...]) -> dict[str, Any]:
    """Values of some columns, these and no others; RowError when one doesn't belong there."""
    if not isinstance(values, dict) or set(values) != set(columns):
        raise RowError(f"a change of {table.name} has not the columns it must have")
    return checked_row(table, values, columns)


def check_words(table: str, values: dict[str, Any]) -> None:
    """RowError for a word or a number that no page could make sense of."""
    for column, kind in _WORDS:
        value = values.get(column.key)
        if column.class_.__tablename__ == table and value is not None:
            try:
                kind(value)
            except ValueError:
                raise RowError(f"{column} holds {_short(value)}, which is unknown") from None
    if table == Woman.__tablename__ and (values.get("gestation_weeks") or 0) > GESTATION_WEEKS[1]:
        raise RowError(f"{Woman.gestation_weeks} goes beyond {GESTATION_WEEKS[1]}")


def _value(table: Table, column: Column[Any], value: object) -> Any:
    kind = column.type
    where = f"{table.name}.{column.name}"
    try:
        if isinstance(kind, JSON):
            return _json(value)
        if isinstance(kind, String):
            return _text(value, kind.length)
        if isinstance(kind, DateTime):
            return _time(value)
        if isinstance(kind, Date):
            return _time(value).date()
        if isinstance(kind, Boolean):
            return _of(bool, value)
        if isinstance(kind, Integer):
            return _whole(value)
        if isinstance(kind, Float):
            return _number(value)
    except (ValueError, RecursionError):
        raise RowError(f"{where} holds what can't be there: {_short(value)}") from None
    raise ValueError(f"{where} is of a kind that no backup holds: {kind!r}")


def _short(value: object) -> str:
    return ascii(value)[:60] if isinstance(value, str | int | float) else type(value).__name__


def _of(kind: type, value: object) -> Any:
    if type(value) is not kind:
        raise ValueError
    return value


def _text(value: object, longest: int | None) -> str:
    text: str = _of(str, value)
    # PostgreSQL takes no null character, and neither takes half a surrogate pair.
    if "\0" in text or len(text) > (longest or 1_000_000):
        raise ValueError
    text.encode()
    return text


def _time(value: object) -> dt.datetime:
    """Also of a date alone. Times are kept in UTC, without saying so."""
    at = dt.datetime.fromisoformat(_of(str, value))
    if at.tzinfo is not None or not EARLIEST <= at < LATEST:
        raise ValueError
    return at


def _whole(value: object) -> int:
    number: int = _of(int, value)
    if not 0 <= number < 2**31:
        raise ValueError
    return number


def _number(value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise ValueError
    if not abs(value) < LARGEST or not isfinite(value):
        raise ValueError
    return float(value)


def _json(value: object) -> dict[str, Any]:
    content: dict[str, Any] = _of(dict, value)
    json.dumps(content, allow_nan=False, ensure_ascii=False).encode()
    return content


# --- what only the newest tables know --------------------------------------------------


def _kept_code(text: str) -> str:
    if clean_code(text) != text:
        raise ValueError
    return text


_WORDS: tuple[tuple[InstrumentedAttribute[Any], Callable[[Any], Any]], ...] = (
    (Account.role, Role),
    (Woman.code, _kept_code),
    (Woman.smoking, Smoking),
    (Woman.closed_reason, Closing),
    (Visit.band, Outcome),
    (JoinedVisit.band, Outcome),
    (Reading.source, Source),
    (Reading.band, Outcome),
    (Reading.refusal, Reason),
    (Referral.band, Outcome),
    (Referral.source, Source),
    (Referral.purpose, Purpose),
    (Referral.outcome, ReferralOutcome),
    (Woman.birth_outcome, BirthOutcome),
    (Event.kind, EventKind),
    (Treatment.regimen, Regimen),
    (SiteCalibration.state, FitState),
    (JudgedAgain.was, Outcome),
    (JudgedAgain.outcome, Outcome),
)


def check_meaning(session: Session) -> None:
    """RowError when a table holds a word or a number that no page could make sense of."""
    for column, kind in _WORDS:
        known = select(column).where(column.is_not(None)).distinct()
        for value in session.scalars(known):
            try:
                kind(value)
            except ValueError:
                raise RowError(f"{column} holds {_short(value)}, which is unknown") from None
    weeks = Woman.gestation_weeks
    if session.scalars(select(weeks).where(weeks > GESTATION_WEEKS[1])).first() is not None:
        raise RowError(f"{weeks} goes beyond {GESTATION_WEEKS[1]}")
    # A value without its outcome, or of no blood: exports and lists ask for both.
    for read in (Reading, Visit, JoinedVisit):
        value, band = read.hb_g_dl, read.band
        odd = select(value).where(value.is_not(None), or_(band.is_(None), value <= 0))
        if session.scalars(odd).first() is not None:
            raise RowError(f"{value} holds a value without an outcome, or no value")
    # A calibration that is ready has its numbers: photos are read with it.
    ready = SiteCalibration.state == FitState.READY.value
    bare = or_(SiteCalibration.model.is_(None), SiteCalibration.sha256.is_(None))
    if session.scalars(select(SiteCalibration.id).where(ready, bare)).first() is not None:
        raise RowError("site_calibration.model is empty where it may not be")
    # A referral without a value is for a photo that was not read, and for nothing else.
    hb, unread = Referral.hb_g_dl, Referral.band == Outcome.NOT_READ.value
    amiss = or_(and_(hb.is_(None), ~unread), and_(hb.is_not(None), unread))
    if session.scalars(select(Referral.id).where(amiss)).first() is not None:
        raise RowError("referral.hb_g_dl is empty, or isn't, where it may not be")
