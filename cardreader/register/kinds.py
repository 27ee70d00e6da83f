"""The words that columns of the register hold: where a value comes from, what became of whom."""

from __future__ import annotations

from enum import StrEnum


class Role(StrEnum):
    """What a person may do; see ``cardreader.web.access`` for the pages of each."""

    WORKER = "worker"
    SUPERVISOR = "supervisor"
    RESEARCHER = "researcher"


class Source(StrEnum):
    """Where a haemoglobin value comes from. Only ``LAB`` confirms."""

    PHOTO = "photo"
    TUBE = "tube"
    LAB = "lab"


class Purpose(StrEnum):
    """What a referral is for: a confirmatory test, or care after a confirmed severe value."""

    TEST = "test"
    CARE = "care"


class ReferralOutcome(StrEnum):
    """What became of a referral.

    ``RESULT``: a laboratory value. ``READ``: opened because a photo could not be read,
    and the next one could. ``MISTAKE``: never should have been. The rest are told by
    whoever asked after her; the protocol says which of them end it.
    """

    RESULT = "result"
    READ = "read"
    MISTAKE = "mistake"
    WENT = "went"
    REFUSED = "refused"
    NO_LABORATORY = "no_laboratory"
    DIED = "died"


class BirthOutcome(StrEnum):
    """How a pregnancy ended, of one child or more: ``LIVE_AND_NOT`` is of several alone."""

    LIVE = "live"
    LIVE_AND_NOT = "live_and_not"
    STILLBIRTH = "stillbirth"
    LOSS = "loss"
    NOT_KNOWN = "not_known"


class EventKind(StrEnum):
    """What happened to a woman beside her readings."""

    CODE_MENDED = "code_mended"
    VILLAGE = "village"
    CLOSED = "closed"
    REOPENED = "reopened"
    READ_WHILE_CLOSED = "read_while_closed"
    ARRIVED = "arrived"
    BIRTH = "birth"
    REFERRAL = "referral"
    TABLETS_GIVEN = "tablets_given"
    TABLETS_LEFT = "tablets_left"


class FitState(StrEnum):
    """How far a calibration from the register's own pairs has come."""

    FITTING = "fitting"
    READY = "ready"
    FAILED = "failed"


class Regimen(StrEnum):
    """Iron-folic acid as common practice gives it (no source); local protocol decides."""

    PREVENTION = "prevention"
    TREATMENT = "treatment"
