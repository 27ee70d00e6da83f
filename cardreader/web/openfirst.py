"""What heads the page of a reading that says less than what is open of her.

Who is on the severe list, was sent for a test, or was found anaemic is never met by a page whose
first words call her well: a good photo takes nobody off a list and undoes no earlier value, and a
laboratory's blood that was drawn before a reading can't answer it.
"""

from __future__ import annotations

from dataclasses import dataclass

from cardreader.decide.rule import Outcome
from cardreader.decide.statements import TEXT, Statement
from cardreader.register.blots import decision_of
from cardreader.register.history import Measurement, as_referred, pressing, rank, standing
from cardreader.register.kinds import Source
from cardreader.register.models import Reading
from cardreader.register.openreferrals import open_referrals, rests_on_mistakes
from cardreader.web.texts import mark
from cardreader.web.words import alone_words, point_words, rank_of, referral_title

ON_SEVERE_LIST = mark("On the severe list")
_INSTEAD = {
    TEXT[code]
    for code in (
        Statement.CONFIRM_AT_FACILITY,
        Statement.CONFIRM_AS_PROTOCOL,
        Statement.REFER_NOW,
    )
}


@dataclass(frozen=True)
class OpenFirst:
    """Texts are English, translated where shown. ``alone``: what the reading says by itself.

    ``rank`` is that of `words.Said`. ``before``: an earlier value that stands, where no referral
    and no list says more.
    """

    title: str
    serious: bool
    alone: str
    rank: int
    actions: tuple[str, ...]
    before: Measurement | None = None


def open_first(
    reading: Reading, actions: tuple[str, ...] = (), alone: str | None = None
) -> OpenFirst | None:
    """What is open, where the reading alone would call her well, or less ill than she may be.

    ``actions`` and ``alone`` are the reading's own, if it is said otherwise than by itself.
    """
    woman, decision = reading.woman, decision_of(reading)
    said = Outcome(decision["outcome"])
    if said is Outcome.NOT_READ:
        return None
    referral = next(iter(open_referrals(woman)), None)
    severe = woman.closed_on is None and standing(as_referred(woman)).severe
    serious = severe or (referral is not None and referral.urgent)
    # A screening result that is not clear says for itself what is to be done.
    least = Outcome.SEVERE if reading.source == Source.LAB and serious else Outcome.UNCERTAIN
    if rank(said) >= rank(least):
        return None
    alone = alone or alone_words(reading)
    if referral is None and not severe:
        return _anaemic_before(reading, actions, alone)
    title = ON_SEVERE_LIST if referral is None else referral_title(referral)
    outcome = Outcome.SEVERE if serious else Outcome.ANAEMIC
    if referral is None or severe or not rests_on_mistakes(referral):
        actions = _what_to_do(serious, actions)
    return OpenFirst(title, serious, alone, rank_of(outcome), actions)


def _what_to_do(serious: bool, actions: tuple[str, ...]) -> tuple[str, ...]:
    """What is open asks before what the reading does; who is sent at once is not told it twice."""
    others = [text for text in actions if text not in _INSTEAD]
    if serious:
        others = [text for text in others if text != TEXT[Statement.DANGER_SIGNS]]
    return (TEXT[Statement.REFER_NOW if serious else Statement.CONFIRM_AT_FACILITY], *others)


def _anaemic_before(reading: Reading, actions: tuple[str, ...], alone: str) -> OpenFirst | None:
    """An earlier value that a clear reading leaves as it is: only a laboratory's takes it back."""
    said = Outcome(decision_of(reading)["outcome"])
    if said is not Outcome.NOT_ANAEMIC or reading.woman.closed_on is not None:
        return None
    stands = standing(as_referred(reading.woman)).foremost
    if stands is None or not pressing(stands):
        return None
    rank = rank_of(stands.outcome)
    return OpenFirst(point_words(stands), False, alone, rank, actions, before=stands)
