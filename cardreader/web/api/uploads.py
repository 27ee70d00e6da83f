"""Photos in pieces, for links that break: each piece is added where the last one ended."""

from __future__ import annotations

from typing import Annotated

from fastapi import Depends, HTTPException, Path, Query, Request
from pydantic import BaseModel, Field
from starlette.concurrency import run_in_threadpool

from cardreader.register.submissions import find_submission
from cardreader.web.access import Carer, api_csrf
from cardreader.web.api.bodies import KEY_PATTERN
from cardreader.web.api.problems import api_router
from cardreader.web.guard import TOO_LARGE
from cardreader.web.state import State
from cardreader.web.uploads import UploadTooLargeError

router = api_router("/uploads")

UploadKey = Annotated[
    str, Path(pattern=KEY_PATTERN, description="The submission key that the photo is sent under")
]
Size = Annotated[int, Query(ge=1, le=2**40, description="Bytes of the whole photo")]
Offset = Annotated[int, Query(ge=0, le=2**40, description="Where in it this piece begins")]
PIECE = {
    "requestBody": {
        "required": True,
        "content": {"application/octet-stream": {"schema": {"type": "string", "format": "binary"}}},
    }
}


class UploadOut(BaseModel):
    """How far a photo in pieces has come."""

    received: int = Field(description="Bytes that have arrived; the next piece begins there")
    entered: bool = Field(description="The photo of this key is entered already")


@router.get("/{key}")
def get_upload(request: Request, visitor: Carer, key: UploadKey) -> UploadOut:
    """How far a photo has come; nothing has arrived of one that isn't known."""
    state: State = request.app.state.shared
    with state.database.read() as session:
        entered = find_submission(session, key) is not None
    return UploadOut(received=state.uploads.received(visitor.account_id, key), entered=entered)


@router.put("/{key}", dependencies=[Depends(api_csrf)], openapi_extra=PIECE)
async def put_piece(
    request: Request, visitor: Carer, key: UploadKey, size: Size, offset: Offset = 0
) -> UploadOut:
    """Add a piece. What has arrived already isn't taken twice; another size begins anew.

    The photo is entered by the call that would carry it whole, with ``uploaded`` in its place.
    """
    state: State = request.app.state.shared
    piece = await request.body()
    try:
        received = await run_in_threadpool(
            state.uploads.add, visitor.account_id, key, size, offset, piece
        )
    except UploadTooLargeError:
        raise HTTPException(413, TOO_LARGE) from None
    return UploadOut(received=received, entered=False)


@router.delete("/{key}", status_code=204, dependencies=[Depends(api_csrf)])
def delete_upload(request: Request, visitor: Carer, key: UploadKey) -> None:
    """Give up a photo; no matter whether it was there."""
    state: State = request.app.state.shared
    state.uploads.drop(visitor.account_id, key)
