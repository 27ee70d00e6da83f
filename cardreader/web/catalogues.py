"""Keeping the catalogues: collect every text and bring the .po files up to date.

``python -m cardreader.web.catalogues`` does it; translators then fill in what is
empty. A test fails while a text lacks its translation.
"""

from __future__ import annotations

from collections.abc import Mapping
from io import BytesIO
from pathlib import Path
from typing import Any

from babel.messages.catalog import Catalog
from babel.messages.extract import extract
from babel.messages.pofile import read_po, write_po

from cardreader.core.files import write_atomic
from cardreader.core.refusal import ADVICE
from cardreader.decide.statements import TEXT
from cardreader.web.render import TEMPLATES
from cardreader.web.texts import LOCALE_FOLDER, SOURCE_LANGUAGE, languages

SOURCES = Path(__file__).parent
KEYWORDS = {"_": None, "gettext": None, "ngettext": (1, 2), "mark": None}


def collect() -> Catalog:
    """Every text that a person can see, with the places it comes from."""
    catalogue = Catalog(project="cardreader", charset="utf-8")
    for path in sorted(SOURCES.rglob("*.py")):
        _add(catalogue, path, "python", {})
    for path in sorted(TEMPLATES.glob("*.html")):
        _add(catalogue, path, "jinja2", {"newstyle_gettext": "true", "trimmed": "false"})
    tables = SOURCES.parent / "register" / "tables.py"
    _add(catalogue, tables, "python", {}, {"RowProblem": (3,), "_RowError": (2,)})
    # The reader's own words live where they belong; here they are only looked up.
    for name, words in (("statements", TEXT), ("refusal", ADVICE)):
        for text in words.values():
            catalogue.add(text, locations=[(f"cardreader/{name}.py", 0)])
    return catalogue


def _add(
    catalogue: Catalog,
    path: Path,
    method: str,
    options: dict[str, str],
    keywords: Mapping[str, Any] = KEYWORDS,
) -> None:
    place = path.relative_to(SOURCES.parents[1]).as_posix()
    with path.open("rb") as file:
        for _line, message, _comments, context in extract(
            method, file, keywords=keywords, options=options
        ):
            # Without line numbers: they would change the file with every edit.
            catalogue.add(message, locations=[(place, 0)], context=context)


def read_catalogue(language: str) -> Catalog:
    """The catalogue of a language as it lies in its file."""
    with catalogue_path(language).open("rb") as file:
        return read_po(file, locale=language)


def catalogue_path(language: str) -> Path:
    """Where a language's catalogue lies."""
    return LOCALE_FOLDER / language / "LC_MESSAGES" / "messages.po"


def updated(language: str) -> bytes:
    """The catalogue brought up to date with the texts, as its file should read."""
    catalogue = read_catalogue(language)
    catalogue.update(collect(), no_fuzzy_matching=True)
    catalogue.obsolete.clear()
    # The header's dates would make every run a change.
    catalogue.mime_headers = [
        (name, value) for name, value in catalogue.mime_headers if "date" not in name.lower()
    ]
    out = BytesIO()
    write_po(
        out,
        catalogue,
        sort_output=True,
        ignore_obsolete=True,
        omit_header=True,
        include_lineno=False,
        width=98,
    )
    return _header(language).encode() + out.getvalue()


def _header(language: str) -> str:
    plural = {"fr": "nplurals=2; plural=(n > 1);"}.get(language, "nplurals=2; plural=(n != 1);")
    lines = (
        "Content-Type: text/plain; charset=utf-8",
        "Content-Transfer-Encoding: 8bit",
        f"Language: {language}",
        f"Plural-Forms: {plural}",
    )
    return 'msgid ""\nmsgstr ""\n' + "".join(f'"{line}\\n"\n' for line in lines) + "\n"


def main() -> None:
    """Bring every catalogue up to date and say what lacks a translation."""
    for language in languages():
        if language == SOURCE_LANGUAGE:
            continue
        write_atomic(catalogue_path(language), updated(language))
        lacking = [m.id for m in read_catalogue(language) if m.id and not _full(m.string)]
        print(f"{language}: {len(lacking)} texts lack a translation")


def _full(string: str | tuple[str, ...] | list[str] | None) -> bool:
    return all(string) if isinstance(string, tuple | list) else bool(string)


if __name__ == "__main__":
    main()
