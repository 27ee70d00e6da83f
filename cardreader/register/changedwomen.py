"""Which women's records a transaction changed, so that their places on the lists are renewed.

All that is kept of a woman and travels is noted by `fieldchanges.touch`; what another
calibration would say of her is seen here. Before the transaction commits her places are
worked out anew within it, or, by a program that doesn't know the rules they were kept
under, she is noted as out of place.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from typing import Any, Protocol

from sqlalchemy import Connection, Select, event, insert, select
from sqlalchemy.orm import Session

from cardreader.register.listmodels import KeptLists, OutOfPlace
from cardreader.register.mergemodels import JoinedAway
from cardreader.register.models import JudgedAgain, Visit
from cardreader.register.parts import SOME, directly, in_parts

_WOMEN, _VISITS, _RENEWER = "changed women", "visits judged again", "renewer"
# What is asked at each change, made once.
_RULES = select(KeptLists.rules)
_WOMEN_OF_VISITS = select(Visit.woman_id).where(Visit.id.in_(SOME))
_AWAY = select(JoinedAway.woman_id).where(JoinedAway.woman_id.in_(SOME))
_INTO = select(JoinedAway.into_id).where(JoinedAway.woman_id.in_(SOME))
_OUT_OF_PLACE = select(OutOfPlace.woman_id).where(OutOfPlace.woman_id.in_(SOME))
_NOTE_OUT_OF_PLACE = insert(OutOfPlace)


class Renewer(Protocol):
    """What works places out anew, under the rules that ``rules`` stands for."""

    rules: str

    def renew(self, session: Session, women: Collection[str]) -> None:
        """Renew the places of women as they are shown, in the session's transaction."""


def watch(sessions: type[Session]) -> None:
    """Renew what sessions of a class change as they commit, each by its `renewed_by`.

    To be called after `fieldchanges.watch`.
    """
    event.listen(sessions, "after_flush", _collect)
    event.listen(sessions, "before_commit", lambda one: settle(one, one.info.get(_RENEWER)))


def renewed_by(renewer: Renewer | None) -> dict[str, Any]:
    """What a session's ``info`` holds whose changes ``renewer`` follows up."""
    return {_RENEWER: renewer}


def note_changed(session: Session, women: Iterable[str]) -> None:
    """Note women whose places may not be what they were; ids of own records or shown ones."""
    session.info.setdefault(_WOMEN, set()).update(women)


def settle(session: Session, renewer: Renewer | None) -> None:
    """Renew the places of all who were changed so far, or note that they are to be renewed."""
    session.flush()
    women: set[str] = session.info.pop(_WOMEN, set())
    visits: set[str] = session.info.pop(_VISITS, set())
    if not women and not visits:
        return
    connection = directly(session)
    kept = connection.scalar(_RULES)
    if kept is None:
        return
    women |= _all(connection, _WOMEN_OF_VISITS, visits)
    away = _all(connection, _AWAY, women)
    women = (women - away) | _all(connection, _INTO, away)
    if renewer is not None and renewer.rules == kept:
        renewer.renew(session, women)
    else:
        new = women - _all(connection, _OUT_OF_PLACE, women)
        if new:
            connection.execute(_NOTE_OUT_OF_PLACE, [{"woman_id": one} for one in sorted(new)])


def _collect(session: Session, _context: Any) -> None:
    for entry in (*session.new, *session.dirty, *session.deleted):
        if isinstance(entry, JudgedAgain):
            session.info.setdefault(_VISITS, set()).add(entry.visit_id)


def _all(connection: Connection, query: Select[str], among: Collection[str]) -> set[str]:
    return {one for some in in_parts(among) for one in connection.scalars(query, {"some": some})}
