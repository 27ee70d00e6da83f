"""Photos: for an open visit, or for a code when they were taken out of reach."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Annotated

from fastapi import Depends, File, Form, HTTPException, Request, UploadFile
from fastapi.responses import JSONResponse
from pydantic import Field
from pydantic.json_schema import SkipJsonSchema

from cardreader.register.base import utc_now
from cardreader.register.entrylimits import HIGHEST_VISIT
from cardreader.register.events import standing_events
from cardreader.register.kinds import EventKind
from cardreader.register.knownby import DoubtedCodeError, DoubtedWeeksError
from cardreader.register.models import Reading
from cardreader.register.samephoto import KnownPhotoError
from cardreader.register.submissions import KeyReusedError, find_submission
from cardreader.register.women import GESTATION_WEEKS, clean_code
from cardreader.web.access import Carer, Visitor, api_csrf
from cardreader.web.api.bodies import CODE_PATTERN, KEY_PATTERN, ReadingOut, RecordId, reading_out
from cardreader.web.api.problems import (
    BAD_BODY,
    NOT_FOUND,
    Question,
    Responses,
    api_router,
    problem,
    unprocessable,
)
from cardreader.web.photos import ForCode, ForVisit, UnknownVisitError, take_photo
from cardreader.web.state import State
from cardreader.web.texts import mark
from cardreader.web.words import doubted_code_words, known_photo_words

router = api_router()

PHOTO_RESPONSES: Responses = {
    200: {"model": ReadingOut, "description": "Sent before; this is the entry made then"},
    409: {
        "model": Question,
        "description": "The key was used for something else; or, with ask, the same file is "
        "entered for another visit, or the code may be meant for another woman",
    },
    410: problem("Pieces of the photo have not arrived, or were forgotten: send them again"),
    **BAD_BODY,
}
Photo = Annotated[
    UploadFile | SkipJsonSchema[None], File(description="The file as the phone wrote it")
]
Uploaded = Annotated[
    bool, Form(description="The photo came in pieces under this submission key, in place of it")
]
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
ClockMoved = Annotated[
    bool,
    Form(description="That clock was set anew in between, or may have been"),
]
SameBlot = Annotated[bool, Form(description="The blot of the photo before, photographed again")]
KnownPhoto = Annotated[
    bool, Form(description="The file is entered for another visit already; enter it here too")
]
CodeMeant = Annotated[
    bool,
    Form(
        description="The code is meant as it is, though another woman had it when the photo was "
        "taken, or has one that is written almost alike, or the weeks told are not hers"
    ),
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
    submission_key: PhotoKey,
    taken_at: TakenAt = None,
    same_blot: SameBlot = False,
    known_photo: KnownPhoto = False,
    sent_at: SentAt = None,
    clock_moved: ClockMoved = False,
    photo: Photo = None,
    uploaded: Uploaded = False,
) -> JSONResponse:
    """Read a photo and enter it for an open visit; for that of its own day, if it is of another.

    A photo that can't be read is entered as refused, with advice; that is no error.
    """
    times = (taken_at, sent_at)
    sent = _Sent(submission_key, photo, uploaded, times, clock_moved, same_blot, known_photo)
    return _entered(request, visitor, ForVisit(visit_id), sent)


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
    submission_key: PhotoKey,
    code: Annotated[str, Form(pattern=CODE_PATTERN)],
    visit_number: Annotated[int, Form(ge=1, le=HIGHEST_VISIT)] = 1,
    gestation_weeks: Annotated[Weeks | SkipJsonSchema[None], Form()] = None,
    taken_at: TakenAt = None,
    same_blot: SameBlot = False,
    known_photo: KnownPhoto = False,
    code_meant: CodeMeant = False,
    sent_at: SentAt = None,
    clock_moved: ClockMoved = False,
    photo: Photo = None,
    uploaded: Uploaded = False,
) -> JSONResponse:
    """Read a photo taken out of reach: for a woman's code, who is added if not there.

    A photo that can't be read is entered as refused, with advice; that is no error.
    """
    times = (taken_at, sent_at)
    sent = _Sent(submission_key, photo, uploaded, times, clock_moved, same_blot, known_photo)
    target = ForCode(code, visit_number, gestation_weeks, code_meant)
    return _entered(request, visitor, target, sent)


@dataclass(frozen=True)
class _Sent:
    """What both calls take of a photo; ``times`` are when it was taken and when it was sent."""

    key: str
    photo: UploadFile | None
    uploaded: bool
    times: tuple[dt.datetime | None, dt.datetime | None]
    clock_moved: bool
    same_blot: bool
    known_photo: bool


def _entered(
    request: Request, visitor: Visitor, target: ForVisit | ForCode, sent: _Sent
) -> JSONResponse:
    """Read and enter a photo, or answer with the entry made of it before."""
    data = _bytes_of(request, visitor, sent)
    if data is None:
        return _entered_before(request, sent.key, target)
    return _take(request, visitor, target, data, sent)


def _bytes_of(request: Request, visitor: Visitor, sent: _Sent) -> bytes | None:
    """The photo's bytes, sent with the form or in pieces before it; None where some are missing."""
    if sent.photo is not None:
        return sent.photo.file.read()
    if not sent.uploaded:
        raise unprocessable("photo", "a photo is needed, or uploaded")
    state: State = request.app.state.shared
    return state.uploads.whole(visitor.account_id, sent.key)


