"""All that a register says, as one object: for registers as small as tests have them."""

from __future__ import annotations

from sqlalchemy import select
from sqlalchemy.orm import Session

from cardreader.register.merge.state import State
from cardreader.register.merge.store import load_joinings, load_women
from cardreader.register.mergemodels import RemovedWoman, Touched


def load_state(session: Session) -> State:
    women = set(session.scalars(select(Touched.woman_id)))
    return State(
        load_women(session, women),
        frozenset(session.scalars(select(RemovedWoman.woman_id))),
        load_joinings(session),
    )
