"""Words for the lists and for the codes of the register."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from cardreader.decide.followuprules import FollowUpRules
from cardreader.decide.rule import Outcome
from cardreader.decide.subject import Smoking
from cardreader.register.blots import decision_of
from cardreader.register.followup import DueKind
from cardreader.register.history import Measurement, Standing, may_be_severe
from cardreader.register.kinds import (
    BirthOutcome,
    Purpose,
    ReferralOutcome,
    Regimen,
    Role,
    Source,
)
from cardreader.register.knownby import DoubtedCodeError, DoubtedWeeksError
from cardreader.register.lists import ListName
from cardreader.register.models import JudgedAgain, Reading, Referral, Visit
from cardreader.register.samephoto import KnownPhotoError
from cardreader.register.tablets import a_day_of
from cardreader.register.women import Closing
from cardreader.result.astext import interval_ends
from cardreader.web import texts
from cardreader.web.texts import gettext as _
from cardreader.web.texts import mark

TITLES = {
    ListName.DUE: mark("Test due"),
    ListName.OVERDUE: mark("Overdue"),
    ListName.REFERRALS: mark("Referral open"),
    ListName.SEVERE: mark("Severe list"),
    ListName.NO_RISE: mark("No rise on treatment"),
    ListName.TABLETS: mark("Tablets run out"),
    ListName.JUDGED_AGAIN: mark("Judged otherwise"),
}

EXPLANATIONS = {
    ListName.DUE: mark(
        "Monthly once anaemic, otherwise at each of the four antenatal visits and once after "
        "the birth."
    ),
    ListName.OVERDUE: mark("The time for the test has passed. Call her or visit her."),
    ListName.REFERRALS: mark("Sent for a confirmatory test; no laboratory result has come back."),
    ListName.SEVERE: mark(
        "Severe anaemia read or confirmed. Only a laboratory result takes her off this list."
    ),
    ListName.NO_RISE: mark(
        "On treatment, and her haemoglobin has not risen as expected. "
        "Ask about the tablets and tell the facility."
    ),
    ListName.TABLETS: mark(
        "By what was given and counted her iron-folic acid is used up, or will be within days. "
        "Count what is left, and give more as local protocol asks."
    ),
    ListName.JUDGED_AGAIN: mark(
        "By the calibration now in use her last photo says something else. "
        "Read her again, or send her for a blood test."
    ),
}

OUTCOMES = {
    Outcome.SEVERE: mark("Severe"),
    Outcome.ANAEMIC: mark("Anaemic"),
    Outcome.NOT_ANAEMIC: mark("Anaemia unlikely"),
    Outcome.UNCERTAIN: mark("Uncertain"),
    Outcome.NOT_READ: mark("Not read"),
}

MAY_BE_SEVERE = mark("May be severe")
"""An uncertain outcome that must not be read as a mild one."""

LAB_OUTCOMES = {
    Outcome.SEVERE: mark("Severe, confirmed"),
    Outcome.ANAEMIC: mark("Anaemic, confirmed"),
    Outcome.NOT_ANAEMIC: mark("Not anaemic, confirmed"),
}

SEVERE_CONFIRMED = mark("Severe anaemia, confirmed by a laboratory.")

ALONE = {**OUTCOMES, Outcome.NOT_ANAEMIC: mark("Not anaemic")}
"""What a laboratory's value says by itself where more serious things are open: it confirms none."""

REFERRAL_OPEN = mark("Referral open")
URGENT_REFERRAL_OPEN = mark("Urgent referral open")
CARE_REFERRAL_OPEN = mark("Referral for care open")

SOURCES = {
    Source.PHOTO: mark("Photo"),
    Source.TUBE: mark("Tube"),
    Source.LAB: mark("Laboratory"),
}

REGIMENS = {
    Regimen.PREVENTION: mark("Prevention"),
    Regimen.TREATMENT: mark("Treatment"),
}
"""What a regimen is for; `regimen_words` says how many tablets, by the protocol."""

CLOSINGS = {
    Closing.DELIVERED: mark("Delivered, and care after the birth is over"),
    Closing.MOVED: mark("Moved away"),
    Closing.TRANSFERRED: mark("Followed at another place from now on"),
    Closing.DIED: mark("She died"),
    Closing.OTHER: mark("Other"),
}

BEFORE_BIRTH = mark(
    "By these weeks the pregnancy began before the birth that is noted. Which of the two is wrong?"
)

