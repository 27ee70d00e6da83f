"""The unencrypted start page: how a phone comes to trust the server, and nothing else."""

from __future__ import annotations

from pathlib import Path
from typing import Protocol

from fastapi import FastAPI, Request
from markupsafe import Markup
from starlette.responses import FileResponse, Response
from starlette.staticfiles import StaticFiles

from cardreader.web.address import qr_picture
from cardreader.web.app import STATIC
from cardreader.web.guard import Guard
from cardreader.web.render import page
from cardreader.web.settings import Settings
from cardreader.web.whereabouts import Whereabouts


class Standing(Protocol):
    """What the page must know of the server."""

    @property
    def authority(self) -> Path:
        """The certificate that phones are told to trust."""

    def now(self) -> Whereabouts:
        """Where the server can be reached."""


def create_start_app(settings: Settings, standing: Standing) -> FastAPI:
    """The start page's application."""
    app = FastAPI(docs_url=None, redoc_url=None, openapi_url=None, redirect_slashes=False)
    app.state.settings = settings
    app.add_middleware(Guard, settings=settings)

    @app.get("/")
    def start(request: Request) -> Response:
        """Three steps to the register."""
        where = standing.now()
        url = where.register_url(_host(request, where))
        name_url = where.register_url(where.name) if where.name else None
        return page(
            request, "start.html", url=url, name_url=name_url, fingerprint=where.fingerprint
        )

    @app.get("/qr")
    def qr(request: Request) -> Response:
        """The address as a QR code, for the screen of the machine itself."""
        where = standing.now()
        return page(
            request,
            "qr.html",
            urls=where.shown_urls,
            picture=Markup(qr_picture(where.shown_urls[0])),
            fingerprint=where.fingerprint,
        )

    @app.get("/authority.crt")
    def authority() -> Response:
        """The certificate that a phone is told to trust."""
        return FileResponse(standing.authority, media_type="application/x-x509-ca-cert")

    app.mount("/static", StaticFiles(directory=STATIC), name="static")
    return app


def _host(request: Request, where: Whereabouts) -> str:
    """The host to lead to: the address at which the phone came in, as this machine knows it.

    Never the host that the request names: on an unencrypted page anybody may have put
    another in.
    """
    server = request.scope.get("server")
    came_in_at = server[0] if server else ""
    return came_in_at if came_in_at in ("127.0.0.1", *where.addresses) else where.hosts[0]
