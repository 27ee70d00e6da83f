"""Which women's records a transaction changed, so that their places on the lists are renewed.

All that is kept of a woman and travels is noted by `fieldchanges.touch`; what another
calibration would say of her is seen here. Before the transaction commits her places are
worked out anew within it, or, by a program that doesn't know the rules they were kept
under, she is noted as out of place.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from typing import Any, Protocol

from sqlalchemy import event, insert, select
from sqlalchemy.orm import Session

from cardreader.register.listmodels import KeptLists, OutOfPlace
from cardreader.register.mergemodels import JoinedAway
from cardreader.register.models import JudgedAgain, Visit
from cardreader.register.parts import in_parts

_WOMEN, _VISITS = "changed women", "visits judged again"


class Renewer(Protocol):
    """What works places out anew, under the rules that ``rules`` stands for."""

    rules: str

    def renew(self, session: Session, women: Collection[str]) -> None:
        """Renew the places of women as they are shown, in the session's transaction."""


def watch(session: Session, renewer: Renewer | None) -> None:
    """Renew what a session changes as it commits; to be called after `fieldchanges.watch`."""
    event.listen(session, "after_flush", _collect)
    event.listen(session, "before_commit", lambda one: settle(one, renewer))


def note_changed(session: Session, women: Iterable[str]) -> None:
    """Note women whose places may not be what they were; ids of own records or shown ones."""
    session.info.setdefault(_WOMEN, set()).update(women)


def settle(session: Session, renewer: Renewer | None) -> None:
    """Renew the places of all who were changed so far, or note that they are to be renewed."""
    session.flush()
    women: set[str] = session.info.pop(_WOMEN, set())
    visits: set[str] = session.info.pop(_VISITS, set())
    kept = session.scalar(select(KeptLists.rules)) if women or visits else None
    if kept is None:
        return
    women |= _all(session, select(Visit.woman_id), Visit.id, visits)
    away = _all(session, select(JoinedAway.woman_id), JoinedAway.woman_id, women)
    women = (women - away) | _all(session, select(JoinedAway.into_id), JoinedAway.woman_id, away)
    if renewer is not None and renewer.rules == kept:
        renewer.renew(session, women)
    else:
        new = women - _all(session, select(OutOfPlace.woman_id), OutOfPlace.woman_id, women)
        if new:
            session.execute(insert(OutOfPlace), [{"woman_id": one} for one in sorted(new)])


def _collect(session: Session, _context: Any) -> None:
    for entry in (*session.new, *session.dirty, *session.deleted):
        if isinstance(entry, JudgedAgain):
            session.info.setdefault(_VISITS, set()).add(entry.visit_id)


def _all(session: Session, query: Any, column: Any, among: Collection[str]) -> set[str]:
    return {
        one for some in in_parts(among) for one in session.scalars(query.where(column.in_(some)))
    }
