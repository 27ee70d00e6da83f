"""Photos of one blot, taken from different sides: told by a list or by their names, read as one."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace

from cardreader.batch.sources import ListedTwice, PhotoFile, SourceError, list_photos
from cardreader.core.oneline import one_line
from cardreader.decide.subject import Subject


def find_photos(sources: Iterable[str], subject: Subject | None = None) -> list[PhotoFile]:
    """All photos of the sources, in order of name; each name once, those of one blot joined.

    ``subject`` holds for photos about whom a list says nothing. SourceError
    for a source that can't be listed, with the reason in one line.
    """
    found: dict[str, PhotoFile] = {}
    twice = ListedTwice()
    for photo in list_photos(sources, subject):
        if found.setdefault(photo.name, photo) != photo:
            twice.add(photo)
    twice.must_be_none()
    return join_blots(found[name] for name in sorted(found))


def blot_pattern(text: str) -> re.Pattern[str]:
    """The pattern of names whose bracketed part says which blot; ValueError if it is none."""
    try:
        pattern = re.compile(text)
    except re.error as error:
        raise ValueError(f"{text!r} is no pattern: {error}") from None
    if pattern.groups == 0:
        raise ValueError(f"{text!r} has no part in brackets that says which blot")
    return pattern


def named_by(pattern: re.Pattern[str], photos: Iterable[PhotoFile]) -> Iterator[PhotoFile]:
    """The photos, each with the blot that its file's name says, unless a list said it.

    Only photos of one folder are of one blot: another village has its number 17 too.
    """
    for photo in photos:
        folder, slash, name = photo.name.rpartition("/")
        fits = pattern.search(name)
        if photo.blot is not None or fits is None:
            yield photo
        else:
            said = " ".join(part for part in fits.groups() if part)
            yield replace(photo, blot=f"{folder}{slash}{said}")


def join_blots(photos: Iterable[PhotoFile]) -> list[PhotoFile]:
    """The photos in their order, those of one blot joined at the place of the first."""
    by_blot: dict[str, list[PhotoFile]] = {}
    found = list(photos)
    for photo in found:
        if photo.blot is not None:
            by_blot.setdefault(photo.blot, []).append(photo)
    joined = {same[0].name: join(same) for same in by_blot.values()}
    return [
        joined.get(photo.name, photo)
        for photo in found
        if photo.blot is None or photo.name in joined
    ]


def join(same: Sequence[PhotoFile]) -> PhotoFile:
    """Photos of one blot, in order of name, as one; SourceError where they tell of two women
    or papers."""
    first, *others = same
    if not others:
        return first
    if any((photo.subject, photo.paper) != (first.subject, first.paper) for photo in others):
        raise SourceError(
            f"blot {one_line(first.blot or '')}: its photos are listed with different facts"
        )
    stamps = [photo.stamp for photo in same]
    known = "+".join(stamp for stamp in stamps if stamp is not None)
    return replace(
        first,
        stamp=None if None in stamps else hashlib.sha256(known.encode()).hexdigest(),
        size=None,
        beside=tuple(photo.name for photo in others),
    )
