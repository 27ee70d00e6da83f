"""One name spelt in two ways: capitals, spaces and leading zeros come and go in a spreadsheet."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Iterator


def spelling_key(text: str) -> str:
    """What two spellings of one name have in common: W01 is w01, "W 1" and W-001.

    A mark between two digits stays, so that 1-11 is not 11-1.
    """
    plain = unicodedata.normalize("NFKC", text).casefold()
    joined = re.sub(r"(?<=\d)[\s_-]+(?=\d)", "-", plain)
    marks_off = re.sub(r"[\s_]+|(?<!\d)-+|-+(?!\d)", "", joined)
    return re.sub(r"(?<!\d)0+(?=\d)", "", marks_off)


def other_spellings(rows: Iterable[tuple[int, str]]) -> Iterator[tuple[int, str, int, str]]:
    """Rows whose name an earlier row spells otherwise: row, name, that row, that name."""
    first: dict[str, tuple[int, str]] = {}
    for row, name in rows:
        before, spelt = first.setdefault(spelling_key(name), (row, name))
        if spelt != name:
            yield row, name, before, spelt
