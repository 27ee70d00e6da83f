"""What to do about photos that gave no reading, in words, for each reason of the table."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from enum import Enum

from cardreader.batch.score import Failure
from cardreader.core.refusal import ADVICE, Reason
from cardreader.decide.rule import MAY_HIDE_SEVERE, NO_PHOTO_HELPS

_FAILED: dict[str, str] = {
    Failure.CANT_OPEN: "The file can't be opened: it is not there any more, or this person may not "
    "read it. Put it right and give the same command again.",
    Failure.CRASHED: "The file brought the program down twice. Take the photo again.",
    Failure.TOO_SLOW: "The photo took too long. Take it again, or give more time by --timeout-s.",
    Failure.DEFECT: "A defect of this program: report it with the photo, and take another photo.",
}
_TOLD: dict[str, str] = {str(reason): words for reason, words in ADVICE.items()} | _FAILED


def advice_for(reason: str) -> str:
    """What the person with the phone, or with the files, can do about a ``reason``."""
    return _TOLD.get(reason, "")


class Remedy(Enum):
    """What is left to do about photos that gave no reading, the gravest first."""

    BLOOD_TEST = "send for a blood test: no other photo of such a card or paper gives a value"
    PALE = (
        "as pale and thin blood may look, and other spots do: refer her now if it is that; else "
        "make a new blot, or send for a blood test"
    )
    PHOTO = "photograph again, or send for a blood test"
    IN_DATE = (
        "photograph again beside a card that is in date, or send for a blood test; photos of days "
        "when theirs was in date are judged with --today"
    )
    LOT_FILE = (
        "of a card lot that no file describes: name the folder of its file by --lots, or send for "
        "a blood test"
    )
    FILE = (
        "can't be opened: put the file or its name right and give the same command again, or send "
        "for a blood test"
    )


_REMEDY: dict[str, Remedy] = {
    **dict.fromkeys(map(str, NO_PHOTO_HELPS), Remedy.BLOOD_TEST),
    **dict.fromkeys(map(str, MAY_HIDE_SEVERE), Remedy.PALE),
    Reason.LOT_EXPIRED: Remedy.IN_DATE,
    Reason.LOT_UNKNOWN: Remedy.LOT_FILE,
    Failure.CANT_OPEN: Remedy.FILE,
}


def remedies(reasons: Iterable[tuple[str, int]]) -> tuple[tuple[Remedy, int], ...]:
    """What is left to do, and about how many photos, for reasons and how many have each."""
    counted: Counter[Remedy] = Counter()
    for reason, count in reasons:
        counted[_REMEDY.get(reason, Remedy.PHOTO)] += count
    return tuple((remedy, counted[remedy]) for remedy in Remedy if counted[remedy])
