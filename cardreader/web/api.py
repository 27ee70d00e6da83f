"""The API: what the pages' own scripts use, and other programs on the same network.

Sign in through the page first; the cookie it sets is what counts here. Changing
calls need the header ``X-CSRF-Token`` with the value that ``/api/session`` gives.
"""

from __future__ import annotations

import datetime as dt
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Depends, File, Form, HTTPException, Path, Query, Request, UploadFile
from fastapi.responses import JSONResponse
from pydantic import BaseModel, Field
from pydantic.json_schema import SkipJsonSchema
from sqlalchemy.orm import Session

from cardreader.decide.subject import Smoking
from cardreader.register.doubt import DoubtfulError
from cardreader.register.lists import ListName, list_rows, open_rows, row_of
from cardreader.register.models import Reading, Role, Woman, utc_now
from cardreader.register.recording import LAB_LIMITS_G_DL
from cardreader.register.samephoto import KnownPhotoError
from cardreader.register.tube import LIMITS, TubeUnit
from cardreader.register.women import GESTATION_WEEKS, add_woman, find_woman
from cardreader.web.access import Anyone, Carer, Visitor, api_csrf
from cardreader.web.happened import doubt_words
from cardreader.web.photos import ForCode, ForVisit, UnknownVisitError, take_photo
from cardreader.web.state import State
from cardreader.web.texts import gettext, mark
from cardreader.web.values import (
    HIGHEST_VISIT,
    OLDEST_RESULT_DAYS,
    enter_lab,
    enter_tube,
    may_be_dated,
)
from cardreader.web.words import known_photo_words, said_of


class Problem(BaseModel):
    """What went wrong."""

    detail: str


class Question(Problem):
    """What went wrong; ``ask`` names the field that, sent as true, says it is meant."""

    ask: Literal["known_photo"] | None = None


def _problem(text: str) -> dict[str, Any]:
    return {"model": Problem, "description": text}


Responses = dict[int | str, dict[str, Any]]

ALWAYS: Responses = {
    401: _problem("Not signed in"),
    403: _problem("The role, the origin or the CSRF header doesn't allow it"),
    413: _problem("Too large"),
    429: _problem("Too many requests"),
}
NOT_FOUND: Responses = {404: _problem("Not in the register")}
CONFLICT: Responses = {409: _problem("Taken already, by something else")}
# FastAPI answers a body that can't be parsed as form or JSON with 400.
BAD_BODY: Responses = {400: _problem("The body can't be parsed")}


router = APIRouter(prefix="/api", responses=ALWAYS)
CODE_PATTERN = r"^[A-Za-z0-9][A-Za-z0-9/\-]{1,22}[A-Za-z0-9]$"
KEY_PATTERN = r"^[A-Za-z0-9_\-]{8,64}$"
ID_PATTERN = r"^[0-9a-f\-]{36}$"

RecordId = Annotated[str, Path(pattern=ID_PATTERN, description="36-character id")]
SubmissionKey = Annotated[
    str,
    Field(
        pattern=KEY_PATTERN,
        description="Made by the sender, kept with the entry: the same key again changes nothing",
    ),
]


class SessionOut(BaseModel):
    """Who is signed in."""

    account_id: str
    name: str
    role: Role
    csrf: str
    register_id: str = Field(description="The register's: the same under every address")


class WomanIn(BaseModel):
    """A woman to add, by pseudonymous code."""

    code: str = Field(pattern=CODE_PATTERN)
    gestation_weeks: int | None = Field(None, ge=GESTATION_WEEKS[0], le=GESTATION_WEEKS[1])
    smoking: Smoking | None = None


class WomanOut(BaseModel):
    """A woman and where she stands."""

    id: str
    code: str
    gestation_weeks: int | None
    anaemic: bool
    severe: bool
    awaiting_confirmation: bool
    due_on: dt.date | None
    overdue: bool
    referral_open: bool