def _entered_before(request: Request, key: str, target: ForVisit | ForCode) -> JSONResponse:
    """The entry made of a photo whose pieces are gone, or the answer that they must come again."""
    state: State = request.app.state.shared
    with state.database.read() as session:
        reading = find_submission(session, key)
        if reading is None:
            raise HTTPException(410, mark("Parts of the photo have not arrived. Send it again."))
        if not _is_of(reading, target):
            raise KeyReusedError("this submission key was used for something else")
        return JSONResponse(reading_out(reading).model_dump(mode="json"), 200)


def _is_of(reading: Reading, target: ForVisit | ForCode) -> bool:
    if isinstance(target, ForVisit):
        # It may have gone to a visit that is one with it, or to that of the photo's own day.
        return target.visit_id in {one.id for one in reading.woman.visits}
    former = standing_events(reading.woman, EventKind.CODE_MENDED)
    return clean_code(target.code) in {reading.woman.code, *(event.words for event in former)}


def _take(
    request: Request,
    visitor: Visitor,
    target: ForVisit | ForCode,
    data: bytes,
    sent: _Sent,
) -> JSONResponse:
    state: State = request.app.state.shared
    taken_at, sent_at = (None if at is None else _aware(at) for at in sent.times)
    try:
        taken = take_photo(
            *(state, target, sent.key, data, taken_at, visitor.account_id),
            *(sent.same_blot, sent.known_photo, sent_at, sent.clock_moved),
        )
    except KnownPhotoError as known:
        question = {"detail": known_photo_words(known), "ask": "known_photo"}
        return JSONResponse(question, 409)
    except (DoubtedCodeError, DoubtedWeeksError) as doubted:
        question = {"detail": doubted_code_words(doubted), "ask": "code_meant"}
        return JSONResponse(question, 409)
    except UnknownVisitError:
        raise HTTPException(404, mark("No such visit.")) from None
    # Entered: its pieces aren't needed again.
    state.uploads.drop(visitor.account_id, sent.key)
    with state.database.read() as session:
        out = reading_out(session.get_one(Reading, taken.reading_id))
    return JSONResponse(out.model_dump(mode="json"), 200 if taken.replayed else 201)


def _aware(at: dt.datetime) -> dt.datetime:
    """A time with its zone; one without is taken as UTC, one at the world's ends as unknown."""
    if not dt.datetime(1970, 1, 2) <= at.replace(tzinfo=None) <= dt.datetime(2199, 1, 1):
        return utc_now()
    return at.replace(tzinfo=dt.UTC) if at.tzinfo is None else at.astimezone(dt.UTC)
