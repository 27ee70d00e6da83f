"""The way to a site's own calibration: pairs, what is lacking, fit, verdict, use, and back."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from typing import Any

from fastapi import APIRouter, HTTPException, Request
from sqlalchemy import func, select
from sqlalchemy.orm import Session
from starlette.responses import HTMLResponse, Response

from cardreader.core.units import G_DL_PER_MMOL_L
from cardreader.read.chain import CHAIN
from cardreader.register import audit, calibrations
from cardreader.register.calibrations import BusyError, NotUsableError
from cardreader.register.kinds import FitState
from cardreader.register.lists import ListName
from cardreader.register.models import (
    Account,
    CalibrationUse,
    JudgedAgain,
    Reading,
    SiteCalibration,
    Woman,
)
from cardreader.register.paper import correct_paper, paper_in_use, set_paper
from cardreader.register.rejudging import forget_judged
from cardreader.register.shownlists import part_of_list
from cardreader.register.sitepairs import (
    LEAST_WOMEN,
    PairsFound,
    find_pairs,
    lacking,
    look_like_mmol_l,
    reach,
    women_on,
)
from cardreader.register.studyexport import measured_jsonl, study_csv
from cardreader.web import words
from cardreader.web.access import Analyst, Form, Supervisor
from cardreader.web.ataddress import at_address
from cardreader.web.calibrating import UNLIKE, Laboratory, last_laboratory
from cardreader.web.expected import SITES, WIDTH_G_DL
from cardreader.web.fields import Fields
from cardreader.web.render import go, page
from cardreader.web.state import State
from cardreader.web.texts import gettext as _
from cardreader.web.texts import mark
from cardreader.web.words import LabMethod
from cardreader.web.zipped import zipped

router = APIRouter(include_in_schema=False, prefix="/calibration")

MOST_SHOWN = 8


@router.get("")
def show(request: Request, visitor: Analyst) -> Response:
    """How far the site is on its way."""
    return _page(request)


@router.get("/pairs.zip")
def pairs(request: Request, visitor: Analyst) -> Response:
    """The pairs as a study for the bench: a table, and what was measured of each photo."""
    state: State = request.app.state.shared
    with state.database.read() as session:
        found = _found(session, state)
        told = last_laboratory(calibrations.all_made(session))
    files = {
        "study.csv": study_csv(found, told.method, told.sd_percent),
        "measured.jsonl": measured_jsonl(found),
    }
    with state.database.write() as session:
        audit.append(session, "export", "pairs.zip", visitor.account_id, pairs=len(found))
    return Response(
        zipped(files, dt.datetime.now()),
        media_type="application/zip",
        headers={"Content-Disposition": 'attachment; filename="pairs.zip"'},
    )


@router.post("/paper")
def paper(request: Request, visitor: Supervisor, form: Form) -> Response:
    """Say which batch of blotting paper is in use from now on."""
    state: State = request.app.state.shared
    fields = Fields(form)
    name = fields.text("paper", 40)
    if fields.problems:
        return _page(request, fields)
    with state.database.write() as session:
        set_paper(session, name, visitor.account_id)
    return go("/calibration", "saved")


@router.post("/paper/past")
def paper_past(request: Request, visitor: Supervisor, form: Form) -> Response:
    """Say which batch the blots of days past were on; kept readings are judged again then."""
    state: State = request.app.state.shared
    fields = Fields(form)
    name = fields.text("past_paper", 40)
    first = fields.day("past_first", state.today())
    last = fields.day("past_last", state.today())
    if not fields.problems and last < first:
        fields.problems["past_last"] = _("A day that is not before the first.")
    if fields.problems:
        return _page(request, fields)
    with state.database.write() as session:
        corrected = correct_paper(session, name, first, last, visitor.account_id)
        use_id = forget_judged(session, corrected)
    if not corrected:
        fields.problems["past_paper"] = _("No photo of these days is noted as on another batch.")
        return _page(request, fields)
    if use_id is not None:
        state.workshop.judge_again(use_id)
    return go("/calibration", "saved")


@router.post("/fit")
def fit(request: Request, visitor: Supervisor, form: Form) -> Response:
    """Begin a fit in the background."""
    state: State = request.app.state.shared
    fields = Fields(form)
    method = fields.choice("lab_method", LabMethod)
    sd = fields.decimal("lab_sd", 0.5, 20)
    if fields.problems or sd is None:
        return _page(request, fields)
    with state.database.read() as session:
        found = _found(session, state)
    if not len(found):
        fields.problems["fit"] = _("There is no pair yet to fit a calibration to.")
        return _page(request, fields)
    try:
        laboratory = Laboratory(method.value, sd)
        state.workshop.fit(found, laboratory, state.settings.place, visitor.account_id)
    except BusyError:
        fields.problems["fit"] = _("A calibration is being fitted. One at a time.")
        return _page(request, fields, 409)
    return go("/calibration", "fitting")


@router.get("/{calibration_id}/report")
def report(request: Request, visitor: Analyst, calibration_id: str) -> Response:
    """The validation report as the fit wrote it."""
    state: State = request.app.state.shared
    with state.database.read() as session:
        row = at_address(session, SiteCalibration, calibration_id)
        if row.report is None:
            raise HTTPException(404, mark("There is nothing at this address."))
        html = str(row.report["html"])
    # A file, not a page of ours: its drawings and styles are its own.
    return Response(
        html,
        media_type="text/html; charset=utf-8",
        headers={"Content-Disposition": 'attachment; filename="report.html"'},
    )


@router.post("/back")
def back(request: Request, visitor: Supervisor, form: Form) -> Response:
    """Put the one before into use again."""

    def put(session: Session, fields: Fields, reason: str) -> CalibrationUse | None:
        return (
            None if fields.problems else calibrations.go_back(session, reason, visitor.account_id)
        )

    return _for_a_reason(request, form, "back_reason", put)


@router.post("/{calibration_id}/use")
def use(request: Request, visitor: Supervisor, form: Form, calibration_id: str) -> Response:
    """Put a calibration into use, with a reason; one not found fit only if it is meant."""

    def put(session: Session, fields: Fields, reason: str) -> CalibrationUse | None:
        row = at_address(session, SiteCalibration, calibration_id)
        if row.fit_for_use is False and form.get("sure") != "yes":
            fields.problems["reason"] = _("It was not found fit for use: say that it is meant.")
        if fields.problems:
            return None
        return calibrations.put_into_use(session, row, reason, visitor.account_id)

    return _for_a_reason(request, form, f"reason-{calibration_id}", put)


Put = Callable[[Session, Fields, str], CalibrationUse | None]


def _for_a_reason(request: Request, form: Form, own: str, put: Put) -> Response:
    """Put into use what ``put`` gives, for a reason typed into the field ``own``; the page with
    the problem where it gives nothing."""
    state: State = request.app.state.shared
    fields = Fields(form)
    reason = fields.text("reason", 200)
    try:
        with state.database.write() as session:
            made = put(session, fields, reason)
            use_id = made.id if made else None
    except NotUsableError as error:
        fields.problems["reason"] = str(error)
        return _page(request, _renamed(fields, own), 409)
    if use_id is None:
        return _page(request, _renamed(fields, own))
    state.workshop.judge_again(use_id)
    return go("/calibration", "in-use")


def _renamed(fields: Fields, name: str) -> Fields:
    """The problem with a reason, said at the form it was typed into."""
    fields.problems[name] = fields.problems.pop("reason")
    return fields


def _found(session: Session, state: State) -> PairsFound:
    """Pairs of real cards; where there is none, of the demonstration's."""
    named, longest = state.reader.base.named, dt.timedelta(days=state.settings.pair_days)
    found = find_pairs(session, named.real_lots, longest)
    return found if found.pairs else find_pairs(session, named.demonstration_lots, longest)


