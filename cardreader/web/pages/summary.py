"""The monthly summary, as page, PDF and CSV."""

from __future__ import annotations

import csv
import datetime as dt
from io import StringIO

from fastapi import APIRouter, Request
from starlette.responses import Response

from cardreader.register import audit
from cardreader.register.monthreport import measure_report
from cardreader.register.summary import Summary, month_bounds, summarise
from cardreader.web.access import Anyone, Visitor
from cardreader.web.lean import full_installation_for_export
from cardreader.web.render import page
from cardreader.web.state import State

router = APIRouter(include_in_schema=False, prefix="/summary")


@router.get("")
def show(request: Request, visitor: Anyone, month: str = "") -> Response:
    """One month."""
    from cardreader.web.documents import summary_rows  # pages are up before what prints

    summary = _summary(request, month)
    first, after = month_bounds(summary.month)
    today = request.app.state.shared.today()
    return page(
        request,
        "summary.html",
        summary=summary,
        sections=summary_rows(summary),
        before=(first - dt.timedelta(days=1)).strftime("%Y-%m"),
        after=after.strftime("%Y-%m") if after <= today else None,
        this=first.strftime("%Y-%m"),
    )


@router.get("/summary.pdf")
def pdf(request: Request, visitor: Anyone, month: str = "") -> Response:
    """One month on paper."""
    from cardreader.web.documents import summary_pdf

    summary = _summary(request, month)
    data = summary_pdf(summary, request.app.state.settings.place)
    _note(request, visitor, summary, "pdf")
    return _download(data, "application/pdf", summary, "pdf", "inline")


@router.get("/summary.csv")
def table(request: Request, visitor: Anyone, month: str = "") -> Response:
    """One month as a table."""
    from cardreader.web.documents import summary_rows

    summary = _summary(request, month)
    out = StringIO()
    writer = csv.writer(out)
    for heading, rows in summary_rows(summary):
        writer.writerows((heading, name, value) for name, value in rows)
    _note(request, visitor, summary, "csv")
    return _download(out.getvalue().encode(), "text/csv; charset=utf-8", summary, "csv")


@router.get("/summary.fhir.json")
def report(request: Request, visitor: Anyone, month: str = "") -> Response:
    """One month as a FHIR MeasureReport, for other systems."""
    state: State = request.app.state.shared
    summary = _summary(request, month)
    with full_installation_for_export():
        text = measure_report(summary, state.settings.place, state.today())
    _note(request, visitor, summary, "fhir.json")
    return _download(text.encode(), "application/fhir+json", summary, "fhir.json")


def _summary(request: Request, month: str) -> Summary:
    state: State = request.app.state.shared
    today = state.today()
    state.catch_up()
    with state.database.read() as session:
        return summarise(session, _month(month, today), today, state.rules)


def _month(text: str, today: dt.date) -> dt.date:
    try:
        month = dt.datetime.strptime(text, "%Y-%m").date()
    except ValueError:
        return today.replace(day=1)
    return month if dt.date(2000, 1, 1) <= month <= today else today.replace(day=1)


def _note(request: Request, visitor: Visitor, summary: Summary, ending: str) -> None:
    with request.app.state.database.write() as session:
        audit.append(session, "export", _name(summary, ending), visitor.account_id)


def _name(summary: Summary, ending: str) -> str:
    return f"summary-{summary.month:%Y-%m}.{ending}"


def _download(
    data: bytes, media_type: str, summary: Summary, ending: str, how: str = "attachment"
) -> Response:
    name = _name(summary, ending)
    return Response(
        data,
        media_type=media_type,
        headers={"Content-Disposition": f'{how}; filename="{name}"'},
    )
