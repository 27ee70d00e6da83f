"""What every table of the register shares: ids, times and the names of constraints.

Times are kept in UTC. Ids are random, so that records made on several machines never collide.
"""

from __future__ import annotations

import datetime as dt
import uuid
from typing import Any

from sqlalchemy import JSON, DateTime, MetaData, TypeDecorator
from sqlalchemy.orm import DeclarativeBase


def new_id() -> str:
    """Random id, 36 characters."""
    return str(uuid.uuid4())


def utc_now() -> dt.datetime:
    """The present time, aware, in UTC."""
    return dt.datetime.now(dt.UTC)


def local_day(at: dt.datetime) -> dt.date:
    """The calendar day of a time, where this machine stands."""
    return at.astimezone().date()


def midnight(day: dt.date) -> dt.datetime:
    """The start of a day, where this machine stands."""
    return dt.datetime.combine(day, dt.time()).astimezone()


class UtcDateTime(TypeDecorator[dt.datetime]):
    """Aware datetimes, stored as naive UTC so that both databases agree."""

    impl = DateTime
    cache_ok = True

    def process_bind_param(self, value: dt.datetime | None, dialect: Any) -> dt.datetime | None:
        """Turn an aware time into naive UTC; a naive one is a programmer's mistake."""
        if value is None:
            return None
        if value.tzinfo is None:
            raise ValueError("times in the register must be aware")
        return value.astimezone(dt.UTC).replace(tzinfo=None)

    def process_result_value(self, value: dt.datetime | None, dialect: Any) -> dt.datetime | None:
        """Give the time zone back."""
        return None if value is None else value.replace(tzinfo=dt.UTC)


class Base(DeclarativeBase):
    """Base of all tables; constraints are named so that migrations can reach them."""

    metadata = MetaData(
        naming_convention={
            "ix": "ix_%(table_name)s_%(column_0_name)s",
            "uq": "uq_%(table_name)s_%(column_0_name)s",
            "fk": "fk_%(table_name)s_%(column_0_name)s",
            "pk": "pk_%(table_name)s",
        }
    )
    type_annotation_map = {  # noqa: RUF012
        dt.datetime: UtcDateTime,
        # Nothing is null to the database: the JSON value null would be something.
        dict[str, Any]: JSON(none_as_null=True),
    }
