"""The frame that all forms of her page share: find her, do it, go back to her page."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass
from typing import Annotated

from fastapi import Depends, Request
from sqlalchemy.orm import Session
from starlette.responses import Response

from cardreader.decide.protocol import Protocol
from cardreader.register.models import Woman
from cardreader.web.access import Carer, Form, Visitor
from cardreader.web.fields import Fields
from cardreader.web.pages.herpage import find_her, woman_page
from cardreader.web.render import go
from cardreader.web.state import State

Act = Callable[[Session, Woman], object]
"""Does something to her. What it finds wrong it puts into the form's problems."""


@dataclass(frozen=True)
class HerForm:
    """One of the forms on a woman's page, sent."""

    request: Request
    visitor: Visitor
    fields: Fields
    state: State

    @property
    def by(self) -> str:
        """The account that sent it."""
        return self.visitor.account_id

    @property
    def today(self) -> dt.date:
        """Today's date."""
        return self.state.today()

    @property
    def judged_by(self) -> tuple[Protocol, float | None]:
        """The protocol, and the elevation of the place."""
        return self.state.reader.rules, self.state.settings.elevation_m

    def carry_out(self, woman_id: str, act: Act) -> Response:
        """Do it in one transaction; or her page again, with what is wrong in the form."""
        with self.state.database.write() as session:
            return self.carry_out_in(session, find_her(session, woman_id), act)

    def carry_out_in(self, session: Session, woman: Woman, act: Act) -> Response:
        """The same within a transaction that is open; the act may say which way to go."""
        if not self.fields.problems:
            done = act(session, woman)
            if isinstance(done, Response):
                return done
        if self.fields.problems:
            return woman_page(self.request, self.visitor, woman, self.fields)
        return go(f"/women/{woman.id}", "saved")


def _sent(request: Request, visitor: Carer, form: Form) -> HerForm:
    return HerForm(request, visitor, Fields(form), request.app.state.shared)


Sent = Annotated[HerForm, Depends(_sent)]
