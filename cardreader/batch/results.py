"""Outcomes of a run to the results of the table: doubles marked, damage told."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace

from cardreader.batch.columns import COLUMNS, NAME, NUMBER, TEXT, TRUTH, WHOLE, Result
from cardreader.batch.packed import DamagedError
from cardreader.batch.score import Failure, Outcome, Trouble, unpack_reading
from cardreader.batch.sources import PhotoFile
from cardreader.decide.rule import Outcome as Decided
from cardreader.hb.plausible import HIGHEST_HB_G_DL

First = Callable[[str, str], str | None]
"""Called with a content and a photo's name: who had that content before, if anybody."""


def results_of(
    found: Iterable[tuple[PhotoFile, Outcome]], first: First | None = None
) -> Iterator[Result]:
    """Results of outcomes, those of the same content marked after the first.

    ``first`` remembers contents elsewhere than in memory.
    """
    first = first or _remembered()
    for photo, outcome in found:
        sha256 = outcome.sha256
        result = Result(
            photo,
            sha256,
            reading=None,
            trouble=outcome.trouble,
            duplicate_of=None if sha256 is None else first(sha256, photo.name),
        )
        yield result if outcome.reading is None else _with_reading(result, outcome.reading)


def _remembered() -> First:
    names: dict[str, str] = {}

    def first(sha256: str, name: str) -> str | None:
        earlier = names.setdefault(sha256, name)
        return None if earlier == name else earlier

    return first


def _with_reading(result: Result, kept: bytes) -> Result:
    """The result with its reading; failed where the journal holds what no reading can be."""
    try:
        found = replace(result, reading=unpack_reading(kept))
    except DamagedError:
        found = result
    if found.reading is not None and _is_reading(found):
        return found
    return replace(result, trouble=Trouble(Failure.DEFECT, _DAMAGED, result.sha256))


_DAMAGED = "the reading kept of this photo is damaged: remove the journal and run again"
_TYPES = {TEXT: (str,), NAME: (str,), NUMBER: (int, float), WHOLE: (int,), TRUTH: (bool,)}
_LARGEST = 1e12
_OUTCOMES = frozenset((None, *Decided))
_MUST = {
    "read": ("hb_g_dl", "hb_low_g_dl", "hb_high_g_dl", "p_severe", "p_anaemic", "outcome"),
    "refused": ("reason",),
}


def _is_reading(result: Result) -> bool:
    """Whether every column gets a value of its kind, and those that a reading must have."""
    try:
        cells = result.cells
    except (AttributeError, KeyError, TypeError, IndexError):
        return False
    must = _MUST.get(str(cells["status"]))
    if must is None or any(cells[name] is None for name in must):
        return False
    if not all(_is_of_kind(cells[column.name], column.kind) for column in COLUMNS):
        return False
    if cells["outcome"] not in _OUTCOMES:
        return False
    return cells["hb_g_dl"] is None or 0 < cells["hb_g_dl"] <= HIGHEST_HB_G_DL


def _is_of_kind(value: object, kind: str) -> bool:
    if value is None:
        return True
    if type(value) not in _TYPES[kind]:
        return False
    return not isinstance(value, int | float) or abs(value) < _LARGEST