DUE = {
    DueKind.WITHOUT_WEEKS: mark("Her weeks are not known: ask for them."),
    DueKind.BIRTH: mark("No birth is noted, and her weeks are over: ask about it."),
    DueKind.AFTER_BIRTH: mark("The test after the birth."),
    DueKind.DAY_OFF: mark("All readings of the day of her last one lie too high."),
}
"""What is to be done beside, or in place of, a test that is due."""

REFERRAL_OUTCOMES = {
    ReferralOutcome.RESULT: mark("Laboratory result"),
    ReferralOutcome.READ: mark("The next photo could be read"),
    ReferralOutcome.MISTAKE: mark("A mistake"),
    ReferralOutcome.WENT: mark("She went, no value has come back"),
    ReferralOutcome.REFUSED: mark("She did not want to go"),
    ReferralOutcome.NO_LABORATORY: mark("No laboratory test was to be had"),
    ReferralOutcome.DIED: mark("She died"),
}

BIRTHS = {
    BirthOutcome.LIVE: mark("Live birth"),
    BirthOutcome.LIVE_AND_NOT: mark("Twins or more, not all born alive"),
    BirthOutcome.STILLBIRTH: mark("Stillbirth"),
    BirthOutcome.LOSS: mark("Pregnancy lost early"),
    BirthOutcome.NOT_KNOWN: mark("Outcome not known"),
}

SMOKING = {
    Smoking.NONE: mark("Does not smoke"),
    Smoking.SOME: mark("Smokes, number not known"),
    Smoking.UNDER_10: mark("Under 10 a day"),
    Smoking.FROM_10_TO_19: mark("10 to 19 a day"),
    Smoking.FROM_20: mark("20 or more a day"),
}


class LabMethod(StrEnum):
    """How a laboratory finds its values, in the words of a study's table."""

    ANALYSER = "analyser"
    PHOTOMETRIC_HICN = "photometric_hicn"
    ACID_HAEMATIN = "acid_haematin"


LAB_METHODS = {
    LabMethod.ANALYSER: mark("Cell counter"),
    LabMethod.PHOTOMETRIC_HICN: mark("Cyanmethaemoglobin photometer"),
    LabMethod.ACID_HAEMATIN: mark("Acid-haematin tube"),
}

LACKS = {
    "women": mark("Women"),
    "severe": mark("Women below 7 g/dL"),
    "high": mark("Women of 12 g/dL or more"),
    "phones": mark("Phones"),
    "days": mark("Days, and so different light"),
    "two_blots": mark("Women with two blots"),
}
"""What a calibration wants of its pairs; see `register.sitepairs.WANTED`."""

ROLES = {
    Role.WORKER: mark("Worker"),
    Role.SUPERVISOR: mark("Supervisor"),
    Role.RESEARCHER: mark("Researcher"),
}


def known_photo_words(known: KnownPhotoError) -> str:
    """The question about a photo that is entered elsewhere, in the visitor's language."""
    return _("This very photo is entered already: %(code)s, %(day)s. Is it the right photo?") % {
        "code": known.code,
        "day": texts.moment(known.taken_at),
    }


def doubted_code_words(doubted: DoubtedCodeError | DoubtedWeeksError) -> str:
    """The question whose photo it is that waited under a code, in the visitor's language."""
    if isinstance(doubted, DoubtedWeeksError):
        return _(
            "By the register %(code)s was in week %(known)s that day, and week %(told)s was typed "
            "with this photo. Whose blood is it?"
        ) % {"code": doubted.code, "known": doubted.known, "told": doubted.told}
    said = (
        _(
            "When this photo was taken %(code)s was the code of the woman who has %(other)s now. "
            "Today it is another woman's. Whose blood is it?"
        )
        if doubted.changed
        else _(
            "Nobody has the code %(code)s, and the register has %(other)s, which is written almost "
            "alike. Whose blood is it?"
        )
    )
    return said % {"code": doubted.code, "other": doubted.other}


