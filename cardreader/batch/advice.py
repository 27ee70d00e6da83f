"""What to do about photos that gave no reading, in words, for each reason of the table."""

from __future__ import annotations

from cardreader.batch.score import Failure
from cardreader.core.refusal import ADVICE

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
