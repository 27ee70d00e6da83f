"""Words in the visitor's language, through gettext catalogues.

Catalogues are ``locale/<language>/LC_MESSAGES/messages.po``, compiled when first
used, so that there is no compiled file to go stale. English is in the code.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from functools import cache
from gettext import GNUTranslations, NullTranslations
from io import BytesIO
from pathlib import Path

from babel import Locale
from babel.core import negotiate_locale
from babel.dates import format_date, format_datetime
from babel.messages.mofile import write_mo
from babel.messages.pofile import read_po
from babel.numbers import format_decimal, format_percent

LOCALE_FOLDER = Path(__file__).parent / "locale"
SOURCE_LANGUAGE = "en"
LAYOUT_TRIALS = frozenset({"ar", "hi"})
"""Languages that try the layout: another script, and one written from right to left. No
health worker has read them, so they are never chosen unless asked for, and say so."""
current_language: ContextVar[str] = ContextVar("current_language", default=SOURCE_LANGUAGE)


_OWN_NAMES = {"ar": "العربية", "en": "English", "fr": "Français", "hi": "हिन्दी"}
_DIRECTIONS = {"ar": "rtl", "en": "ltr", "fr": "ltr", "hi": "ltr"}
"""What Babel says; to ask it every start loads all that it knows of each language."""


@cache
def languages() -> dict[str, str]:
    """Language code -> its own name, for every catalogue and English."""
    codes = [SOURCE_LANGUAGE, *sorted(p.name for p in LOCALE_FOLDER.iterdir() if p.is_dir())]
    return {code: _OWN_NAMES.get(code) or own_name(code) for code in codes}


def own_name(code: str) -> str:
    """How a language calls itself, by Babel."""
    return (Locale(code).display_name or code).capitalize()


@cache
def catalogue(language: str) -> NullTranslations:
    """Compiled catalogue of a language; for English the words as they are."""
    path = LOCALE_FOLDER / language / "LC_MESSAGES" / "messages.po"
    if language == SOURCE_LANGUAGE or language not in languages():
        return NullTranslations()
    with path.open("rb") as file:
        messages = read_po(file, locale=language)
    if Locale(language).text_direction == "rtl":
        for message in messages:
            if message.id and message.string:
                message.string = _isolated(message.string)
    compiled = BytesIO()
    write_mo(compiled, messages)
    compiled.seek(0)
    return GNUTranslations(compiled)


_LEFT_TO_RIGHT, _FIRST_STRONG, _END = "\u2066", "\u2068", "\u2069"
_VALUE_WITH_UNIT = re.compile(r"(?:%\(\w+\)s|\d+(?:[.,]\d+)?)[ \u00a0](?:g/dL|%%?)(?!\w)|%\(\w+\)s")


def _isolated(text: str | tuple[str, ...] | list[str]) -> str | tuple[str, ...]:
    """What is filled in, with its unit, kept from being turned round among words right to left.

    Unicode's bidirectional algorithm (UAX #9) would set "9.0 g/dL" as "g/dL 9.0", and the
    code 12-KX as KX-12: a value with its unit is isolated left to right, all else by its own
    first letter.
    """
    if not isinstance(text, str):
        return tuple(str(_isolated(form)) for form in text)
    return _VALUE_WITH_UNIT.sub(
        lambda found: (
            (_FIRST_STRONG if found[0].endswith("s") else _LEFT_TO_RIGHT) + found[0] + _END
        ),
        text,
    )


def choose_language(wish: str | None, accept: str) -> str:
    """The language to use: a wish if we have it, else what the browser asks for.

    A layout trial only by wish: a phone set to that language gets words that were read.
    """
    if wish in languages():
        return str(wish)
    asked = [part.split(";")[0].strip() for part in accept[:200].split(",") if part.strip()]
    read = [code for code in languages() if code not in LAYOUT_TRIALS]
    return negotiate_locale(asked, read, sep="-") or SOURCE_LANGUAGE


def direction() -> str:
    """Which way the visitor's language is written: ``ltr`` or ``rtl``."""
    code = current_language.get()
    return _DIRECTIONS.get(code) or Locale(code).text_direction


@contextmanager
def on_paper() -> Iterator[None]:
    """English where the built-in fonts of PDF can't write the language's script."""
    language = current_language.get()
    token = current_language.set(SOURCE_LANGUAGE if language in LAYOUT_TRIALS else language)
    try:
        yield
    finally:
        current_language.reset(token)


def gettext(message: str) -> str:
    """``message`` in the visitor's language."""
    # The empty message is the catalogue's header, not a text.
    return catalogue(current_language.get()).gettext(message) if message else ""


def ngettext(one: str, many: str, n: int) -> str:
    """``one`` or ``many`` in the visitor's language, as ``n`` asks."""
    return catalogue(current_language.get()).ngettext(one, many, n)


def mark(message: str) -> str:
    """Mark a text for the catalogue where it is only looked up later."""
    return message


def number(value: float, digits: int = 1) -> str:
    """A number with a fixed count of decimals, as the visitor's language writes it."""
    pattern = "0." + "0" * digits if digits else "0"
    return format_decimal(value, format=pattern, locale=current_language.get())


def percent(share: float) -> str:
    """A share (0 to 1) in whole percent."""
    return format_percent(share, locale=current_language.get())


def day(value: dt.date) -> str:
    """A date, with the month in letters: 03/04 would be read two ways."""
    return format_date(value, "d MMM y", locale=current_language.get())


def moment(value: dt.datetime) -> str:
    """Date and time where this machine stands."""
    local = value.astimezone().replace(tzinfo=None)
    return format_datetime(local, "d MMM y, HH:mm", locale=current_language.get())


def month(value: dt.date) -> str:
    """A month in words."""
    return format_date(value, "MMMM y", locale=current_language.get())
