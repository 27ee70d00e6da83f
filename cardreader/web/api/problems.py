"""What an API call answers when it can't do what was asked."""

from __future__ import annotations

import datetime as dt
from typing import Any, Literal

from fastapi import APIRouter, HTTPException
from pydantic import BaseModel, Field

from cardreader.register.kinds import Source


class Problem(BaseModel):
    """What went wrong."""

    detail: str


class Question(Problem):
    """What went wrong; ``ask`` names the field that, sent as true, says it is meant."""

    ask: Literal["known_photo", "code_meant"] | None = None


class Disagreement(BaseModel):
    """A value of hers that the one sent lies further from than both errors allow, or a
    laboratory's of the same day that is another."""

    source: Source
    hb_g_dl: float
    taken_at: dt.datetime
    reading_ids: list[str]
    newer: bool = Field(description="Read after the value that was sent, which can't answer it")


class DoubtfulValue(Problem):
    """What went wrong; with ``ask`` the value is asked about before it is entered.

    ``sure`` sent as true says that it was checked.
    """

    ask: Literal["sure"] | None = None
    disagrees_with: list[Disagreement] = []


def problem(text: str) -> dict[str, Any]:
    """How the description names a problem.

    By pointing at it: given as a model, the framework works it out for every one of a hundred
    places. `SHOWN` is the one place where it is.
    """
    schema = {"$ref": f"#/components/schemas/{Problem.__name__}"}
    return {"description": text, "content": {"application/json": {"schema": schema}}}


Responses = dict[int | str, dict[str, Any]]

ALWAYS: Responses = {
    401: problem("Not signed in"),
    403: problem("The role, the origin or the CSRF header doesn't allow it"),
    413: problem("Too large"),
    429: problem("Too many requests"),
}


def api_router(path: str = "") -> APIRouter:
    """For a part of the API, at its whole address.

    Routers in a router are a start's dearest way to the same: the framework works out every
    route twice.
    """
    return APIRouter(prefix=f"/api{path}", responses=ALWAYS)


SHOWN: Responses = {401: {**ALWAYS[401], "model": Problem}}
NOT_FOUND: Responses = {404: problem("Not in the register")}
CONFLICT: Responses = {409: problem("Taken already, by something else")}
# FastAPI answers a body that can't be parsed as form or JSON with 400.
BAD_BODY: Responses = {400: problem("The body can't be parsed")}


def unprocessable(field: str, problem: str) -> HTTPException:
    """A field that is well formed and can't be taken."""
    detail = [{"loc": ["body", field], "msg": problem, "type": "value_error"}]
    return HTTPException(422, detail)
