"""A visit: the steps of prick and blot, the photo, and the blots so far."""

from __future__ import annotations

import datetime as dt

from fastapi import APIRouter, HTTPException, Request
from starlette.datastructures import UploadFile
from starlette.responses import Response

from cardreader.core.refusal import ADVICE, Reason
from cardreader.register.base import new_id, utc_now
from cardreader.register.blots import all_blots, blot_numbers, doubted_by
from cardreader.register.dayvisits import is_shown, lead_of, members, result_of
from cardreader.register.kinds import Source
from cardreader.register.models import Visit
from cardreader.register.samephoto import KnownPhotoError
from cardreader.register.visits import is_of_day
from cardreader.web import words
from cardreader.web.access import Carer, Form
from cardreader.web.ataddress import at_address
from cardreader.web.fields import Fields
from cardreader.web.photos import ForVisit, UnknownVisitError, take_photo
from cardreader.web.render import go, page
from cardreader.web.state import State
from cardreader.web.steps import DRYING_S, STEPS, WASTE
from cardreader.web.texts import gettext as _

router = APIRouter(include_in_schema=False, prefix="/visits")


@router.get("/{visit_id}")
def show(request: Request, visitor: Carer, visit_id: str, same: str = "") -> Response:
    """Steps, drying timer, camera, and what was read so far; ``same`` for the last blot again."""
    state: State = request.app.state.shared
    with state.database.read() as session:
        visit = at_address(session, Visit, visit_id)
        if not is_shown(visit):
            return go(f"/visits/{lead_of(visit).id}")
        return _visit_page(request, visit, same_blot=same == "yes")


@router.post("/{visit_id}/photos")
def photo(request: Request, visitor: Carer, form: Form, visit_id: str) -> Response:
    """Read a photo sent by a browser without scripts; others use the API."""
    state: State = request.app.state.shared
    upload, fields = form.get("photo"), Fields(form)
    key = fields.key()
    if not isinstance(upload, UploadFile) or not upload.size:
        fields.problems["photo"] = _("Choose a photo.")
    if fields.problems or not isinstance(upload, UploadFile):
        with state.database.read() as session:
            return _visit_page(request, at_address(session, Visit, visit_id), fields)
    try:
        taken = take_photo(
            state,
            ForVisit(visit_id),
            key,
            upload.file.read(),
            dt.datetime.now(dt.UTC),
            visitor.account_id,
            same_blot=form.get("same_blot") == "yes",
            known_photo=form.get("known_photo") == "true",
        )
    except KnownPhotoError as known:
        fields.problems["photo"] = words.known_photo_words(known)
        with state.database.read() as session:
            return _visit_page(request, at_address(session, Visit, visit_id), fields, 409)
    except UnknownVisitError:
        raise HTTPException(404, "No such visit.") from None
    return go(f"/readings/{taken.reading_id}")


def _visit_page(
    request: Request,
    visit: Visit,
    fields: Fields | None = None,
    status: int = 422,
    same_blot: bool = False,
) -> Response:
    ones = members(visit)
    photos = [r for one in ones for r in one.readings if r.source == Source.PHOTO]
    photos.sort(key=lambda r: r.taken_at)
    stands = all_blots(visit)
    return page(
        request,
        "visit.html",
        status if fields else 200,
        ask_known=status == 409,
        problems=fields.problems if fields else {},
        visit=visit,
        over=not is_of_day(visit, utc_now()),
        woman=visit.woman,
        joined=len(ones) > 1,
        result=result_of(visit),
        photos=photos,
        numbers=blot_numbers(visit),
        said={r.id: words.own_words(r) for r in photos if r.band},
        advice={r.id: ADVICE[Reason(r.refusal)] for r in photos if r.refusal},
        blots=len(stands),
        stands={r.id for r in stands},
        doubted={r.id for r in photos if doubted_by(r)},
        same_blot=same_blot or (fields is not None and fields.raw("same_blot") == "yes"),
        gestation=visit.woman.gestation_at(visit.on),
        steps=STEPS,
        waste=WASTE[Source.PHOTO],
        drying_s=DRYING_S,
        drying_minutes=DRYING_S // 60,
        outcomes=words.OUTCOMES,
        submission_key=new_id(),
    )
