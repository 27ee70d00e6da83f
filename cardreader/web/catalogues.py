"""Keeping the catalogues: collect every text, bring the .po files up to date, check them.

``python -m cardreader.web.catalogues`` brings them up to date; translators then fill in
what is empty. With ``--check`` it changes nothing, tells every fault and ends with 1 if
there is one; the tests run the same check.
"""

from __future__ import annotations

import re
import sys
from collections.abc import Mapping
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path
from typing import Any

from babel.messages.catalog import Catalog, Message
from babel.messages.extract import extract
from babel.messages.pofile import read_po, write_po

from cardreader.core.files import write_atomic
from cardreader.core.refusal import ADVICE
from cardreader.decide.protocolfile import load_protocol, shipped_protocols
from cardreader.decide.statements import TEXT
from cardreader.web.render import TEMPLATES
from cardreader.web.texts import LAYOUT_TRIALS, LOCALE_FOLDER, SOURCE_LANGUAGE, languages

SOURCES = Path(__file__).parent
_NAMED = re.compile(r"%\((\w+)\)[sd]|\{\w+\}")
KEYWORDS = {"_": None, "gettext": None, "ngettext": (1, 2), "mark": None}


def collect() -> Catalog:
    """Every text that a person can see, with the places it comes from."""
    catalogue = Catalog(project="cardreader", charset="utf-8")
    for path in sorted(SOURCES.rglob("*.py")):
        _add(catalogue, path, "python", {})
    for path in sorted(TEMPLATES.glob("*.html")):
        _add(catalogue, path, "jinja2", {"newstyle_gettext": "true", "trimmed": "false"})
    tables = SOURCES.parent / "register" / "labtable.py"
    _add(catalogue, tables, "python", {}, {"RowProblem": (3,), "_RowError": (2,)})
    # A programme's own words are shown as it wrote them; those that ship are translated.
    for name in shipped_protocols():
        counsel = load_protocol(name).tell_her
        for text in (*counsel.tablets, *counsel.food):
            catalogue.add(text, locations=[(f"calibration/protocols/{name}.toml", 0)])
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


def updated(language: str, texts: Catalog) -> bytes:
    """The catalogue brought up to date with the texts, as its file should read."""
    catalogue = read_catalogue(language)
    catalogue.update(texts, no_fuzzy_matching=True)
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
    return _header(language, catalogue.plural_forms).encode() + out.getvalue()


def _header(language: str, plural_forms: str) -> str:
    """The header; its rule for plurals stays as the file has it, for which its forms were written.

    The rule that babel would give is only a new catalogue's start: it changes with babel's version.
    """
    lines = (
        *(("X-Layout-Trial: not read by a health worker",) if language in LAYOUT_TRIALS else ()),
        "Content-Type: text/plain; charset=utf-8",
        "Content-Transfer-Encoding: 8bit",
        f"Language: {language}",
        f"Plural-Forms: {plural_forms}",
    )
    return 'msgid ""\nmsgstr ""\n' + "".join(f'"{line}\\n"\n' for line in lines) + "\n"


@dataclass(frozen=True)
class Fault:
    """What is wrong with one text of a catalogue."""

    text: str
    what: str


def faults(catalogue: Catalog, texts: Catalog) -> list[Fault]:
    """Everything that would show a wrong text, or none: missing, fuzzy, broken placeholders.

    Formats and plural forms are checked by babel; what babel lets pass by ours: a named
    placeholder lost or made up, one in a plain text.
    """
    found = []
    for message in texts:
        if not message.id:
            continue
        there = catalogue.get(message.id, message.context)
        key = _key(message)
        if there is None or not _full(there.string):
            found.append(Fault(key, "has no translation"))
        elif there.fuzzy:
            found.append(Fault(key, "is marked fuzzy"))
        elif wrong := _placeholders(there):
            found.append(Fault(key, f"placeholders differ: {wrong}"))
    for message, errors in catalogue.check():
        found += [Fault(_key(message), str(error)) for error in errors]
    known = {_key(message) for message in texts}
    found += [Fault(_key(m), "is no text any more") for m in catalogue if _key(m) not in known]
    return found


def _key(message: Message) -> str:
    return str(message.id if isinstance(message.id, str) else message.id[0])


def _placeholders(message: Message) -> str:
    """Placeholders in only one of text and translation; of a plural, in none of its forms."""
    ids = [message.id] if isinstance(message.id, str) else list(message.id)
    wanted = {name for text in ids for name in _NAMED.findall(text)}
    strings = [message.string] if isinstance(message.string, str) else list(message.string or ())
    forms = [set(_NAMED.findall(text)) for text in strings]
    made_up = {name for form in forms for name in form} - wanted
    # A language may say "one day" or "two days" without the number; the last form is the many.
    lost = wanted - forms[-1]
    return ", ".join(sorted(made_up | lost))


def _check() -> int:
    texts = collect()
    count = 0
    for language in _others():
        for fault in faults(read_catalogue(language), texts):
            count += 1
            print(f"{language}: {fault.text!r}: {fault.what}")
    print(f"{count} faults in {', '.join(_others())}")
    return int(count > 0)


def _others() -> list[str]:
    return [language for language in languages() if language != SOURCE_LANGUAGE]


def main(arguments: list[str]) -> int:
    """Bring every catalogue up to date and say what lacks a translation; or only check."""
    if arguments == ["--check"]:
        return _check()
    texts = collect()
    for language in _others():
        write_atomic(catalogue_path(language), updated(language, texts))
        lacking = [m.id for m in read_catalogue(language) if m.id and not _full(m.string)]
        print(f"{language}: {len(lacking)} texts lack a translation")
    return 0


def _full(string: str | tuple[str, ...] | list[str] | None) -> bool:
    return all(string) if isinstance(string, tuple | list) else bool(string)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
