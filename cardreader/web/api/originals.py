"""The original of a photo that was sent smaller, when there is time for it."""

from __future__ import annotations

from fastapi import Depends, HTTPException, Request
from pydantic import BaseModel, Field

from cardreader.web.access import Carer, api_csrf
from cardreader.web.api.bodies import KEY_PATTERN, RecordId
from cardreader.web.api.problems import BAD_BODY, CONFLICT, NOT_FOUND, api_router, problem
from cardreader.web.photos import NotTheOriginalError, UnknownReadingError, keep_original
from cardreader.web.state import State
from cardreader.web.texts import mark

router = api_router()


class OriginalIn(BaseModel):
    """Where the original's pieces have been sent."""

    upload_key: str = Field(pattern=KEY_PATTERN, description="Key that its pieces came under")


@router.post(
    "/readings/{reading_id}/original",
    status_code=204,
    dependencies=[Depends(api_csrf)],
    responses={
        **NOT_FOUND,
        **CONFLICT,
        **BAD_BODY,
        410: problem("Pieces of the photo have not arrived, or were forgotten: send them again"),
    },
)
def post_original(request: Request, visitor: Carer, reading_id: RecordId, body: OriginalIn) -> None:
    """Keep the original in place of the smaller photo; the reading stays as it is.

    Only where photos are kept, and only the very file that the smaller one was made of.
    """
    state: State = request.app.state.shared
    data = state.uploads.whole(visitor.account_id, body.upload_key)
    if data is None:
        raise HTTPException(410, mark("Parts of the photo have not arrived. Send it again."))
    try:
        keep_original(state, reading_id, data, visitor.account_id)
    except UnknownReadingError:
        raise HTTPException(404, mark("No such reading.")) from None
    except NotTheOriginalError:
        raise HTTPException(409, mark("This is not the original of that photo.")) from None
    state.uploads.drop(visitor.account_id, body.upload_key)