class ReadingOut(BaseModel):
    """An entered reading. ``reading`` is the whole reading of a photo as JSON.

    ``words`` say what it means, of all the visit's blots together, in the language asked
    for; ``rank`` sorts by how pressing that is, 0 for severe.
    """

    id: str
    url: str
    code: str
    woman_id: str
    visit_id: str | None
    source: str
    taken_at: dt.datetime
    hb_g_dl: float | None
    low_g_dl: float | None
    high_g_dl: float | None
    outcome: str | None
    words: str
    rank: int
    refusal: str | None
    screening_only: bool
    set_aside: bool
    reading: dict[str, Any] | None


class TubeGramsIn(BaseModel):
    """An acid-haematin tube reading on the scale in g/dL."""

    submission_key: SubmissionKey
    unit: Literal[TubeUnit.G_DL]
    value: float = Field(ge=LIMITS[TubeUnit.G_DL][0], le=LIMITS[TubeUnit.G_DL][1])


class TubePercentIn(BaseModel):
    """An acid-haematin tube reading on the scale in percent."""

    submission_key: SubmissionKey
    unit: Literal[TubeUnit.PERCENT]
    value: float = Field(ge=LIMITS[TubeUnit.PERCENT][0], le=LIMITS[TubeUnit.PERCENT][1])


TubeIn = Annotated[TubeGramsIn | TubePercentIn, Field(discriminator="unit")]


class LabIn(BaseModel):
    """A laboratory result."""

    submission_key: SubmissionKey
    hb_g_dl: float = Field(ge=LAB_LIMITS_G_DL[0], le=LAB_LIMITS_G_DL[1])
    method: str = Field(min_length=1, max_length=80, pattern=r"^[^\x00-\x1f\x7f]+$")
    place: str = Field("", max_length=80, pattern=r"^[^\x00-\x1f\x7f]*$")
    on: dt.date
    sure: bool = Field(
        False, description="Checked, though further from her reading than both errors allow"
    )


@router.get("/session")
def session_info(request: Request, visitor: Anyone) -> SessionOut:
    """Who is signed in, and the token that changing calls need."""
    return SessionOut(
        account_id=visitor.account_id,
        name=visitor.name,
        role=visitor.role,
        csrf=visitor.csrf,
        register_id=request.app.state.shared.identity(),
    )


@router.get("/women")
def list_women(
    request: Request,
    visitor: Carer,
    on_list: Annotated[ListName | None, Query(alias="list")] = None,
) -> list[WomanOut]:
    """Every woman followed here, or those on one list."""
    state: State = request.app.state.shared
    today = state.today()
    with state.database.read() as session:
        rows = open_rows(session, state.rules)
        if on_list is not None:
            rows = list_rows(rows, on_list, today)
        return [_woman_out(row, today) for row in rows]


@router.post(
    "/women",
    status_code=201,
    dependencies=[Depends(api_csrf)],
    responses={**CONFLICT, **BAD_BODY},
)
def post_woman(request: Request, visitor: Carer, body: WomanIn) -> WomanOut:
    """Add a woman."""
    state: State = request.app.state.shared
    with state.database.write() as session:
        if find_woman(session, body.code) is not None:
            raise HTTPException(409, mark("This code is in the register already."))
        woman = add_woman(
            session,
            body.code,
            body.gestation_weeks,
            state.today(),
            visitor.account_id,
            body.smoking,
        )
        return _woman_out(row_of(woman, state.rules), state.today())


@router.get("/women/{woman_id}", responses=NOT_FOUND)
def get_woman(request: Request, visitor: Carer, woman_id: RecordId) -> WomanOut:
    """One woman."""
    state: State = request.app.state.shared
    with state.database.read() as session:
        row = row_of(_woman(session, woman_id), state.rules)
        return _woman_out(row, state.today())


@router.get("/women/{woman_id}/readings", responses=NOT_FOUND)
def get_readings(request: Request, visitor: Carer, woman_id: RecordId) -> list[ReadingOut]:
    """All her readings, oldest first."""
    state: State = request.app.state.shared
    with state.database.read() as session:
        return [_reading_out(r) for r in _woman(session, woman_id).readings]


