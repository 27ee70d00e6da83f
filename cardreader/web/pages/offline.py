"""What lets the pages be installed and work with the server out of reach."""

from __future__ import annotations

import hashlib
import json
from functools import cache
from pathlib import Path

from fastapi import APIRouter, Request
from starlette.responses import Response

from cardreader.register.kinds import Source
from cardreader.web import texts
from cardreader.web.origins import known_origins
from cardreader.web.render import page
from cardreader.web.steps import DRYING_S, STEPS, WASTE
from cardreader.web.texts import gettext as _

router = APIRouter(include_in_schema=False)
STATIC = Path(__file__).parents[1] / "static"


@router.get("/unsent")
def unsent(request: Request) -> Response:
    """Photos kept on this phone, and taking one with the server out of reach.

    Holds nothing of anybody: it is the one page that phones may keep.
    """
    response = page(
        request,
        "unsent.html",
        origins=json.dumps(known_origins(request.app.state.settings.data)),
        steps=STEPS,
        waste=WASTE[Source.PHOTO],
        drying_s=DRYING_S,
        drying_minutes=DRYING_S // 60,
    )
    # Its counterpart at another address of the register opens it, and the two must speak.
    response.headers["Cross-Origin-Opener-Policy"] = "unsafe-none"
    return response


@router.get("/sw.js")
def service_worker(request: Request) -> Response:
    """The service worker, at the top so that it covers every page."""
    text = (STATIC / "sw.js").read_text(encoding="utf-8").replace("@VERSION@", static_version())
    return Response(text, media_type="text/javascript", headers={"Cache-Control": "no-cache"})


@router.get("/manifest.webmanifest")
def manifest(request: Request) -> Response:
    """What the browser needs to install the pages as an app."""
    content = {
        "name": _("cardreader register"),
        "short_name": "cardreader",
        "lang": texts.current_language.get(),
        "start_url": "/",
        "scope": "/",
        "display": "standalone",
        "background_color": "#f5f1e8",
        "theme_color": "#12454a",
        "icons": [
            {"src": f"/static/icon-{size}.png", "sizes": f"{size}x{size}", "type": "image/png"}
            for size in (192, 512)
        ],
    }
    return Response(json.dumps(content), media_type="application/manifest+json")


@cache
def static_version() -> str:
    """Changes whenever a static file does, so that phones fetch them anew."""
    digest = hashlib.sha256()
    for path in sorted(STATIC.iterdir()):
        digest.update(path.name.encode() + path.read_bytes())
    return digest.hexdigest()[:12]