def _page(request: Request, fields: Fields | None = None, status: int = 422) -> HTMLResponse:
    state: State = request.app.state.shared
    state.catch_up()
    with state.database.read() as session:
        found = _found(session, state)
        rows = calibrations.all_made(session)
        uses = calibrations.all_uses(session)
        names: dict[str, str] = {row[0]: row[1] for row in session.execute(_NAMES)}
        now = uses[0] if uses else None
        before = calibrations.one_before(session)
        batch = paper_in_use(session)
        shown = [_shown(session, row) for row in rows[:MOST_SHOWN]]
        taught = _taught(now.calibration) if now and now.calibration else ()
        differ = 0 if now is None else session.scalar(_open_of(now.id))
        # Who was read or tested since is not on the list, and a researcher may not open it.
        listed = 0
        if differ:
            every = part_of_list(session, state.rules, ListName.JUDGED_AGAIN, state.today(), 0, 0)
            listed = every.total
        return page(
            request,
            "calibration.html",
            status if fields else 200,
            problems={} if fields is None else fields.problems,
            values={**_offered(rows), **({} if fields is None else fields.values)},
            found=found,
            pair_days=state.settings.pair_days,
            demonstration=bool(found.pairs)
            and found.pairs[0].lot_id in state.reader.base.named.demonstration_lots,
            otherwise=_otherwise(found, state),
            unmarked=bool(now and now.calibration and _unmarked(now.calibration, found)),
            lots_changed=state.reader.lots_changed,
            lacks=lacking(found),
            reach=reach(found),
            maybe_mmol_l=look_like_mmol_l(found),
            g_dl_per_mmol_l=G_DL_PER_MMOL_L,
            expected=WIDTH_G_DL,
            sites=SITES,
            lack_words=words.LACKS,
            methods=words.LAB_METHODS,
            paper=batch,
            on_paper=women_on(found, batch.name) if batch else women_on(found),
            too_few=women_on(found) < LEAST_WOMEN,
            least=LEAST_WOMEN,
            rows=shown,
            fitting=any(row.state == FitState.FITTING for row in rows),
            uses=uses,
            now=now,
            taught=taught,
            before=before,
            differ=differ,
            listed=listed,
            names=names,
            unusable=state.reader.now() and state.reader.problem,
            FitState=FitState,
        )


