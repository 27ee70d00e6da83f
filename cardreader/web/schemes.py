"""The colours of the pages that a phone may choose."""

from __future__ import annotations

from cardreader.web.texts import mark

SCHEMES = {
    "": mark("As the phone"),
    "light": mark("Light"),
    "dark": mark("Dark"),
    "strong": mark("Strong, for sun"),
}
"""What there is to choose from; see static/schemes.css."""

SCHEME_COOKIE = "scheme"
