"""Bands, their chances and the ends of intervals, in the same words as the command line's."""

from __future__ import annotations

from typing import Any

from babel.numbers import format_decimal

from cardreader.result.astext import hundredths, interval_ends
from cardreader.web import texts
from cardreader.web.texts import gettext as _
from cardreader.web.texts import mark

BAND_TITLES = (
    mark("severe"),
    mark("moderate"),
    mark("mild"),
    mark("mild to moderate"),
    mark("not anaemic"),
)
"""Titles of the shipped protocols' bands; another protocol's stay as it words them."""


def chances(decision: dict[str, Any]) -> list[tuple[str, str]]:
    """Each band of a decision's JSON with the chance of it, in the visitor's language."""
    return [(band_words(band), chance_words(band["probability"])) for band in decision["bands"]]


def band_words(band: dict[str, Any]) -> str:
    """Title and limits: "mild to moderate, 7 to below 11 g/dL"."""
    title = band["title"]
    values = {"band": _(title)}
    values |= {
        name: format_decimal(band[key], locale=texts.current_language.get())
        for name, key in (("low", "from_g_dl"), ("below", "below_g_dl"))
        if band[key] is not None
    }
    if "low" not in values:
        return _("%(band)s, below %(below)s g/dL") % values
    if "below" not in values:
        return _("%(band)s, %(low)s g/dL or more") % values
    return _("%(band)s, %(low)s to below %(below)s g/dL") % values


def chance_words(probability: float) -> str:
    """A probability in words: "3 in 100"."""
    n = hundredths(probability)
    if n < 1:
        return _("under 1 in 100")
    if n > 99:
        return _("over 99 in 100")
    return _("%(n)s in 100") % {"n": n}


def low_end(low_g_dl: float) -> str:
    """The lower end of an interval, as the command line rounds it."""
    return texts.number(interval_ends(low_g_dl, low_g_dl)[0])


def high_end(high_g_dl: float) -> str:
    """The upper end of an interval, as the command line rounds it."""
    return texts.number(interval_ends(high_g_dl, high_g_dl)[1])