def _offered(rows: list[SiteCalibration]) -> dict[str, str]:
    """What the form of a fit holds before anything is typed: what the last one was told."""
    told = last_laboratory(rows)
    return {"lab_method": told.method, "lab_sd": f"{told.sd_percent:g}"}


_NAMES = select(Account.id, Account.name)


def _open_of(use_id: str) -> Any:
    count = select(func.count()).select_from(JudgedAgain)
    return count.where(JudgedAgain.use_id == use_id, JudgedAgain.settled_at.is_(None))


def _otherwise(found: PairsFound, state: State) -> int:
    """Pairs that were measured beside other colours of their lot than its file has now."""
    now = state.reader.base.named.lot_colours
    return sum(bool(p.lot_colours) and p.lot_colours != now.get(p.lot_id) for p in found.pairs)


def _unmarked(row: SiteCalibration, found: PairsFound) -> bool:
    """Whether a calibration doesn't say what colours of the pairs' lots it was fitted with."""
    said = {one["lot_id"] for one in (row.model or {}).get("lot_colours") or ()}
    return not {pair.lot_id for pair in found.pairs} <= said


def _taught(row: SiteCalibration) -> tuple[float, ...]:
    """Lowest and highest laboratory value behind a calibration; nothing where it isn't kept."""
    return tuple((row.provenance or {}).get("taught_g_dl") or ())


def _unlike(session: Session, provenance: dict[str, Any]) -> list[tuple[str, str]]:
    """Readings that were unlike the others in a fit, and whose they are."""
    ids = [str(one) for one in provenance.get(UNLIKE) or []]
    query = select(Reading.id, Woman.code).join(Reading.woman).where(Reading.id.in_(ids))
    return [(one, code) for one, code in session.execute(query.order_by(Woman.code))]


def _batch(name: str) -> str:
    """How a batch of paper is called on the page."""
    from cardreader.hb.paper import UNNAMED

    return _("that of before a batch was named") if name == UNNAMED else name


def _shown(session: Session, row: SiteCalibration) -> dict[str, Any]:
    """A calibration with the widths to expect; large columns are not loaded for others."""
    from cardreader.hb.paper import UNNAMED

    ready = row.state == FitState.READY
    provenance = (row.provenance or {}) if ready else {}
    ahead = provenance.get("outlook") or {}
    return {
        "row": row,
        "width": [(int(more), width) for more, width in (ahead.get("width_g_dl") or {}).items()],
        "criteria": provenance.get("criteria") or [],
        "names_no_paper": list(provenance.get("papers") or ()) == [UNNAMED],
        "papers": [_batch(one) for one in provenance.get("papers") or ()],
        "taught": _taught(row) if ready else (),
        "unlike": _unlike(session, provenance),
        "tells_fading": provenance.get("tells_fading", False),
        "other_chain": ready and row.chain != CHAIN,
        "has_report": ready and bool(provenance.get("criteria")),
    }
