"""Which calibration reads, of how many pairs and since when, and putting another into use."""

from __future__ import annotations

import datetime as dt

from fastapi import Depends, HTTPException, Request
from pydantic import BaseModel, Field
from sqlalchemy.orm import Session

from cardreader.register import calibrations
from cardreader.register.calibrations import NotUsableError
from cardreader.register.kinds import FitState
from cardreader.register.models import Account, CalibrationUse, SiteCalibration
from cardreader.register.paper import paper_in_use
from cardreader.web.access import Analyst, Anyone, Supervisor, api_csrf
from cardreader.web.api.bodies import ID_PATTERN
from cardreader.web.api.problems import BAD_BODY, CONFLICT, NOT_FOUND, api_router
from cardreader.web.ataddress import at_address
from cardreader.web.state import State

router = api_router()


class CalibrationOut(BaseModel):
    """A calibration of this place's own."""

    id: str
    name: str
    state: FitState
    begun_at: dt.datetime
    pairs: int | None = Field(description="Photos with a laboratory value behind it")
    women: int | None
    papers: list[str] = Field(description="Batches of blotting paper that its pairs named")
    taught_g_dl: list[float] = Field(
        description="Lowest and highest laboratory value behind it; empty where that isn't kept"
    )
    sha256: str | None = Field(description="As every reading by it carries")
    verdict: str | None
    fit_for_use: bool | None = Field(description="By the verdict; null where there is none")


class InUseOut(BaseModel):
    """What photos are read by now."""

    calibration: CalibrationOut | None = Field(
        description="Null: none of this place's own, and printed cards give no value"
    )
    since: dt.datetime | None
    put_by: str | None = Field(description="Name of who put it into use")
    reason: str | None
    paper: str | None = Field(description="Batch of blotting paper in use")
    problem: str = Field(description="Why the calibration can't be read with; else empty")
    lots_changed: list[str] = Field(
        description="Lots without a value: their file has other colours than those of the fit"
    )


class UseIn(BaseModel):
    """Put a calibration into use, or with null none of this place's own."""

    calibration_id: str | None = Field(pattern=ID_PATTERN)
    reason: str = Field(pattern=r"\S", max_length=200)
    sure: bool = Field(False, description="One that was not found fit is meant all the same")


@router.get("/calibration")
def get_calibration(request: Request, visitor: Anyone) -> InUseOut:
    """The calibration in use."""
    state: State = request.app.state.shared
    state.reader.now()
    with state.database.read() as session:
        return _in_use(session, state, calibrations.in_use(session))


@router.get("/calibrations")
def get_calibrations(request: Request, visitor: Analyst) -> list[CalibrationOut]:
    """All that were ever fitted here, the newest first."""
    state: State = request.app.state.shared
    with state.database.read() as session:
        return [_out(row) for row in calibrations.all_made(session)]


@router.post(
    "/calibration",
    status_code=201,
    dependencies=[Depends(api_csrf)],
    responses={**NOT_FOUND, **CONFLICT, **BAD_BODY},
)
def post_calibration(request: Request, visitor: Supervisor, body: UseIn) -> InUseOut:
    """Put a calibration into use by the name of who is signed in; kept readings are judged again.

    One that was not found fit is a conflict, unless ``sure`` says that it is meant.
    """
    state: State = request.app.state.shared
    with state.database.write() as session:
        row = None
        if body.calibration_id is not None:
            row = at_address(session, SiteCalibration, body.calibration_id)
            if row.fit_for_use is False and not body.sure:
                raise HTTPException(409, "it was not found fit for use: say that you are sure")
        try:
            use = calibrations.put_into_use(session, row, body.reason.strip(), visitor.account_id)
        except NotUsableError as error:
            raise HTTPException(409, str(error)) from None
        use_id = use.id
    state.workshop.judge_again(use_id)
    state.reader.now()
    with state.database.read() as session:
        return _in_use(session, state, session.get(CalibrationUse, use_id))


def _in_use(session: Session, state: State, use: CalibrationUse | None) -> InUseOut:
    by = None if use is None or use.put_by is None else session.get(Account, use.put_by)
    batch = paper_in_use(session)
    return InUseOut(
        calibration=None if use is None or use.calibration is None else _out(use.calibration),
        since=None if use is None else use.since,
        put_by=None if by is None else by.name,
        reason=None if use is None else use.reason,
        paper=None if batch is None else batch.name,
        problem=state.reader.problem,
        lots_changed=list(state.reader.lots_changed),
    )


def _out(row: SiteCalibration) -> CalibrationOut:
    return CalibrationOut(
        id=row.id,
        name=row.name,
        state=FitState(row.state),
        begun_at=row.begun_at,
        pairs=row.n_pairs,
        women=row.n_women,
        papers=list((row.provenance or {}).get("papers") or []),
        taught_g_dl=list((row.provenance or {}).get("taught_g_dl") or []),
        sha256=row.sha256,
        verdict=row.verdict,
        fit_for_use=row.fit_for_use,
    )
