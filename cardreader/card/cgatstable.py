"""CGATS.17 text split into its parts: keywords, fields and rows, each with its line.

The form as measuring software varies it: tabs or spaces, quotes, comments, field order,
extra fields and keywords. What a lot makes of the parts is in `cgats`.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import date
from itertools import islice
from typing import NoReturn

MAX_BYTES = 2**20
"""A lot with spectra every nanometre stays under 400 kB; larger is no lot file."""
MAX_FIELDS = 1_000
MAX_ROWS = 1_000

_SINGLE = ("LOT_NUMBER", "EXPIRES", "BASIS")
"""Keywords of which a lot file has one."""


class LotFileError(ValueError):
    """A lot file that can't be used; the message is one line and names the place."""


Row = tuple[int, list[str]]
"""A row of values and the line it stands on."""


@dataclass
class CgatsTable:
    """The one table of a CGATS text; every item remembers its line."""

    keywords: dict[str, list[tuple[int, str]]] = field(default_factory=dict)
    keyword_lines: int = 0
    fields: list[str] = field(default_factory=list)
    fields_line: int = 0
    rows: list[Row] = field(default_factory=list)
    last_line: int = 0

    def keyword(self, name: str, pattern: str) -> str:
        """The first value of a keyword, all of whose values must match ``pattern``."""
        if name not in self.keywords:
            raise LotFileError(f"keyword {name} is missing")
        for line, value in self.keywords[name]:
            if re.fullmatch(pattern, value, re.IGNORECASE) is None:
                fail(line, f"{name} can't be {value[:40]!r}")
        return self.keywords[name][0][1]

    def day(self, name: str) -> date:
        """A keyword's ISO 8601 date."""
        value = self.keyword(name, r"[0-9]{4}-[0-9]{2}-[0-9]{2}")
        try:
            return date.fromisoformat(value)
        except ValueError:
            fail(self.keywords[name][0][0], f"{name} {value} is no day of the calendar")

    def free_text(self, name: str) -> str:
        """Text for people: shortened and made plain rather than refused."""
        text = " ".join(value for _, value in self.keywords.get(name, []))
        plain = text[:200].encode("ascii", "replace").decode().replace('"', "'")
        return "".join(c if c.isprintable() else " " for c in plain).strip()

    def columns(self, names: tuple[str, ...]) -> list[int] | None:
        """Where fields that belong together stand; None where there is none of them."""
        present = [name for name in names if name in self.fields]
        if not present:
            return None
        if len(present) < len(names):
            fail(self.fields_line, f"fields {', '.join(names)} belong together")
        return [self.fields.index(name) for name in names]


def split_cgats(text: str) -> CgatsTable:
    """The parts of a CGATS text; LotFileError names the line that isn't one."""
    if len(text) > MAX_BYTES:
        raise LotFileError(f"larger than {MAX_BYTES} characters")
    table = CgatsTable()
    part: _Part = _first
    for number, line in enumerate(re.split(r"\r\n|\r|\n", text.removeprefix("\ufeff")), 1):
        if words := _words(line, number):
            table.last_line = number
            part = part(table, number, words)
    if part is not _done:
        fail(table.last_line, "the file ends before END_DATA")
    _check_counts(table)
    return table


def fail(line: int, message: str) -> NoReturn:
    """Raise LotFileError that names the line."""
    raise LotFileError(f"line {line}: {message}")


_WORD = re.compile(r'"([^"]*)"|([^\s"#]+)|(#)|(")')
_SHEET = re.compile(r"(CGATS|ISO|IT8|CTI)[A-Z0-9./_-]*", re.IGNORECASE)


def _words(line: str, number: int) -> list[str]:
    """Words and quoted strings of a line, up to a comment; of very many, only the first."""
    out = []
    for match in islice(_WORD.finditer(line), MAX_FIELDS + 1):
        quoted, plain, comment, unended = match.groups("")
        if comment:
            break
        if unended:
            fail(number, "a quoted string does not end")
        out.append(quoted or plain)
    return out


# Each part of the text takes a line into the table and says which part the next belongs to.

_Part = Callable[[CgatsTable, int, list[str]], "_Part"]


def _first(table: CgatsTable, line: int, words: list[str]) -> _Part:
    if _SHEET.fullmatch(words[0]) is None:
        fail(line, "the file does not begin as CGATS text does (CGATS.17)")
    return _header


def _header(table: CgatsTable, line: int, words: list[str]) -> _Part:
    name = words[0]
    if name == "BEGIN_DATA_FORMAT":
        if table.fields:
            fail(line, "a second BEGIN_DATA_FORMAT; a lot file holds one table")
        table.fields_line = line
        return _format
    if name == "BEGIN_DATA":
        if not table.fields:
            fail(line, "BEGIN_DATA before the fields are named")
        return _data
    table.keyword_lines += 1
    if table.keyword_lines > MAX_ROWS:
        fail(line, f"more than {MAX_ROWS} keywords")
    if name != "KEYWORD":
        if name in table.keywords and name in _SINGLE:
            fail(line, f"{name} is given twice")
        table.keywords.setdefault(name, []).append((line, " ".join(words[1:]).strip()))
    return _header


def _format(table: CgatsTable, line: int, words: list[str]) -> _Part:
    if words[0] == "END_DATA_FORMAT":
        return _header
    table.fields += words
    if len(table.fields) > MAX_FIELDS:
        fail(line, f"more than {MAX_FIELDS} fields")
    return _format


def _data(table: CgatsTable, line: int, words: list[str]) -> _Part:
    if words[0] == "END_DATA":
        return _done
    if len(words) != len(table.fields):
        fail(line, f"{len(words)} values for {len(table.fields)} fields")
    table.rows.append((line, words))
    if len(table.rows) > MAX_ROWS:
        fail(line, f"more than {MAX_ROWS} rows")
    return _data


def _done(table: CgatsTable, line: int, words: list[str]) -> _Part:
    fail(line, "text after END_DATA; a lot file holds one table")


def _check_counts(table: CgatsTable) -> None:
    for keyword, found in (
        ("NUMBER_OF_FIELDS", len(table.fields)),
        ("NUMBER_OF_SETS", len(table.rows)),
    ):
        if keyword in table.keywords:
            stated = table.keyword(keyword, r"[0-9]{1,6}")
            if int(stated) != found:
                fail(table.keywords[keyword][0][0], f"{keyword} says {stated}, found {found}")
    doubled = {f for f in table.fields if table.fields.count(f) > 1}
    if doubled:
        fail(table.fields_line, f"field {min(doubled)} is named twice")
