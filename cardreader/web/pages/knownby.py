"""Mending a mistyped code, and noting the village she is seen in."""

from __future__ import annotations

from fastapi import APIRouter, Request
from starlette.responses import Response

from cardreader.register.knownby import mend_code, set_village
from cardreader.register.women import find_woman
from cardreader.web.access import Carer, Form
from cardreader.web.fields import Fields
from cardreader.web.pages.herpage import find_her, woman_page
from cardreader.web.render import go
from cardreader.web.state import State
from cardreader.web.texts import gettext as _

router = APIRouter(include_in_schema=False, prefix="/women")
LONGEST_VILLAGE = 60


@router.post("/{woman_id}/identity")
def mend(request: Request, visitor: Carer, form: Form, woman_id: str) -> Response:
    """Her code as it was meant, and her village; the trail keeps who changed them."""
    state: State = request.app.state.shared
    fields = Fields(form)
    code = fields.code("new_code")
    village = fields.text("village", LONGEST_VILLAGE, needed=False)
    with state.database.write() as session:
        woman = find_her(session, woman_id)
        known = find_woman(session, code) if code else None
        if known is not None and known.id != woman.id:
            fields.problems["new_code"] = _("This code is in the register already.")
        if fields.problems:
            return woman_page(request, visitor, woman, fields)
        mend_code(session, woman, code, state.today(), visitor.account_id)
        set_village(session, woman, village, state.today(), visitor.account_id)
    return go(f"/women/{woman_id}", "saved")
