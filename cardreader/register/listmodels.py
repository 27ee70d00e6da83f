"""Tables of the lists as they are kept: derived from the women's records, never carried.

Nothing here is in a backup or goes to another register: each works its lists out anew.
"""

from __future__ import annotations

import datetime as dt

from sqlalchemy import ForeignKey, Index, String
from sqlalchemy.orm import Mapped, mapped_column

from cardreader.register.base import Base


class KeptPlace(Base):
    """A followed woman's place on a list: since which day, and what it is sorted by."""

    __tablename__ = "kept_place"
    woman_id: Mapped[str] = mapped_column(
        ForeignKey("woman.id", ondelete="CASCADE"), primary_key=True
    )
    on_list: Mapped[str] = mapped_column(String(20), primary_key=True)
    since: Mapped[dt.date]
    pressing: Mapped[int]
    value: Mapped[float]
    __table_args__ = (
        Index("ix_kept_place_sorted", "on_list", "pressing", "value"),
        Index("ix_kept_place_since", "on_list", "since"),
    )


class KeptLists(Base):
    """Under which rules the places were worked out; one row, none where they are not kept.

    While they are filled ``done_to`` is the last woman worked out; null once all are.
    """

    __tablename__ = "kept_lists"
    number: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    rules: Mapped[str] = mapped_column(String(64))
    done_to: Mapped[str | None] = mapped_column(String(36))


class OutOfPlace(Base):
    """A woman whose record was changed by what doesn't know the rules of the kept places."""

    __tablename__ = "out_of_place"
    woman_id: Mapped[str] = mapped_column(String(36), primary_key=True)


DERIVED = frozenset(one.__tablename__ for one in (KeptPlace, KeptLists, OutOfPlace))
