"""What a protocol says of the time after a reading: when to test again, whom to ask after.

The defaults are common practice without a source, and some are invented; each is
said beside its figure in the protocol file. Local protocol decides.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from cardreader.decide.tomltable import ProtocolError, Table

LONGEST_DAYS = 400


@dataclass(frozen=True)
class LaboratoryRules:
    """How far a laboratory value may lie from a reading before it is asked about.

    ``error_percent`` is taken for two standard deviations of the laboratory. The two
    values are far apart beyond ``apart_sd`` standard deviations of their difference,
    widened by what haemoglobin may truly change in the days between.
    """

    error_percent: float = 4.0
    apart_sd: float = 2.58
    change_g_dl_a_month: float = 2.0


@dataclass(frozen=True)
class TabletRules:
    """Iron-folic acid: tablets a day by regimen, and days of a course.

    From ``ask_days`` before they are used up she is on the list of those who need more.
    """

    prevention_a_day: int = 1
    treatment_a_day: int = 2
    course_days: int = 100
    ask_days: int = 7


@dataclass(frozen=True)
class OutcomeRule:
    """What an outcome without a value does to a referral.

    ``closes`` ends it; otherwise she is asked after again ``again_days`` later.
    """

    closes: bool = False
    again_days: int = 7


@dataclass(frozen=True)
class ReferralRules:
    """The outcomes of a referral other than a laboratory value."""

    went: OutcomeRule = OutcomeRule(again_days=14)
    refused: OutcomeRule = OutcomeRule()
    no_laboratory: OutcomeRule = OutcomeRule()
    died: OutcomeRule = OutcomeRule(closes=True)


@dataclass(frozen=True)
class FollowUpRules:
    """Figures of the local protocol for following a woman.

    ``visit_weeks`` are the (first, last) completed weeks of each scheduled visit,
    ``after_birth_days`` the (first, last) day of the test after a birth. A woman whose weeks
    are not known is tested ``without_weeks_days`` after the last test; from the week
    ``ask_birth_week`` on her birth is asked about. A birth outside the (first, last) completed
    weeks ``birth_weeks``, or a loss outside ``loss_weeks``, is asked about before it is noted.
    The others are in
    days, and g/dL for the rise expected in ``rise_after_days`` of treatment.
    Whoever made an entry can undo it for ``undo_minutes``.
    """

    visit_weeks: tuple[tuple[int, int], ...] = ((0, 12), (14, 26), (28, 34), (36, 40))
    monthly_days: int = 30
    without_weeks_days: int = 30
    ask_birth_week: int = 42
    severe_days: int = 14
    grace_days: int = 7
    rise_after_days: int = 28
    rise_g_dl: float = 1.0
    confirmation_days: int = 14
    after_birth_days: tuple[int, int] = (42, 56)
    birth_weeks: tuple[int, int] = (22, 44)
    loss_weeks: tuple[int, int] = (0, 27)
    undo_minutes: int = 30
    laboratory: LaboratoryRules = LaboratoryRules()
    tablets: TabletRules = TabletRules()
    referral: ReferralRules = ReferralRules()


def read_follow_up(table: Table) -> FollowUpRules:
    """The rules of a protocol's ``[follow_up]`` table; what it leaves out is as usual."""
    usual = FollowUpRules()
    days = {
        name: table.whole(name, 1, LONGEST_DAYS, getattr(usual, name))
        for name in (
            "monthly_days",
            "without_weeks_days",
            "severe_days",
            "rise_after_days",
            "confirmation_days",
        )
    }
    rules = FollowUpRules(
        visit_weeks=_visit_weeks(table, usual),
        ask_birth_week=table.whole("ask_birth_week", 37, 50, usual.ask_birth_week),
        grace_days=table.whole("grace_days", 0, LONGEST_DAYS, usual.grace_days),
        rise_g_dl=table.number("rise_g_dl", 0, 10, usual.rise_g_dl),
        after_birth_days=_pair(table, "after_birth_days", list(usual.after_birth_days)),
        birth_weeks=_pair(table, "birth_weeks", list(usual.birth_weeks)),
        loss_weeks=_pair(table, "loss_weeks", list(usual.loss_weeks)),
        undo_minutes=table.whole("undo_minutes", 0, 24 * 60, usual.undo_minutes),
        laboratory=_laboratory(table.table("laboratory")),
        tablets=_tablets(table.table("tablets")),
        referral=_referral(table.table("referral")),
        **days,
    )
    table.text("source", "")
    table.finish()
    return rules


def _visit_weeks(table: Table, usual: FollowUpRules) -> tuple[tuple[int, int], ...]:
    where = table.at("visit_weeks")
    weeks = []
    for row in table.take("visit_weeks", list, [list(pair) for pair in usual.visit_weeks]):
        weeks.append(_pair(Table({"visit_weeks": row}, ""), "visit_weeks", ...))
    if any(after[0] <= before[1] for before, after in pairwise(weeks)):
        raise ProtocolError(f"{where} must follow one another")
    return tuple(weeks)


def _pair(table: Table, key: str, default: Any) -> tuple[int, int]:
    row = table.take(key, list, default)
    if not (len(row) == 2 and all(type(n) is int and 0 <= n <= LONGEST_DAYS for n in row)):
        raise ProtocolError(f"{table.at(key)} must hold two whole numbers, first and last")
    first, last = row
    if first > last:
        raise ProtocolError(f"{table.at(key)} ends before it starts")
    return first, last


def _laboratory(table: Table) -> LaboratoryRules:
    usual = LaboratoryRules()
    rules = LaboratoryRules(
        error_percent=table.number("error_percent", 0, 50, usual.error_percent),
        apart_sd=table.number("apart_sd", 1, 6, usual.apart_sd),
        change_g_dl_a_month=table.number("change_g_dl_a_month", 0, 10, usual.change_g_dl_a_month),
    )
    table.text("source", "")
    table.finish()
    return rules


def _tablets(table: Table) -> TabletRules:
    usual = TabletRules()
    rules = TabletRules(
        prevention_a_day=table.whole("prevention_a_day", 1, 6, usual.prevention_a_day),
        treatment_a_day=table.whole("treatment_a_day", 1, 6, usual.treatment_a_day),
        course_days=table.whole("course_days", 1, LONGEST_DAYS, usual.course_days),
        ask_days=table.whole("ask_days", 0, LONGEST_DAYS, usual.ask_days),
    )
    table.text("source", "")
    table.finish()
    return rules


def _referral(table: Table) -> ReferralRules:
    usual = ReferralRules()
    rules = ReferralRules(
        **{
            name: _outcome(table.table(name), getattr(usual, name))
            for name in ("went", "refused", "no_laboratory", "died")
        }
    )
    table.text("source", "")
    table.finish()
    return rules


def _outcome(table: Table, usual: OutcomeRule) -> OutcomeRule:
    rule = OutcomeRule(
        closes=table.take("closes", bool, usual.closes),
        again_days=table.whole("again_days", 1, LONGEST_DAYS, usual.again_days),
    )
    table.finish()
    return rule
