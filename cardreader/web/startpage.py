"""The unencrypted start page: how a phone comes to trust the server, and nothing else."""

from __future__ import annotations

from fastapi import FastAPI, Request
from starlette.responses import FileResponse, Response
from starlette.staticfiles import StaticFiles

from cardreader.web.app import STATIC
from cardreader.web.guard import Guard
from cardreader.web.render import page
from cardreader.web.settings import Settings
from cardreader.web.tls import Certificates


def create_start_app(settings: Settings, files: Certificates, port: int) -> FastAPI:
    """The start page's application; ``port`` is that of the encrypted pages."""
    app = FastAPI(docs_url=None, redoc_url=None, openapi_url=None)
    app.state.settings = settings
    app.add_middleware(Guard, settings=settings)

    @app.get("/")
    def start(request: Request) -> Response:
        """Three steps to the register."""
        host = request.url.hostname or "localhost"
        return page(request, "start.html", url=f"https://{host}:{port}/")

    @app.get("/authority.crt")
    def authority() -> Response:
        """The certificate that a phone is told to trust."""
        return FileResponse(files.authority, media_type="application/x-x509-ca-cert")

    app.mount("/static", StaticFiles(directory=STATIC), name="static")
    return app
