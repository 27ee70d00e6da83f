"""What is open of a woman's referrals, and what stands about each. Nothing is written here."""

from __future__ import annotations

import datetime as dt

from cardreader.decide.followuprules import FollowUpRules, OutcomeRule
from cardreader.decide.rule import Outcome
from cardreader.register.asking import answered, asking, last_result, unread
from cardreader.register.base import local_day
from cardreader.register.events import standing_events
from cardreader.register.history import Measurement, certain_at, measurements, rank
from cardreader.register.kinds import EventKind, Purpose, ReferralOutcome
from cardreader.register.models import Event, Referral, Woman

NEAR_DAYS = 30
"""So long before a reading a laboratory result may be taken for its answer: the two are held
against each other (invented)."""


TELLABLE = (
    ReferralOutcome.WENT,
    ReferralOutcome.REFUSED,
    ReferralOutcome.NO_LABORATORY,
    ReferralOutcome.DIED,
)
"""Outcomes that whoever asked after her can tell."""


def open_referrals(woman: Woman) -> list[Referral]:
    """Her open referrals, the most urgent first."""
    found = [referral for referral in woman.referrals if referral.closed_at is None]
    return sorted(found, key=lambda r: (not r.urgent, r.opened_at, r.id))


def sent_for(woman: Woman) -> list[tuple[Referral, list[Referral]]]:
    """What she is sent for, the most urgent first; each with its doubles.

    Two registers, or two records that were joined, may each have opened one for the same before
    they met. One blood test answers both, so the first stands for them all.
    """
    of_purpose: dict[str, list[Referral]] = {}
    for referral in open_referrals(woman):
        of_purpose.setdefault(referral.purpose, []).append(referral)
    return [(first, doubles) for first, *doubles in of_purpose.values()]


def doubles_of(referral: Referral) -> list[Referral]:
    """The doubles of an open referral that stands for them; none of one that is a double."""
    return next((doubles for first, doubles in sent_for(referral.woman) if first is referral), [])


def by_hand(referral: Referral) -> bool:
    """Whether the worker sent her without any reading."""
    return referral.band == Outcome.NOT_READ and referral.opening_reading_id is None


def read_at(referral: Referral) -> dt.datetime:
    """When what a referral speaks of was read.

    Later than it was opened where a newer value brought it up to date.
    """
    woman = referral.woman
    told = (referral.hb_g_dl, referral.source)
    times = [p.at for p in measurements(woman) if (p.hb_g_dl, p.source) == told]
    if referral.band == Outcome.NOT_READ and not by_hand(referral):
        times = [r.taken_at for r in unread(woman)]
    return max(times, default=referral.opened_at)


def unanswering(referral: Referral) -> Measurement | None:
    """The laboratory result that says less than an open referral for a test, and leaves it open.

    It is of blood drawn before, or contradicts what was read and nobody was asked. None where
    there is none, or the newest is too old to be taken for an answer.
    """
    if referral.closed_at is not None or referral.purpose != Purpose.TEST:
        return None
    result = last_result(referral.woman)
    near = dt.timedelta(days=NEAR_DAYS)
    if result is None or local_day(read_at(referral)) - result.day > near:
        return None
    asks = Outcome.SEVERE if referral.urgent else Outcome(referral.band)
    if asks is Outcome.NOT_READ:
        asks = Outcome.UNCERTAIN
    return result if rank(result.outcome) < rank(asks) else None


def rests_on_mistakes(referral: Referral) -> bool:
    """Whether what an open referral was opened for was taken back, and nothing else asks for it."""
    woman = referral.woman
    if referral.closed_at is not None or referral.purpose != Purpose.TEST or by_hand(referral):
        return False
    if asking(woman) or unread(woman):
        return False
    mistakes = [r for r in woman.readings if r.set_aside_at is not None]
    if referral.band == Outcome.NOT_READ:
        return any(r.id == referral.opening_reading_id for r in mistakes)
    return bool(mistakes) and not any(
        (p.hb_g_dl, p.source) == (referral.hb_g_dl, referral.source) for p in measurements(woman)
    )


def asked_since(referral: Referral, at: dt.datetime) -> bool:
    """Whether what was taken after a time still asks what the referral asks.

    A result that comes in late ends nothing that is newer than itself.
    """
    woman = referral.woman
    if referral.purpose == Purpose.CARE:
        return answered(woman, at)
    return any(p.certain_at > at for p in asking(woman)) or any(
        certain_at(r) > at for r in unread(woman)
    )


def told_of(referral: Referral) -> list[Event]:
    """What was told of a referral, oldest first; what was taken back is left out."""
    told = standing_events(referral.woman, EventKind.REFERRAL)
    return [e for e in told if e.referral_id == referral.id]


def rule_of(outcome: ReferralOutcome, purpose: Purpose, rules: FollowUpRules) -> OutcomeRule:
    """What an outcome told does; whoever went for care has got there."""
    rule: OutcomeRule = getattr(rules.referral, outcome.value)
    if purpose is Purpose.CARE and outcome is ReferralOutcome.WENT:
        return OutcomeRule(closes=True)
    return rule
