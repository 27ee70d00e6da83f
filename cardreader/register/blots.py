"""The blots of a visit: which photos stand for one, and which blots are in doubt."""

from __future__ import annotations

import datetime as dt
from typing import Any

from cardreader.decide.rule import MAY_HIDE_SEVERE, Outcome
from cardreader.register.dayvisits import members, result_of
from cardreader.register.history import counts
from cardreader.register.kinds import Source
from cardreader.register.models import Reading, Visit
from cardreader.register.samephoto import picture_of

SIDES = "same_blot"
"""In a reading's JSON: what each photo of the blot said alone, the newest first, where
several were read as one."""
MOST_SIDES = 4
"""Photos of one blot read as one, the newest ones; more take time and add nothing."""


def blots_of(visit: Visit) -> list[Reading]:
    """One read photo a blot, the newest that counts; the very same picture counts once.

    A blot whose photos contradict each other is not believed when it says that all is
    well. What it says that asks for a test stays: doubt takes no alarm away.
    """
    newest: dict[str, Reading] = {}
    for reading in sorted(visit.readings, key=entered_first):
        if counts(reading) and reading.source == Source.PHOTO:
            newest[blot_of(reading)] = reading
    doubted = {blot_of(r) for r in newest_photos(visit) if in_doubt(r)}
    believed = (
        reading
        for blot, reading in newest.items()
        if blot not in doubted or reading.band != Outcome.NOT_ANAEMIC
    )
    return list({picture_of(r): r for r in believed}.values())


def all_blots(visit: Visit) -> list[Reading]:
    """`blots_of` of all visits that are one with this, in the order they were entered."""
    found = {picture_of(r): r for one in members(visit) for r in blots_of(one)}
    return sorted(found.values(), key=entered_first)


def blot_numbers(visit: Visit) -> dict[str, int]:
    """Photo's id -> the number its blot is shown under, from 1 on, over all that is one visit."""
    photos = [r for one in members(visit) for r in one.readings if r.source == Source.PHOTO]
    numbers: dict[tuple[str | None, str], int] = {}
    for photo in sorted(photos, key=entered_first):
        numbers.setdefault((photo.visit_id, blot_of(photo)), len(numbers) + 1)
    return {photo.id: numbers[photo.visit_id, blot_of(photo)] for photo in photos}


def blot_of(reading: Reading) -> str:
    """Which blot of its visit a photo is of."""
    return reading.blot_id or f"number {reading.blot}"


def entered_first(reading: Reading) -> tuple[dt.datetime, str]:
    """To sort by: the same at every register."""
    return reading.entered_at, reading.id


def has_pale_blot(visit: Visit) -> bool:
    """Whether severe anaemia may lie behind some blot whose newest photo gave no value."""
    return any(may_hide_severe(r) for r in newest_photos(visit))


def earlier_sides(visit: Visit, sha256: str) -> list[Reading]:
    """Photos of the visit's last blot that another of it can be read with, newest first.

    Those that gave a colour, also one that lies beyond what can be read. A photo refused for
    its blot or before has nothing to add to one that is good.
    """
    last = last_photo(visit)
    found = [
        r
        for r in visit.readings
        if last is not None
        and blot_of(r) == blot_of(last)
        and r.set_aside_at is None
        and r.photo_sha256 != sha256
        and gave_colour(r)
    ]
    return sorted(found, key=lambda r: r.entered_at, reverse=True)[: MOST_SIDES - 1]


def gave_colour(reading: Reading) -> bool:
    """Whether a photo came as far as the blot's colour, whether or not that could be read."""
    return (reading.detail or {}).get("blot") is not None


def last_photo(visit: Visit) -> Reading | None:
    """The newest photo of a visit; None before the first."""
    photos = (r for r in visit.readings if r.blot is not None)
    return max(photos, key=entered_first, default=None)


def last_photographed(visit: Visit) -> Visit:
    """Of the visits that are one with this, the one with the newest photo."""
    found = [photo for one in members(visit) if (photo := last_photo(one)) is not None]
    newest = max(found, key=entered_first, default=None)
    return visit if newest is None or newest.visit is None else newest.visit


def last_blot(visit: Visit) -> int:
    """Number of the visit's last blot, 0 before the first."""
    return max((r.blot or 0 for r in visit.readings), default=0)


def sides_of(reading: Reading) -> list[dict[str, Any]]:
    """What each photo of a blot said alone, the newest first; empty for a photo by itself."""
    sides: list[dict[str, Any]] = (reading.detail or {}).get(SIDES) or []
    return sides


def in_doubt(reading: Reading) -> bool:
    """Whether a photo could be read alone, and not together with the others of its blot."""
    sides = sides_of(reading)
    return reading.refusal is not None and bool(sides) and sides[0]["hb_g_dl"] is not None


def doubted_by(reading: Reading) -> Reading | None:
    """The photo that contradicts a reading which said that all is well; None if it stands."""
    if reading.visit is None or reading.band != Outcome.NOT_ANAEMIC or not counts(reading):
        return None
    newest = (r for r in newest_photos(reading.visit) if blot_of(r) == blot_of(reading))
    return next((r for r in newest if in_doubt(r)), None)


def believed_band(reading: Reading) -> str | None:
    """What a reading says by itself, for other systems: no all-clear that is in doubt."""
    return Outcome.UNCERTAIN.value if doubted_by(reading) else reading.band


def decision_of(reading: Reading) -> dict[str, Any]:
    """The decision that a reading stands for: that of all its visit's blots, if it counts."""
    detail = reading.detail or {}
    if reading.source == Source.PHOTO and counts(reading) and reading.visit is not None:
        doubting = doubted_by(reading)
        detail = result_of(reading.visit).result or (doubting and doubting.detail) or detail
    decision: dict[str, Any] = detail["decision"]
    return decision


def may_hide_severe(reading: Reading) -> bool:
    """Whether severe anaemia may lie behind a photo that gave no value.

    It looked as a very pale blot does, or one photo of a blot in doubt said severe.
    """
    severe = any(side["outcome"] == Outcome.SEVERE for side in sides_of(reading))
    return reading.refusal in MAY_HIDE_SEVERE or (reading.refusal is not None and severe)


def newest_photos(visit: Visit) -> list[Reading]:
    """The newest photo of each blot, read or refused."""
    newest: dict[str, Reading] = {}
    for reading in sorted(visit.readings, key=entered_first):
        if reading.source == Source.PHOTO and reading.set_aside_at is None:
            newest[blot_of(reading)] = reading
    return list(newest.values())
