"""Making the web application."""

from __future__ import annotations

import datetime as dt
import logging
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse
from sqlalchemy.exc import SQLAlchemyError
from starlette.exceptions import HTTPException
from starlette.responses import Response
from starlette.routing import BaseRoute, Mount
from starlette.staticfiles import StaticFiles

from cardreader.register.database import Database, complaint
from cardreader.register.lastjudged import Judging, remember
from cardreader.register.photostore import open_store
from cardreader.register.submissions import KeyReusedError
from cardreader.register.trouble import ADVICE, Trouble, trouble_of
from cardreader.terminal.progress import Progress
from cardreader.web import texts
from cardreader.web.access import NeedSignInError, find_visitor
from cardreader.web.delay import SignInDelay
from cardreader.web.guard import Guard, need_sign_in
from cardreader.web.later import LaterRoutes
from cardreader.web.pages import first, looks, offline, pin, signin
from cardreader.web.render import page
from cardreader.web.settings import PhotoPolicy, Settings
from cardreader.web.state import State
from cardreader.web.texts import mark
from cardreader.web.troublewords import words_of

if TYPE_CHECKING:
    from cardreader.web.reader import PhotoReader

STATIC = Path(__file__).parent / "static"

_FIRST = [
    route
    for router in (signin.router, first.router, pin.router, looks.router, offline.router)
    for route in router.routes
]
"""What can be asked for before a sign-in, and what the browser fetches with it."""


def create_app(
    settings: Settings,
    reader: PhotoReader | None = None,
    today: Callable[[], dt.date] = dt.date.today,
    progress: Progress | None = None,
    later: bool = False,
) -> FastAPI:
    """The application. Tables and lists are made or brought up to date before it is returned.

    With ``later`` lists are, once a page is asked for that needs a sign-in, or with
    ``app.state.rest.now``. ``reader`` defaults to the real one; ``today`` is for tests.
    """
    settings.data.mkdir(mode=0o700, parents=True, exist_ok=True)
    database = Database(settings.url)
    database.migrate()
    database.serve()
    if reader is None:
        from cardreader.web.pipelinereader import PipelineReader

        reader = PipelineReader.load()
    photos = open_store(settings.data) if settings.photos is PhotoPolicy.ENCRYPTED else None
    if settings.protocol is not None:
        remember(database, Judging(settings.protocol, settings.elevation_m))
    state = State(settings, database, reader, photos, today)

    @asynccontextmanager
    async def lifespan(_app: FastAPI) -> AsyncIterator[None]:
        yield
        state.uploads.close()
        if rest.there:
            state.meetings.host.close()
            state.workshop.stop()
        database.close()

    app = FastAPI(
        title="cardreader register",
        version="1",
        summary="Screening aid: haemoglobin from a photo of a blot beside a reference card.",
        lifespan=lifespan,
        docs_url=None,  # these pages fetch their scripts from elsewhere
        redoc_url=None,
        openapi_url="/api/openapi.json",
        # Such a redirect would lead to whatever host the request names.
        redirect_slashes=False,
    )
    app.state.shared = state
    app.state.settings = settings
    app.state.first_token = None  # set where the first person is made in the browser
    app.state.database = database
    app.state.sign_in_delay = SignInDelay(settings.free_tries)

    def load() -> list[BaseRoute]:
        from cardreader.web.rest import ROUTES, bring_up_to_date

        bring_up_to_date(state, progress)
        app.state.meetings = state.meetings
        return [*described, *ROUTES]

    described = list(app.router.routes)  # tells of all the others
    rest = app.state.rest = LaterRoutes(app.router, load, _first_of_all)

    def may_send(path: str) -> int | None:
        # Nobody can have shown a code yet where the page for it isn't there.
        return state.meetings.may_send(path) if rest.there else None

    app.add_middleware(Guard, settings=settings, is_signed_in=find_visitor, may_send=may_send)
    app.add_exception_handler(NeedSignInError, _need_sign_in)
    app.add_exception_handler(HTTPException, _http_error)
    app.add_exception_handler(KeyReusedError, _key_reused)
    app.add_exception_handler(RequestValidationError, _not_valid)
    for kind in (SQLAlchemyError, OSError):
        app.add_exception_handler(kind, _in_trouble)
    app.add_exception_handler(Exception, _broken)
    static = Mount("/static", StaticFiles(directory=STATIC), name="static")
    app.router.routes[:] = [*_FIRST, static, rest]
    if not later:
        rest.now()
    return app


def _is_api(request: Request) -> bool:
    return request.url.path.startswith("/api/")


def _first_of_all(request: Request) -> Response | None:
    """What a start opens is the home page: whoever isn't signed in can be told so without it."""
    if (request.method, request.url.path) == ("GET", "/") and find_visitor(request) is None:
        return need_sign_in(request.scope)
    return None


async def _need_sign_in(request: Request, _error: Exception) -> Response:
    return need_sign_in(request.scope)


async def _http_error(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    if _is_api(request):
        # Validation details are lists of parts; all else is a sentence that phones show.
        detail = texts.gettext(error.detail) if isinstance(error.detail, str) else error.detail
        return JSONResponse({"detail": detail}, error.status_code, headers=error.headers)
    words = {
        403: texts.gettext(error.detail),
        404: texts.gettext("There is nothing at this address."),
        409: texts.gettext(error.detail),
        405: texts.gettext("There is nothing at this address."),
    }
    return page(
        request,
        "problem.html",
        error.status_code,
        what=words.get(error.status_code, texts.gettext("This could not be done.")),
    )


async def _key_reused(request: Request, _error: Exception) -> Response:
    api = mark("This submission key was used for something else.")
    shown = mark("This page was used before. Load it again.")
    return await _http_error(request, HTTPException(409, api if _is_api(request) else shown))


async def _not_valid(_request: Request, error: Exception) -> Response:
    """Where the fault is and what it is, without what was sent.

    FastAPI's own answer repeats it: a NaN or half a surrogate pair can't be written as
    JSON, and what concerns a woman need not travel twice.
    """
    assert isinstance(error, RequestValidationError)
    faults = [
        {"loc": [_sendable(p) for p in _where(e)], "msg": _sendable(e["msg"]), "type": e["type"]}
        for e in error.errors()
    ]
    return JSONResponse({"detail": faults}, 422)


def _where(fault: dict[str, Any]) -> tuple[str | int, ...]:
    """Where a fault is: what was found of a whole body says which of its fields it means."""
    field = fault.get("ctx", {}).get("field")
    return (*fault["loc"], field) if field else tuple(fault["loc"])


def _sendable(part: str | int) -> str | int:
    return part.encode("utf-8", "replace").decode() if isinstance(part, str) else part


async def _in_trouble(request: Request, error: Exception) -> Response:
    """A full disk or a database out of reach is no defect, and there is something to do."""
    trouble = trouble_of(error)
    if trouble is None:
        raise error
    if trouble is Trouble.DAMAGED:
        logging.getLogger("uvicorn.error").error("%s (%s)", ADVICE[trouble], complaint(error))
    what = texts.gettext(words_of(trouble))
    if _is_api(request):
        return JSONResponse({"detail": what}, 503)
    return page(request, "problem.html", 503, what=what)


async def _broken(request: Request, error: Exception) -> Response:
    if trouble_of(error) is not None:  # met before the handlers' reach, in the guard
        return await _in_trouble(request, error)
    if _is_api(request):
        return JSONResponse({"detail": texts.gettext("Something went wrong here.")}, 500)
    what = texts.gettext("Something went wrong here. Nothing that was confirmed is lost.")
    return page(request, "problem.html", 500, what=what)