@router.post(
    "/women/{woman_id}/tube",
    status_code=201,
    dependencies=[Depends(api_csrf)],
    responses={**NOT_FOUND, **CONFLICT, **BAD_BODY},
)
def post_tube(request: Request, visitor: Carer, woman_id: RecordId, body: TubeIn) -> ReadingOut:
    """Enter a tube reading."""
    state: State = request.app.state.shared
    with state.database.write() as session:
        woman = _woman(session, woman_id)
        key, by = body.submission_key, visitor.account_id
        reading = enter_tube(state, session, woman, key, body.value, body.unit, by)
        return _reading_out(reading)


@router.post(
    "/women/{woman_id}/lab",
    status_code=201,
    dependencies=[Depends(api_csrf)],
    responses={**NOT_FOUND, **CONFLICT, **BAD_BODY},
)
def post_lab(request: Request, visitor: Carer, woman_id: RecordId, body: LabIn) -> ReadingOut:
    """Enter a laboratory result; it closes her open referral."""
    state: State = request.app.state.shared
    if not may_be_dated(body.on, state.today()):
        raise _unprocessable("on", f"in the future or longer ago than {OLDEST_RESULT_DAYS} days")
    with state.database.write() as session:
        woman = _woman(session, woman_id)
        key, by = body.submission_key, visitor.account_id
        given = (body.hb_g_dl, body.method, body.place, body.on, by)
        try:
            reading = enter_lab(state, session, woman, key, *given, body.sure)
        except DoubtfulError as doubtful:
            raise HTTPException(409, doubt_words(doubtful.doubts[0])) from None
        return _reading_out(reading)


PHOTO_RESPONSES: Responses = {
    200: {"model": ReadingOut, "description": "Sent before; this is the entry made then"},
    409: {
        "model": Question,
        "description": "The key was used for something else; or, with ask, the same file is "
        "entered for another visit",
    },
    **BAD_BODY,
}
Photo = Annotated[UploadFile, File(description="The file as the phone wrote it")]
PhotoKey = Annotated[str, Form(pattern=KEY_PATTERN)]
Weeks = Annotated[int, Field(ge=GESTATION_WEEKS[0], le=GESTATION_WEEKS[1])]
# A form has no null: what is not known is left out.
TakenAt = Annotated[
    dt.datetime | SkipJsonSchema[None],
    Form(description="When it was taken; taken as UTC without a zone"),
]
SentAt = Annotated[
    dt.datetime | SkipJsonSchema[None],
    Form(description="What the clock that gave taken_at shows as this is sent"),
]
SameBlot = Annotated[bool, Form(description="The blot of the photo before, photographed again")]
KnownPhoto = Annotated[
    bool, Form(description="The file is entered for another visit already; enter it here too")
]


@router.post(
    "/visits/{visit_id}/photos",
    status_code=201,
    dependencies=[Depends(api_csrf)],
    responses={**PHOTO_RESPONSES, **NOT_FOUND},
    response_model=ReadingOut,
)
def post_visit_photo(
    request: Request,
    visitor: Carer,
    visit_id: RecordId,
    photo: Photo,
    submission_key: PhotoKey,
    taken_at: TakenAt = None,
    same_blot: SameBlot = False,
    known_photo: KnownPhoto = False,
    sent_at: SentAt = None,
) -> JSONResponse:
    """Read a photo and enter it for an open visit.

    A photo that can't be read is entered as refused, with advice; that is no error.
    """
    target = ForVisit(visit_id)
    times = (taken_at, sent_at)
    return _take(request, visitor, target, photo, submission_key, times, same_blot, known_photo)


