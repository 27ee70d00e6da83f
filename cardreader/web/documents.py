"""Paper: the referral slip and the monthly summary, as PDF.

On A5 and A4, black on white, words before figures, so that a copy of a copy can
still be read.
"""

from __future__ import annotations

from reportlab.lib.pagesizes import A4, A5
from reportlab.lib.units import mm
from reportlab.platypus import Flowable, Spacer

from cardreader.core.refusal import ADVICE, Reason
from cardreader.decide.rule import Outcome
from cardreader.decide.statements import TEXT, Statement
from cardreader.register.base import local_day
from cardreader.register.blots import may_hide_severe
from cardreader.register.kinds import Purpose, Source
from cardreader.register.models import Referral
from cardreader.register.openreferrals import by_hand, read_at, rests_on_mistakes, unanswering
from cardreader.register.summary import Summary
from cardreader.web import texts, words
from cardreader.web.bandwords import high_end, low_end
from cardreader.web.paperkit import (
    BODY,
    COLUMN,
    COLUMN_HEAD,
    HEAD,
    LOUD,
    SMALL,
    TITLE,
    build,
    build_columns,
    para,
    rule,
    table,
)
from cardreader.web.texts import gettext as _


@texts.on_paper()
def referral_slip(referral: Referral, place: str, protocol_title: str) -> bytes:
    """The slip of one referral, A5, with room for the facility's answer."""
    woman = referral.woman
    outcome = Outcome(referral.band)
    at = read_at(referral)
    weeks = woman.gestation_at(local_day(at))
    read_by = "-" if by_hand(referral) else _(words.SOURCES[Source(referral.source)])
    facts = [
        (_("Woman's code"), woman.code),
        (_("Weeks of pregnancy"), _("not known") if weeks is None else str(weeks)),
        (_("Read on"), texts.moment(at)),
        (_("Read by"), read_by),
        (_("Haemoglobin"), _hb(referral)),
        (_("Judged by"), protocol_title),
        *_unanswering(referral),
        (_("Sent from"), place or "-"),
    ]
    answer = [
        (_("Laboratory haemoglobin (g/dL)"), ""),
        (_("Method"), ""),
        (_("Date"), ""),
        (_("Treatment given"), ""),
        (_("Signature"), ""),
    ]
    care = referral.purpose == Purpose.CARE
    title = _("Referral for care") if care else _("Referral for a haemoglobin test")
    confirm = [] if care else [para(_(TEXT[Statement.CONFIRM_AT_FACILITY]), BODY)]
    screening = [] if care else [para(_(TEXT[Statement.SCREENING_ONLY]), SMALL)]
    return build(
        A5,
        _("Referral slip"),
        [
            para(title, TITLE),
            rule(),
            *_alarm(referral, outcome),
            para(_headline(referral, outcome), LOUD),
            *confirm,
            Spacer(1, 2 * mm),
            table(facts, 45 * mm),
            Spacer(1, 3 * mm),
            *screening,
            para(_(TEXT[Statement.LOCAL_PROTOCOL]), SMALL),
            para(_("To be filled in by the facility and sent back"), HEAD),
            table(answer, 60 * mm, row_height=9 * mm, boxed=True),
        ],
    )


def _unanswering(referral: Referral) -> list[tuple[str, str]]:
    """The result that leaves it open, so that nobody there takes it for the answer."""
    result = unanswering(referral)
    if result is None:
        return []
    return [(_("A result that does not answer it"), words.value_and_day(result))]


def _alarm(referral: Referral, outcome: Outcome) -> list[Flowable]:
    if not referral.urgent:
        return []
    unread = outcome is Outcome.NOT_READ and not by_hand(referral)
    pale = unread and any(may_hide_severe(r) for r in referral.woman.readings)
    return [para(_(TEXT[Statement.PALE_BLOT if pale else Statement.REFER_NOW]), LOUD)]


@texts.on_paper()
def summary_pdf(summary: Summary, place: str) -> bytes:
    """The monthly summary on A4, in two columns: one page, unless many cards were used."""
    title = _("Monthly summary: %(month)s") % {"month": texts.month(summary.month)}
    sections: list[Flowable] = [
        part
        for heading, rows in summary_rows(summary)
        for part in (para(heading, COLUMN_HEAD), table(rows, 66 * mm, style=COLUMN))
    ]
    foot = [para(_(TEXT[s]), COLUMN) for s in (Statement.SCREENING_ONLY, Statement.LOCAL_PROTOCOL)]
    head = [para(title, TITLE), para(place or "-", BODY), rule()]
    return build_columns(A4, title, head, [*sections, Spacer(1, 3 * mm), *foot])


