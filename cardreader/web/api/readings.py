"""A woman's readings; tube and laboratory values."""

from __future__ import annotations

from fastapi import Depends, Request
from fastapi.responses import JSONResponse

from cardreader.register.doubt import DoubtfulError, named
from cardreader.register.entrylimits import OLDEST_RESULT_DAYS, may_be_dated
from cardreader.register.labunit import LabUnit, lab_hb_g_dl, method_looks_like_mmol_l
from cardreader.register.models import Reading, Woman
from cardreader.web.access import Carer, api_csrf
from cardreader.web.api.bodies import (
    LabIn,
    LabOut,
    ReadingOut,
    RecordId,
    TubeIn,
    reading_out,
)
from cardreader.web.api.problems import (
    BAD_BODY,
    NOT_FOUND,
    Disagreement,
    DoubtfulValue,
    Responses,
    api_router,
    unprocessable,
)
from cardreader.web.api.women import woman_of
from cardreader.web.ataddress import at_address
from cardreader.web.happened import asked_words
from cardreader.web.state import State
from cardreader.web.texts import mark
from cardreader.web.values import enter_lab, enter_tube

router = api_router()
DOUBTFUL: Responses = {
    409: {
        "model": DoubtfulValue,
        "description": "The key was used for something else; or, with ask, the value disagrees "
        "with another of hers, or blood hardly ever holds so much",
    }
}


@router.get("/women/{woman_id}/readings", responses=NOT_FOUND)
def get_readings(request: Request, visitor: Carer, woman_id: RecordId) -> list[ReadingOut]:
    """All her readings, oldest first."""
    state: State = request.app.state.shared
    with state.database.read() as session:
        return [reading_out(r) for r in woman_of(session, woman_id).readings]


@router.post(
    "/women/{woman_id}/tube",
    status_code=201,
    dependencies=[Depends(api_csrf)],
    responses={**NOT_FOUND, **DOUBTFUL, **BAD_BODY},
    response_model=ReadingOut,
)
def post_tube(
    request: Request, visitor: Carer, woman_id: RecordId, body: TubeIn
) -> ReadingOut | JSONResponse:
    """Enter a tube reading."""
    state: State = request.app.state.shared
    with state.database.write() as session:
        woman = woman_of(session, woman_id)
        key, by = body.submission_key, visitor.account_id
        try:
            reading = enter_tube(
                state, session, woman, key, body.value, body.unit, by, sure=body.sure
            )
        except DoubtfulError as doubtful:
            return _asked(woman, doubtful)
        return reading_out(reading)


@router.post(
    "/women/{woman_id}/lab",
    status_code=201,
    dependencies=[Depends(api_csrf)],
    responses={**NOT_FOUND, **DOUBTFUL, **BAD_BODY},
    response_model=LabOut,
)
def post_lab(
    request: Request, visitor: Carer, woman_id: RecordId, body: LabIn
) -> LabOut | JSONResponse:
    """Enter a laboratory result in the unit that the laboratory wrote; it closes her open referral.

    Values whose unit nobody looked at are seen as a whole only: `maybe_mmol_l` tells.
    """
    state: State = request.app.state.shared
    if not may_be_dated(body.on, state.today()):
        raise unprocessable("on", f"in the future or longer ago than {OLDEST_RESULT_DAYS} days")
    with state.database.write() as session:
        woman = woman_of(session, woman_id)
        key, by = body.submission_key, visitor.account_id
        given = (lab_hb_g_dl(body.value, body.unit), body.method, body.place, body.on, by)
        try:
            reading = enter_lab(state, session, woman, key, *given, body.sure)
        except DoubtfulError as doubtful:
            return _asked(woman, doubtful)
        odd = body.unit is LabUnit.G_DL and method_looks_like_mmol_l(session, body.method)
        return LabOut(**dict(reading_out(reading)), maybe_mmol_l=odd)


def _asked(woman: Woman, doubtful: DoubtfulError) -> JSONResponse:
    """The question as people read it, and what it is about for programs."""
    disagreements = [
        Disagreement(
            source=doubt.point.source,
            hb_g_dl=doubt.point.hb_g_dl,
            taken_at=doubt.point.at,
            reading_ids=named(woman, [doubt]),
            newer=doubt.is_newer,
        )
        for doubt in doubtful.doubts
    ]
    asked = DoubtfulValue(
        detail=" ".join(asked_words(doubtful)), ask="sure", disagrees_with=disagreements
    )
    return JSONResponse(asked.model_dump(mode="json"), 409)


@router.get("/readings/{reading_id}", responses=NOT_FOUND)
def get_reading(request: Request, visitor: Carer, reading_id: RecordId) -> ReadingOut:
    """One reading."""
    state: State = request.app.state.shared
    with state.database.read() as session:
        return reading_out(at_address(session, Reading, reading_id, mark("No such reading.")))
