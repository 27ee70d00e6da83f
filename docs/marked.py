"""Pages of which a part between two marks is made by a program, and the rest written by hand."""

from __future__ import annotations


def marks(name: str) -> tuple[str, str]:
    """What stands before a part and after it."""
    return f"<!-- {name}: begin -->", f"<!-- {name}: end -->"


def with_part(page: str, name: str, text: str) -> str:
    """The page with ``text`` between its marks of that name, whatever stood there.

    ValueError where a mark is missing or stands twice.
    """
    begin, end = marks(name)
    if page.count(begin) != 1 or page.count(end) != 1 or page.index(end) < page.index(begin):
        raise ValueError(f"the page needs one mark {begin!r} and one {end!r} after it")
    return f"{page.partition(begin)[0]}{begin}\n{text}\n{end}{page.partition(end)[2]}"
