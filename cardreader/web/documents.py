"""Paper: the referral slip and the monthly summary, as PDF.

On A5 and A4, black on white, words before figures, so that a copy of a copy can
still be read.
"""

from __future__ import annotations

from io import BytesIO
from xml.sax.saxutils import escape

from reportlab.lib.colors import black
from reportlab.lib.pagesizes import A4, A5
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.platypus import (
    Flowable,
    HRFlowable,
    Paragraph,
    SimpleDocTemplate,
    Spacer,
    Table,
    TableStyle,
)

from cardreader.core.refusal import ADVICE, Reason
from cardreader.decide.rule import Outcome
from cardreader.decide.statements import TEXT, Statement
from cardreader.register.models import Purpose, Referral, Source
from cardreader.register.referrals import by_hand
from cardreader.register.summary import Summary
from cardreader.web import texts, words
from cardreader.web.bandwords import high_end, low_end
from cardreader.web.texts import gettext as _

_BODY = ParagraphStyle("body", fontName="Helvetica", fontSize=10.5, leading=14.5)
_SMALL = ParagraphStyle("small", parent=_BODY, fontSize=9, leading=12)
_TITLE = ParagraphStyle("title", parent=_BODY, fontName="Helvetica-Bold", fontSize=16, leading=20)
_HEAD = ParagraphStyle(
    "head",
    parent=_BODY,
    fontName="Helvetica-Bold",
    fontSize=11.5,
    leading=15,
    spaceBefore=9,
    spaceAfter=3,
)
_LOUD = ParagraphStyle(
    "loud", parent=_BODY, fontName="Helvetica-Bold", fontSize=13, leading=17, spaceAfter=2
)


def referral_slip(referral: Referral, place: str, protocol_title: str) -> bytes:
    """The slip of one referral, A5, with room for the facility's answer."""
    woman = referral.woman
    outcome = Outcome(referral.band)
    weeks = woman.gestation_at(referral.opened_at.astimezone().date())
    read_by = "-" if by_hand(referral) else _(words.SOURCES[Source(referral.source)])
    facts = [
        (_("Woman's code"), woman.code),
        (_("Weeks of pregnancy"), _("not known") if weeks is None else str(weeks)),
        (_("Read on"), texts.moment(referral.opened_at)),
        (_("Read by"), read_by),
        (_("Haemoglobin"), _hb(referral)),
        (_("Judged by"), protocol_title),
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
    confirm = [] if care else [_para(_(TEXT[Statement.CONFIRM_AT_FACILITY]), _BODY)]
    screening = [] if care else [_para(_(TEXT[Statement.SCREENING_ONLY]), _SMALL)]
    return _build(
        A5,
        _("Referral slip"),
        [
            _para(title, _TITLE),
            _rule(),
            *_alarm(referral, outcome),
            _para(_headline(referral, outcome), _LOUD),
            *confirm,
            Spacer(1, 2 * mm),
            _table(facts, 45 * mm),
            Spacer(1, 3 * mm),
            *screening,
            _para(_(TEXT[Statement.LOCAL_PROTOCOL]), _SMALL),
            _para(_("To be filled in by the facility and sent back"), _HEAD),
            _table(answer, 60 * mm, row_height=9 * mm, boxed=True),
        ],
    )


def _alarm(referral: Referral, outcome: Outcome) -> list[Flowable]:
    if not referral.urgent:
        return []
    pale = outcome is Outcome.NOT_READ and referral.opening_reading_id is not None
    return [_para(_(TEXT[Statement.PALE_BLOT if pale else Statement.REFER_NOW]), _LOUD)]


def summary_pdf(summary: Summary, place: str) -> bytes:
    """The monthly summary on A4."""
    title = _("Monthly summary: %(month)s") % {"month": texts.month(summary.month)}
    parts: list[Flowable] = [_para(title, _TITLE), _para(place or "-", _BODY), _rule()]
    for heading, rows in summary_rows(summary):
        parts += [_para(heading, _HEAD), _table(rows, 110 * mm, style=_SMALL)]
    parts += [
        Spacer(1, 4 * mm),
        _para(_(TEXT[Statement.SCREENING_ONLY]), _SMALL),
        _para(_(TEXT[Statement.LOCAL_PROTOCOL]), _SMALL),
    ]
    return _build(A4, title, parts)


def summary_rows(summary: Summary) -> list[tuple[str, list[tuple[str, str]]]]:
    """The summary as headings with named counts: one order for page, PDF and CSV."""
    sent = summary.referrals
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
    if referral.hb_g_dl is None:
        return _("not read")
    value = _("%(hb)s g/dL") % {"hb": texts.number(referral.hb_g_dl)}
    if referral.low_g_dl is None or referral.high_g_dl is None:
        return value
    return _("%(value)s (90 %% interval %(low)s to %(high)s)") % {
        "value": value,
        "low": low_end(referral.low_g_dl),
        "high": high_end(referral.high_g_dl),
    }


def _para(text: str, style: ParagraphStyle) -> Paragraph:
    # The built-in fonts have no narrow no-break space, which some languages put before "%".
    return Paragraph(escape(text.replace("\u202f", "\u00a0")), style)


def _rule() -> HRFlowable:
    return HRFlowable(width="100%", thickness=1, color=black, spaceBefore=3, spaceAfter=6)


def _table(
    rows: list[tuple[str, str]],
    first_width: float,
    row_height: float | None = None,
    boxed: bool = False,
    style: ParagraphStyle = _BODY,
) -> Flowable:
    if not rows:
        return _para("-", _BODY)
    cells = [[_para(name, style), _para(value, style)] for name, value in rows]
    table = Table(
        cells, colWidths=[first_width, None], rowHeights=[row_height] * len(rows), hAlign="LEFT"
    )
    line = ("GRID", (0, 0), (-1, -1), 0.7, black)
    thin = ("LINEBELOW", (0, 0), (-1, -1), 0.25, black)
    table.setStyle(
        TableStyle(
            [
                line if boxed else thin,
                ("VALIGN", (0, 0), (-1, -1), "MIDDLE"),
                ("TOPPADDING", (0, 0), (-1, -1), 2),
                ("BOTTOMPADDING", (0, 0), (-1, -1), 2),
                ("LEFTPADDING", (0, 0), (-1, -1), 3),
            ]
        )
    )
    return table


def _build(size: tuple[float, float], title: str, parts: list[Flowable]) -> bytes:
    out = BytesIO()
    document = SimpleDocTemplate(
        out,
        pagesize=size,
        title=title,
        author="cardreader",
        lang=texts.current_language.get(),
        leftMargin=12 * mm,
        rightMargin=12 * mm,
        topMargin=10 * mm,
        bottomMargin=10 * mm,
    )
    document.build(parts)
    return out.getvalue()