def _signed(value: float) -> str:
    return ("+" if value > 0 else "\u2212") + texts.number(abs(value))


def summary_rows(summary: Summary) -> list[tuple[str, list[tuple[str, str]]]]:
    """The summary as headings with named counts: one order for page, PDF and CSV."""
    sent = summary.referrals
    days_off = [(texts.day(off.on), _signed(off.shift_g_dl) + " g/dL") for off in summary.days_off]
    rate = "-" if summary.refusal_rate is None else texts.percent(summary.refusal_rate)
    return [
        (
            _("Work done"),
            [
                (_("Women added"), str(summary.women_added)),
                (_("Visits"), str(summary.visits)),
                (_("Photos"), str(summary.photos)),
                (_("Tube readings"), str(summary.tube_readings)),
                (_("Laboratory results"), str(summary.lab_results)),
            ],
        ),
        (
            _("Results of photos, by visit"),
            [(_(words.OUTCOMES[outcome]), str(n)) for outcome, n in summary.outcomes],
        ),
        (
            _("Referrals"),
            [
                (_("Opened for a test"), str(sent.opened)),
                (_("of these urgent"), str(sent.urgent)),
                (_("of these after a photo that was not read"), str(sent.unread)),
                (_("Opened for care after a severe laboratory result"), str(sent.for_care)),
                (_("Closed by a laboratory result"), str(sent.answered)),
                *((_(words.REFERRAL_OUTCOMES[outcome]), str(n)) for outcome, n in sent.told),
                (_("Confirmation missing"), str(sent.missing)),
            ],
        ),
        (
            _("Births"),
            [
                *((_(words.BIRTHS[outcome]), str(n)) for outcome, n in summary.births),
                (_("Women tested after their birth"), str(summary.tested_after_birth)),
            ],
        ),
        (
            _("Iron-folic acid"),
            [
                (_("Women given tablets"), str(summary.women_given_tablets)),
                (_("Tablets given"), str(summary.tablets_given)),
            ],
        ),
        (
            _("Records closed and opened"),
            [
                *((_(words.CLOSINGS[reason]), str(n)) for reason, n in summary.closed),
                (_("Came from another place"), str(summary.arrived)),
                (_("Opened again"), str(summary.reopened)),
            ],
        ),
        *([(_("Days whose readings lie off those before"), days_off)] if days_off else []),
        (
            _("Photos not read"),
            [
                (_("Refused"), str(summary.refused)),
                (_("Share refused"), rate),
                *((refusal_words(reason), str(n)) for reason, n in summary.refusals),
            ],
        ),
        (
            _("Card lots: photos, of these refused"),
            [(lot.lot_id, f"{lot.photos}, {lot.refused}") for lot in summary.lots],
        ),
        (
            _("Lists today"),
            [(_(words.TITLES[name]), str(n)) for name, n in summary.lists],
        ),
    ]


def refusal_words(reason: str) -> str:
    """First sentence of the advice for a reason: what was wrong, in the visitor's language."""
    return _(ADVICE[Reason(reason)]).split(". ")[0].rstrip(".")


def _headline(referral: Referral, outcome: Outcome) -> str:
    if rests_on_mistakes(referral):
        return _("Please test her blood: the reading she was sent for was taken back.")
    if outcome is Outcome.NOT_READ:
        if by_hand(referral):
            return _("Please test her blood: she was sent without a reading.")
        return _("The photo of her blot could not be read.")
    if referral.purpose == Purpose.CARE:
        return _("Severe anaemia, confirmed by a laboratory.")
    if outcome is Outcome.UNCERTAIN:
        code = Statement.MAY_BE_SEVERE if referral.urgent else Statement.MAY_BE_ANAEMIC
        return _(TEXT[code])
    return _(TEXT[Statement(outcome.value)])


def _hb(referral: Referral) -> str:
    if referral.hb_g_dl is None or rests_on_mistakes(referral):
        return _("not read")
    value = _("%(hb)s g/dL") % {"hb": texts.number(referral.hb_g_dl)}
    if referral.low_g_dl is None or referral.high_g_dl is None:
        return value
    return _("%(value)s (90 %% interval %(low)s to %(high)s)") % {
        "value": value,
        "low": low_end(referral.low_g_dl),
        "high": high_end(referral.high_g_dl),
    }
