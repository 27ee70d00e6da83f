"""Many ids in parts that one statement can hold, and statements that pass by what is in memory."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from sqlalchemy import BindParameter, Connection, bindparam
from sqlalchemy.orm import Session

SOME: BindParameter[Any] = bindparam("some", expanding=True)
"""What a question that is put together once takes a part for: ``{"some": part}``."""


def in_parts(ids: Iterable[str], most: int = 500) -> Iterable[list[str]]:
    """Ids in lists short enough for one statement."""
    some = sorted(ids)
    return (some[start : start + most] for start in range(0, len(some), most))


def directly(session: Session) -> Connection:
    """The session's connection, once all that the session holds is written.

    What is asked or written at every change, and of which no object is in memory, takes a third
    of the time there.
    """
    session.flush()
    return session.connection()
