"""Rendering pages: one environment, one function."""

from __future__ import annotations

from collections import defaultdict
from functools import cache
from pathlib import Path
from time import time
from typing import Any

from fastapi import Request
from jinja2 import Environment, FileSystemLoader, StrictUndefined
from starlette.responses import HTMLResponse, RedirectResponse

from cardreader.register.kinds import Role
from cardreader.web import bandwords, texts
from cardreader.web.lookwords import look_words
from cardreader.web.schemes import SCHEME_COOKIE, SCHEMES
from cardreader.web.texts import mark
from cardreader.web.troublewords import readable_words

TEMPLATES = Path(__file__).parent / "templates"

NOTICES = {
    "saved": mark("Saved."),
    "entered": mark("Entered."),
    "signed-out": mark("You are signed out."),
    "not-kept": mark(
        "You had been signed out: what you just sent was not kept. Sign in and enter it again."
    ),
    "undone": mark("Taken back. It no longer counts."),
    "pin-set": mark("The PIN is set for this phone."),
    "pin-removed": mark("The PIN is taken away."),
    "removed": mark("Her record is deleted."),
    "set-aside": mark("Set aside. It no longer counts."),
    "fitting": mark("The fit has begun. This page shows what comes of it."),
    "in-use": mark("It is in use from now on. Kept readings are being judged again."),
    "seen-to": mark("Noted as seen to."),
    "password": mark("The password is changed. Sign in again."),
}
"""Notes shown once after a redirect; the address carries only the code."""


@cache
def environment() -> Environment:
    """The template environment."""
    env = Environment(
        loader=FileSystemLoader(TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        extensions=["jinja2.ext.i18n"],
    )
    env.install_gettext_callables(texts.gettext, texts.ngettext, newstyle=True)  # type: ignore[attr-defined]
    env.filters.update(
        number=texts.number,
        day=texts.day,
        moment=texts.moment,
        percent=texts.percent,
        month=texts.month,
        low_end=bandwords.low_end,
        high_end=bandwords.high_end,
        # For words that Python holds: looked up, not marked, at the place of use.
        translated=texts.gettext,
    )
    env.globals.update(Role=Role, look_words=look_words, readable_words=readable_words)
    return env


def page(request: Request, template: str, status: int = 200, **values: Any) -> HTMLResponse:
    """A whole page."""
    visitor = getattr(request.state, "visitor", None)
    # A field not typed in yet is empty, not a mistake of the template.
    values["values"] = defaultdict(str, values.get("values", {}))
    html = (
        environment()
        .get_template(template)
        .render(
            **{
                "visitor": visitor,
                "now_ms": round(1000 * time()) if visitor else 0,
                "register": request.app.state.shared.identity() if visitor else "",
                "csrf": visitor.csrf if visitor else "",
                "direction": texts.direction(),
                "scheme": _scheme(request),
                "schemes": SCHEMES,
                "lang": texts.current_language.get(),
                "trials": texts.LAYOUT_TRIALS,
                "languages": texts.languages(),
                "place": request.app.state.settings.place,
                "path": request.url.path,
                "notice": NOTICES.get(request.query_params.get("note", "")),
                "problems": {},
                **values,
            }
        )
    )
    return HTMLResponse(html, status)


def _scheme(request: Request) -> str:
    """The colours chosen on this phone; empty where they follow its own setting."""
    wish = request.cookies.get(SCHEME_COOKIE, "")
    return wish if wish in SCHEMES else ""


def go(path: str, note: str | None = None) -> RedirectResponse:
    """Redirect after a form; ``note`` is a code of ``NOTICES``."""
    return RedirectResponse(path if note is None else f"{path}?note={note}", 303)
