"""What the register's own pages write into a photo that isn't the camera's file as it was.

A picture made smaller for a slow link, or the card's part of one, or one taken from the
camera's moving picture, says so in a JPEG comment; the reading says it on. Anybody can write
such a comment: it is told, and decides nothing.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

_REDUCED = re.compile(
    rb"cardreader-reduced/1 from=([1-9][0-9]{0,4})x([1-9][0-9]{0,4})"
    rb" quality=([1-9][0-9]?|100) sha256=([0-9a-f]{64}|unknown)"
)
_PART = re.compile(rb"cardreader-part/1 sha256=([0-9a-f]{64}|unknown)")
_FRAME = re.compile(rb"cardreader-frame/1 size=[1-9][0-9]{0,4}x[1-9][0-9]{0,4}")


@dataclass(frozen=True)
class Reduced:
    """A photo made smaller on the phone before it was sent.

    Attributes
    ----------
    from_size : (int, int)
        Width and height of the original in pixels, upright.
    quality : int
        Of the JPEG, 1 to 100.
    original_sha256 : str or None
        Of the original file's bytes; None where the phone couldn't tell.
    """

    from_size: tuple[int, int]
    quality: int
    original_sha256: str | None


@dataclass(frozen=True)
class CardPart:
    """The blocks of a JPEG in which the card lies, as they were; all others are flat.

    Attributes
    ----------
    original_sha256 : str or None
        Of the original file's bytes; None where the phone couldn't tell.
    """

    original_sha256: str | None


@dataclass(frozen=True)
class VideoFrame:
    """A photo that is one picture of the camera's moving ones."""


PhoneNote = Reduced | CardPart | VideoFrame


def phone_note(comment: object) -> PhoneNote | None:
    """What a JPEG's comment says, or None for any other comment and for none."""
    if not isinstance(comment, bytes):
        return None
    if _FRAME.fullmatch(comment):
        return VideoFrame()
    if (part := _PART.fullmatch(comment)) is not None:
        return CardPart(_sha256(part[1]))
    found = _REDUCED.fullmatch(comment)
    if found is None:
        return None
    width, height, quality, sha256 = found.groups()
    return Reduced((int(width), int(height)), int(quality), _sha256(sha256))


def original_sha256(data: bytes) -> str | None:
    """Of the picture as it was taken, where a JPEG tells that a smaller one was sent."""
    for pattern in (_PART, _REDUCED):
        if (found := pattern.search(data)) is not None:
            return _sha256(found.groups()[-1])
    return None


def _sha256(told: bytes) -> str | None:
    return None if told == b"unknown" else told.decode()
