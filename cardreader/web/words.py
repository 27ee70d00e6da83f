"""Words for the lists and for the codes of the register."""

from __future__ import annotations

from cardreader.decide.rule import Outcome
from cardreader.decide.subject import Smoking
from cardreader.register.lists import ListName
from cardreader.register.models import Regimen, Role, Source
from cardreader.register.samephoto import KnownPhotoError
from cardreader.register.women import Closing
from cardreader.web import texts
from cardreader.web.texts import gettext as _
from cardreader.web.texts import mark

TITLES = {
    ListName.DUE: mark("Test due"),
    ListName.OVERDUE: mark("Overdue"),
    ListName.REFERRALS: mark("Referral open"),
    ListName.SEVERE: mark("Severe list"),
    ListName.NO_RISE: mark("No rise on treatment"),
}

EXPLANATIONS = {
    ListName.DUE: mark("Monthly once anaemic, otherwise at each of the four antenatal visits."),
    ListName.OVERDUE: mark("The time for the test has passed. Call her or visit her."),
    ListName.REFERRALS: mark("Sent for a confirmatory test; no laboratory result has come back."),
    ListName.SEVERE: mark(
        "Severe anaemia read or confirmed. Only a laboratory result takes her off this list."
    ),
    ListName.NO_RISE: mark(
        "On treatment, and her haemoglobin has not risen as expected. "
        "Ask about the tablets and tell the facility."
    ),
}

OUTCOMES = {
    Outcome.SEVERE: mark("Severe"),
    Outcome.ANAEMIC: mark("Anaemic"),
    Outcome.NOT_ANAEMIC: mark("Anaemia unlikely"),
    Outcome.UNCERTAIN: mark("Uncertain"),
    Outcome.NOT_READ: mark("Not read"),
}

LAB_OUTCOMES = {
    Outcome.SEVERE: mark("Severe, confirmed"),
    Outcome.ANAEMIC: mark("Anaemic, confirmed"),
    Outcome.NOT_ANAEMIC: mark("Not anaemic, confirmed"),
}

SOURCES = {
    Source.PHOTO: mark("Photo"),
    Source.TUBE: mark("Tube"),
    Source.LAB: mark("Laboratory"),
}

REGIMENS = {
    Regimen.PREVENTION: mark("Prevention: one tablet a day, 100 days"),
    Regimen.TREATMENT: mark("Treatment: one tablet twice a day, 100 days"),
}

CLOSINGS = {
    Closing.DELIVERED: mark("Delivered"),
    Closing.MOVED: mark("Moved away"),
    Closing.OTHER: mark("Other"),
}

SMOKING = {
    Smoking.NONE: mark("Does not smoke"),
    Smoking.SOME: mark("Smokes, number not known"),
    Smoking.UNDER_10: mark("Under 10 a day"),
    Smoking.FROM_10_TO_19: mark("10 to 19 a day"),
    Smoking.FROM_20: mark("20 or more a day"),
}

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


def outcome_words(outcome: Outcome, source: Source) -> str:
    """English words of an outcome; a laboratory result confirms, the others don't."""
    if source is Source.LAB and outcome in LAB_OUTCOMES:
        return LAB_OUTCOMES[outcome]
    return OUTCOMES[outcome]
