"""What an address names by its id."""

from __future__ import annotations

from typing import TypeVar

from fastapi import HTTPException
from sqlalchemy.orm import Session

from cardreader.register.base import Base
from cardreader.web.texts import mark

Row = TypeVar("Row", bound=Base)
NOTHING = mark("There is nothing at this address.")


def at_address(session: Session, of: type[Row], its_id: str, told: str = NOTHING) -> Row:
    """The entry of that id; HTTPException 404 where there is none.

    ``told``: what a program is told then; a page says that there is nothing at its address.
    """
    row = session.get(of, its_id)
    if row is None:
        raise HTTPException(404, told)
    return row
