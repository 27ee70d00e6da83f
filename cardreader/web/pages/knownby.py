"""Mending a mistyped code, and noting the village she is seen in."""

from __future__ import annotations

from fastapi import APIRouter
from sqlalchemy.orm import Session
from starlette.responses import Response

from cardreader.register.knownby import mend_code, set_village
from cardreader.register.models import Woman
from cardreader.register.women import find_woman
from cardreader.web.pages.heract import Sent
from cardreader.web.texts import gettext as _

router = APIRouter(include_in_schema=False, prefix="/women")
LONGEST_VILLAGE = 60


@router.post("/{woman_id}/identity")
def mend(sent: Sent, woman_id: str) -> Response:
    """Her code as it was meant, and her village; the trail keeps who changed them."""
    code = sent.fields.code("new_code")
    village = sent.fields.text("village", LONGEST_VILLAGE, needed=False)

    def act(session: Session, woman: Woman) -> None:
        known = find_woman(session, code)
        if known is not None and known.id != woman.id:
            sent.fields.problems["new_code"] = _("This code is in the register already.")
            return
        mend_code(session, woman, code, sent.today, sent.by)
        set_village(session, woman, village, sent.today, sent.by)

    return sent.carry_out(woman_id, act)
