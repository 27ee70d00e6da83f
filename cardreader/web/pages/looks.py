"""How the pages look on this phone: light, dark, or strong for glaring sun."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Depends, Request
from starlette.datastructures import FormData
from starlette.responses import Response

from cardreader.web.access import form_of
from cardreader.web.pages.signin import inside, set_cookie
from cardreader.web.render import go
from cardreader.web.schemes import SCHEME_COOKIE, SCHEMES

router = APIRouter(include_in_schema=False)


@router.post("/scheme")
def scheme(request: Request, form: Annotated[FormData, Depends(form_of)]) -> Response:
    """Choose the colours of this browser; the empty choice follows the phone's own."""
    chosen = str(form.get("scheme", ""))
    response = go(inside(str(form.get("next", "/"))))
    if chosen in SCHEMES:
        set_cookie(response, request.app.state.settings, SCHEME_COOKIE, chosen, 31_536_000)
    return response
