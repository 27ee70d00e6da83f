"""Tables that let many registers become one; nothing else of the register needs them.

A woman's *own* record is the one she was entered under, with her own id. Two women who
are joined are shown as one: the entries of both then hang on the one shown, and what
is here tells whose own they are, so that they can be parted again.
"""

from __future__ import annotations

import datetime as dt
from typing import Any

from sqlalchemy import String, Text
from sqlalchemy.orm import Mapped, mapped_column

from cardreader.register.base import Base, new_id, utc_now


class OwnRegister(Base):
    """This register among others: one row, never in a backup, so that each copy has its own."""

    __tablename__ = "own_register"
    id: Mapped[str] = mapped_column(String(36), primary_key=True, default=new_id)
    name: Mapped[str] = mapped_column(String(60))
    seal_private: Mapped[str] = mapped_column(String(64))
    sign_private: Mapped[str] = mapped_column(String(64))
    made_at: Mapped[dt.datetime] = mapped_column(default=utc_now)


class KnownRegister(Base):
    """Another register, by its card; ``told`` is what it was handed, ``taken`` what it gave."""

    __tablename__ = "known_register"
    id: Mapped[str] = mapped_column(String(36), primary_key=True)
    name: Mapped[str] = mapped_column(String(60), unique=True)
    seal_public: Mapped[str] = mapped_column(String(64))
    sign_public: Mapped[str] = mapped_column(String(64))
    # It is told of those women alone whom it handed over itself.
    only_theirs: Mapped[bool] = mapped_column(default=False)
    added_at: Mapped[dt.datetime] = mapped_column(default=utc_now)
    told: Mapped[int] = mapped_column(default=0)
    told_trail: Mapped[int] = mapped_column(default=0)
    told_at: Mapped[dt.datetime | None]
    taken: Mapped[int] = mapped_column(default=0)
    taken_trail: Mapped[int] = mapped_column(default=0)
    taken_at: Mapped[dt.datetime | None]


class Touched(Base):
    """When a woman's own record was last changed here, by a number that only grows."""

    __tablename__ = "touched"
    woman_id: Mapped[str] = mapped_column(String(36), primary_key=True)
    seq: Mapped[int] = mapped_column(index=True)


class FieldChange(Base):
    """What a field of a record was changed to. Never changed itself, at any register.

    ``said`` holds the value and the ids of the changes that it replaces. The first value
    stands here, too, once there is a second. ``head``: nothing known replaces it.
    """

    __tablename__ = "field_change"
    id: Mapped[str] = mapped_column(String(36), primary_key=True)
    woman_id: Mapped[str] = mapped_column(String(36), index=True)
    in_table: Mapped[str] = mapped_column(String(30))
    record: Mapped[str] = mapped_column(String(36), index=True)
    field: Mapped[str] = mapped_column(String(30))
    said: Mapped[dict[str, Any]]
    at: Mapped[dt.datetime]
    by: Mapped[str | None] = mapped_column(String(36))
    # Null for a change made here.
    register_id: Mapped[str | None] = mapped_column(String(36))
    head: Mapped[bool]


class Joining(Base):
    """Somebody's word that two records are of one woman; parting ends it for good."""

    __tablename__ = "joining"
    id: Mapped[str] = mapped_column(String(36), primary_key=True, default=new_id)
    one_id: Mapped[str] = mapped_column(String(36), index=True)
    other_id: Mapped[str] = mapped_column(String(36), index=True)
    entered_at: Mapped[dt.datetime] = mapped_column(default=utc_now)
    entered_by: Mapped[str | None] = mapped_column(String(36))
    parted_at: Mapped[dt.datetime | None]
    parted_by: Mapped[str | None] = mapped_column(String(36))


class JoinedAway(Base):
    """The own row of a woman who is shown under another's record."""

    __tablename__ = "joined_away"
    woman_id: Mapped[str] = mapped_column(String(36), primary_key=True)
    into_id: Mapped[str] = mapped_column(String(36), index=True)
    code: Mapped[str] = mapped_column(String(24), index=True)
    row: Mapped[dict[str, Any]]


class Moved(Base):
    """An entry that hangs on another woman's record than its own."""

    __tablename__ = "moved"
    record: Mapped[str] = mapped_column(String(36), primary_key=True)
    in_table: Mapped[str] = mapped_column(String(30))
    own_id: Mapped[str] = mapped_column(String(36), index=True)


class RemovedWoman(Base):
    """A record that was deleted on request, here or elsewhere: it never comes back."""

    __tablename__ = "removed_woman"
    woman_id: Mapped[str] = mapped_column(String(36), primary_key=True)
    at: Mapped[dt.datetime] = mapped_column(default=utc_now)


class HeldBy(Base):
    """Which registers handed a woman over."""

    __tablename__ = "held_by"
    woman_id: Mapped[str] = mapped_column(String(36), primary_key=True)
    register_id: Mapped[str] = mapped_column(String(36), primary_key=True)


class TakenTrail(Base):
    """Other registers' audit trails, as they came; each stays a chain of its own."""

    __tablename__ = "taken_trail"
    register_id: Mapped[str] = mapped_column(String(36), primary_key=True)
    seq: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    at: Mapped[dt.datetime]
    account_id: Mapped[str | None] = mapped_column(String(36))
    action: Mapped[str] = mapped_column(String(40))
    subject: Mapped[str] = mapped_column(String(80))
    detail: Mapped[str] = mapped_column(Text)
    previous_hash: Mapped[str] = mapped_column(String(64))
    hash: Mapped[str] = mapped_column(String(64))