def judged_words(again: JudgedAgain) -> str:
    """What a visit came to before and comes to by the calibration in use, in one line."""
    now = MAY_BE_SEVERE if again.may_be_severe else OUTCOMES[Outcome(again.outcome)]
    said = _("%(day)s: was “%(before)s”, is now “%(now)s”") % {
        "day": texts.day(again.visit.on),
        "before": _(OUTCOMES[Outcome(again.was)]),
        "now": _(now),
    }
    if again.hb_g_dl is None or again.low_g_dl is None or again.high_g_dl is None:
        return f"{said}."
    values = _("%(hb)s g/dL, %(low)s to %(high)s") % {
        "hb": texts.number(again.hb_g_dl),
        "low": texts.number(interval_ends(again.low_g_dl, again.high_g_dl)[0]),
        "high": texts.number(interval_ends(again.low_g_dl, again.high_g_dl)[1]),
    }
    return f"{said} ({values})."


def regimen_words(regimen: Regimen, rules: FollowUpRules) -> str:
    """A regimen in the visitor's language, with the protocol's tablets and days."""
    a_day = a_day_of(Regimen(regimen), rules)
    counted = texts.ngettext("%(count)s tablet a day", "%(count)s tablets a day", a_day)
    lasting = texts.ngettext("%(count)s day", "%(count)s days", rules.tablets.course_days)
    return _("%(regimen)s: %(tablets)s, %(days)s") % {
        "regimen": _(REGIMENS[Regimen(regimen)]),
        "tablets": counted % {"count": a_day},
        "days": lasting % {"count": rules.tablets.course_days},
    }


def outcome_words(outcome: Outcome, source: Source, may_be_severe: bool = False) -> str:
    """English words of an outcome; a laboratory result confirms, the others don't."""
    if source is Source.LAB and outcome in LAB_OUTCOMES:
        return LAB_OUTCOMES[outcome]
    return MAY_BE_SEVERE if may_be_severe else OUTCOMES[outcome]


def referral_title(referral: Referral) -> str:
    """English words that head an open referral."""
    if referral.purpose == Purpose.CARE:
        return CARE_REFERRAL_OPEN
    return URGENT_REFERRAL_OPEN if referral.urgent else REFERRAL_OPEN


def alone_words(reading: Reading) -> str:
    """English words of a reading beside which something more serious is open."""
    if reading.source == Source.LAB:
        return ALONE[Outcome(reading.band or Outcome.NOT_READ)]
    return said_of(reading).words


def said_first(stands: Standing, referred: bool) -> Measurement | None:
    """The value that says where she stands: what still asks, else the newest.

    None where that would call her well beside a referral that is open (``referred``).
    """
    if stands.foremost is not None or not referred:
        return stands.foremost or stands.latest
    return None


def point_words(point: Measurement) -> str:
    """English words of one of a woman's values."""
    return outcome_words(point.outcome, point.source, point.may_be_severe)


def value_and_day(point: Measurement) -> str:
    """One of a woman's values with its day, in the visitor's language."""
    facts = {"hb": texts.number(point.hb_g_dl), "day": texts.day(point.day)}
    return _("%(hb)s g/dL, %(day)s") % facts


def visit_words(visit: Visit) -> str:
    """English words of what a visit's own blots say, without other visits of the day."""
    outcome = Outcome(visit.band or Outcome.NOT_READ)
    severe = may_be_severe((visit.result or {}).get("decision"))
    return outcome_words(outcome, Source.PHOTO, severe)


def own_words(reading: Reading) -> str:
    """English words of what one reading says by itself, without other blots."""
    decision = (reading.detail or {}).get("decision")
    return outcome_words(
        Outcome(reading.band or Outcome.NOT_READ), Source(reading.source), may_be_severe(decision)
    )


@dataclass(frozen=True)
class Said:
    """What a reading says in a word, and how pressing it is: 0 is the most."""

    words: str
    rank: int


_PRESSING = (Outcome.SEVERE, Outcome.NOT_READ, Outcome.ANAEMIC, Outcome.UNCERTAIN)


def said_of(reading: Reading) -> Said:
    """What a reading says, together with the other blots of its visit."""
    source = Source(reading.source)
    decision = decision_of(reading)
    outcome = Outcome(decision["outcome"])
    severe = may_be_severe(decision)
    words = outcome_words(outcome, source, severe)
    return Said(words, 1 if severe else rank_of(outcome))


def rank_of(outcome: Outcome) -> int:
    """How pressing an outcome is, 0 the most; 1 is that of what may be severe."""
    ranks = {kind: place + (place > 0) for place, kind in enumerate(_PRESSING)}
    return ranks.get(outcome, len(_PRESSING) + 1)
