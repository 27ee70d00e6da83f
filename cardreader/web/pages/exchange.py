"""Exchange with other systems: FHIR and CSV out, laboratory results in, the drift watch."""

from __future__ import annotations

from fastapi import APIRouter, Request
from sqlalchemy.orm import Session
from starlette.datastructures import UploadFile
from starlette.responses import Response

from cardreader.core.units import G_DL_PER_MMOL_L
from cardreader.register import audit, fhir, labtable, tables
from cardreader.register.confirmations import confirmations
from cardreader.register.kinds import Role
from cardreader.web.access import Analyst, Form, Supervisor, Visitor
from cardreader.web.drift import LAB_SD_G_DL, charts
from cardreader.web.lean import full_installation_for_export
from cardreader.web.render import page
from cardreader.web.state import State
from cardreader.web.texts import gettext as _

router = APIRouter(include_in_schema=False, prefix="/exchange")


@router.get("")
def show(request: Request, visitor: Analyst) -> Response:
    """What can be taken out and put in."""
    return _page(request, None)


@router.get("/readings.csv")
def readings(request: Request, visitor: Analyst) -> Response:
    """Every reading; a researcher gets no codes."""
    return _export(request, visitor, "readings.csv", "text/csv; charset=utf-8")


@router.get("/events.csv")
def events(request: Request, visitor: Analyst) -> Response:
    """Births, tablets, outcomes of referrals and all else noted; a researcher gets no words."""
    return _export(request, visitor, "events.csv", "text/csv; charset=utf-8")


@router.get("/referrals.csv")
def referrals(request: Request, visitor: Analyst) -> Response:
    """Every referral and what became of it; a researcher gets no codes."""
    return _export(request, visitor, "referrals.csv", "text/csv; charset=utf-8")


@router.get("/confirmations.csv")
def pairs(request: Request, visitor: Analyst) -> Response:
    """Pairs of reading and laboratory result."""
    return _export(request, visitor, "confirmations.csv", "text/csv; charset=utf-8")


@router.get("/register.fhir.json")
def bundle(request: Request, visitor: Analyst) -> Response:
    """The register as a FHIR bundle; a researcher's has no codes."""
    return _export(request, visitor, "register.fhir.json", "application/fhir+json")


@router.post("/import")
def take(request: Request, visitor: Supervisor, form: Form) -> Response:
    """Laboratory results from a table."""
    state: State = request.app.state.shared
    upload = form.get("table")
    if not isinstance(upload, UploadFile) or not upload.size:
        return _page(request, None, {"table": _("Choose a file.")})
    with state.database.write() as session:
        imported = labtable.import_lab(
            session,
            upload.file.read(),
            state.reader.rules,
            state.today(),
            state.settings.elevation_m,
            visitor.account_id,
        )
    return _page(request, imported)


def _page(
    request: Request, imported: labtable.Imported | None, problems: dict[str, str] | None = None
) -> Response:
    state: State = request.app.state.shared
    with state.database.read() as session:
        pairs = confirmations(session)
    return page(
        request,
        "exchange.html",
        422 if problems else 200,
        problems=problems or {},
        imported=imported,
        pairs=len(pairs),
        charts=charts(pairs),
        columns=", ".join(labtable.LAB_COLUMNS),
        g_dl_per_mmol_l=G_DL_PER_MMOL_L,
    )


def _export(request: Request, visitor: Visitor, name: str, media_type: str) -> Response:
    state: State = request.app.state.shared
    codes = visitor.role is Role.SUPERVISOR
    with state.database.read() as session:
        text = _content(session, name, codes)
    # Data leaving the register is noted like any other act.
    with state.database.write() as session:
        audit.append(session, "export", name, visitor.account_id, codes=codes)
    return Response(
        text,
        media_type=media_type,
        headers={"Content-Disposition": f'attachment; filename="{name}"'},
    )


def _content(session: Session, name: str, codes: bool) -> str:
    match name:
        case "readings.csv":
            return tables.readings_csv(session, codes)
        case "events.csv":
            return tables.events_csv(session, codes)
        case "referrals.csv":
            return tables.referrals_csv(session, codes)
        case "confirmations.csv":
            return tables.confirmations_csv(session, LAB_SD_G_DL)
    with full_installation_for_export():
        return fhir.bundle(session, codes=codes)