@router.post(
    "/photos",
    status_code=201,
    dependencies=[Depends(api_csrf)],
    responses=PHOTO_RESPONSES,
    response_model=ReadingOut,
)
def post_photo(
    request: Request,
    visitor: Carer,
    photo: Photo,
    submission_key: PhotoKey,
    code: Annotated[str, Form(pattern=CODE_PATTERN)],
    visit_number: Annotated[int, Form(ge=1, le=HIGHEST_VISIT)] = 1,
    gestation_weeks: Annotated[Weeks | SkipJsonSchema[None], Form()] = None,
    taken_at: TakenAt = None,
    same_blot: SameBlot = False,
    known_photo: KnownPhoto = False,
    sent_at: SentAt = None,
) -> JSONResponse:
    """Read a photo taken out of reach: for a woman's code, who is added if not there.

    A photo that can't be read is entered as refused, with advice; that is no error.
    """
    target = ForCode(code, visit_number, gestation_weeks)
    times = (taken_at, sent_at)
    return _take(request, visitor, target, photo, submission_key, times, same_blot, known_photo)


def _take(
    request: Request,
    visitor: Visitor,
    target: ForVisit | ForCode,
    photo: UploadFile,
    key: str,
    times: tuple[dt.datetime | None, dt.datetime | None],
    same_blot: bool,
    known_photo: bool,
) -> JSONResponse:
    state: State = request.app.state.shared
    told, sent = (None if at is None else _aware(at) for at in times)
    try:
        taken = take_photo(
            state,
            target,
            key,
            photo.file.read(),
            told,
            visitor.account_id,
            same_blot,
            known_photo,
            sent,
        )
    except KnownPhotoError as known:
        question = {"detail": known_photo_words(known), "ask": "known_photo"}
        return JSONResponse(question, 409)
    except UnknownVisitError:
        raise HTTPException(404, mark("No such visit.")) from None
    with state.database.read() as session:
        out = _reading_out(session.get_one(Reading, taken.reading_id))
    return JSONResponse(out.model_dump(mode="json"), 200 if taken.replayed else 201)


@router.get("/readings/{reading_id}", responses=NOT_FOUND)
def get_reading(request: Request, visitor: Carer, reading_id: RecordId) -> ReadingOut:
    """One reading."""
    state: State = request.app.state.shared
    with state.database.read() as session:
        reading = session.get(Reading, reading_id)
        if reading is None:
            raise HTTPException(404, mark("No such reading."))
        return _reading_out(reading)


def _aware(at: dt.datetime) -> dt.datetime:
    """A time with its zone; one without is taken as UTC, one at the world's ends as unknown."""
    if not dt.datetime(1970, 1, 2) <= at.replace(tzinfo=None) <= dt.datetime(2199, 1, 1):
        return utc_now()
    return at.replace(tzinfo=dt.UTC) if at.tzinfo is None else at.astimezone(dt.UTC)


def _woman(session: Session, woman_id: str) -> Woman:
    woman = session.get(Woman, woman_id)
    if woman is None:
        raise HTTPException(404, mark("No such woman."))
    return woman


def _woman_out(row: Any, today: dt.date) -> WomanOut:
    return WomanOut(
        id=row.woman.id,
        code=row.woman.code,
        gestation_weeks=row.woman.gestation_at(today),
        anaemic=row.standing.anaemic,
        severe=row.standing.severe,
        awaiting_confirmation=row.standing.awaiting_confirmation,
        due_on=row.due.first_on if row.due else None,
        overdue=row.due is not None and row.due.is_overdue(today),
        referral_open=row.referral is not None,
    )


def _reading_out(reading: Reading) -> ReadingOut:
    said = said_of(reading)
    return ReadingOut(
        id=reading.id,
        code=reading.woman.code,
        words=gettext(said.words),
        rank=said.rank,
        url=f"/readings/{reading.id}",
        woman_id=reading.woman_id,
        visit_id=reading.visit_id,
        source=reading.source,
        taken_at=reading.taken_at,
        hb_g_dl=reading.hb_g_dl,
        low_g_dl=reading.low_g_dl,
        high_g_dl=reading.high_g_dl,
        outcome=reading.band,
        refusal=reading.refusal,
        screening_only=reading.source != "lab",
        set_aside=reading.set_aside_at is not None,
        reading=reading.detail if reading.source == "photo" else None,
    )


def _unprocessable(field: str, problem: str) -> HTTPException:
    detail = [{"loc": ["body", field], "msg": problem, "type": "value_error"}]
    return HTTPException(422, detail)
