"""The lists of a large register: each woman's places are kept, and renewed as she changes.

Which lists she is on, from which day, is said in one place, `lists.Row`. What it says of a
woman is kept as rows, in the transaction that changes her record, so that a list, its
count and the month's page read what they show and no more. Places kept under other rules,
or not yet worked out, are never shown: the lists are then worked out from the records.
"""

from __future__ import annotations

import datetime as dt
import hashlib
from collections.abc import Collection
from contextlib import suppress
from functools import cache

from sqlalchemy import Select, delete, func, insert, select
from sqlalchemy.exc import SQLAlchemyError
from sqlalchemy.orm import Session

from cardreader import __version__
from cardreader.decide.followuprules import FollowUpRules
from cardreader.register.database import Database
from cardreader.register.listmodels import KeptLists, KeptPlace, OutOfPlace
from cardreader.register.lists import ListName, followed, row_of
from cardreader.register.models import Woman
from cardreader.register.parts import SOME, directly, in_parts
from cardreader.terminal.progress import Progress

# What is asked at each change, made once.
_NO_PLACES = delete(KeptPlace).where(KeptPlace.woman_id.in_(SOME))
_KEEP_PLACES = insert(KeptPlace)
AT_ONCE = 500
"""Women whose places are worked out in one transaction: others may write in between."""


@cache
def mark_of(rules: FollowUpRules) -> str:
    """What places worked out under these rules are known by.

    Another protocol, another version of this program or another time zone may put a woman
    elsewhere.
    """
    seasons = (dt.datetime(2026, month, 1, tzinfo=dt.UTC) for month in (1, 7))
    zone = [str(at.astimezone().utcoffset()) for at in seasons]
    content = repr((__version__, [name.value for name in ListName], zone, rules))
    return hashlib.sha256(content.encode()).hexdigest()


class Places:
    """Works places out under one protocol's rules."""

    def __init__(self, rules: FollowUpRules) -> None:
        self._rules = rules
        self.rules = mark_of(rules)

    def renew(self, session: Session, women: Collection[str]) -> None:
        """Work the places of these women out anew from what the database holds now."""
        connection = directly(session)
        for some in in_parts(women, AT_ONCE):
            connection.execute(_NO_PLACES, {"some": some})
            if places := self._places(session, some):
                connection.execute(_KEEP_PLACES, places)

    def _places(self, session: Session, women: list[str]) -> list[dict[str, object]]:
        # A session of its own on the same transaction: what others hold in memory of her
        # may be older than what was written past them.
        with Session(session.connection()) as fresh:
            rows = [
                row_of(woman, self._rules)
                for woman in fresh.scalars(followed_among(), {"some": women})
            ]
        return [
            {
                "woman_id": row.woman.id,
                "on_list": name.value,
                "since": place.since,
                "pressing": int(place.pressing),
                "value": float(place.value),
            }
            for row in rows
            for name in ListName
            if (place := row.place(name)) is not None
        ]


@cache
def followed_among() -> Select[Woman]:
    """Of ``some`` women those followed here; made once, since it is asked at each change."""
    return followed().where(Woman.id.in_(SOME))


def keep_lists(database: Database, rules: FollowUpRules, progress: Progress | None = None) -> None:
    """Keep the places of a register's women from now on; first work out those that lack.

    After a restore, under another protocol or by another version that is all of them. May
    be interrupted, and goes on where it was.
    """
    progress = progress or Progress()
    renew_as_they_change(database, rules)
    places = Places(rules)
    with database.read() as session:
        kept = session.get(KeptLists, 1)
        if kept is not None and (kept.rules, kept.done_to) == (places.rules, None):
            return
        count = session.scalar(
            select(func.count()).select_from(Woman).where(Woman.closed_on.is_(None))
        )
    progress.start("working out the lists", count, unit="woman")
    try:
        while (done := _fill_some(database, places)) is not None:
            progress.step(done)
    finally:
        progress.end()


def renew_as_they_change(database: Database, rules: FollowUpRules) -> None:
    """Renew places with whatever is written from now on, where they are kept by these rules."""
    database.renewer = Places(rules)


def _fill_some(database: Database, places: Places) -> int | None:
    """Work out the places of some women more; how many, or None when all were."""
    with database.write() as session:
        kept = session.get(KeptLists, 1)
        if kept is None or kept.rules != places.rules:
            for table in (KeptPlace, OutOfPlace, KeptLists):
                session.execute(delete(table))
            session.expunge_all()
            kept = KeptLists(number=1, rules=places.rules, done_to="")
            session.add(kept)
        if kept.done_to is None:
            return None
        query = select(Woman.id).where(Woman.closed_on.is_(None), Woman.id > kept.done_to)
        ids = session.scalars(query.order_by(Woman.id).limit(AT_ONCE)).all()
        places.renew(session, ids)
        kept.done_to = ids[-1] if ids else None
        return len(ids)


def catch_up(database: Database, rules: FollowUpRules) -> None:
    """Renew the places of women whose record was changed by what doesn't know the rules.

    A register that can't be written to shows its lists all the same, worked out anew.
    """
    places = Places(rules)
    with database.read() as session:
        out = select(KeptLists.rules).where(select(OutOfPlace.woman_id).exists())
        if session.scalar(out) != places.rules:
            return
    with suppress(SQLAlchemyError, OSError), database.write() as session:
        if session.scalar(select(KeptLists.rules)) == places.rules:
            places.renew(session, session.scalars(select(OutOfPlace.woman_id)).all())
            session.execute(delete(OutOfPlace))
