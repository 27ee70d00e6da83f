"""Papers of a day: today's list, the blank form for a day without power, the letter that
goes with a woman to another place."""

from __future__ import annotations

import datetime as dt

from reportlab.lib.pagesizes import A4, A5, landscape
from reportlab.lib.units import mm
from reportlab.platypus import Flowable, Spacer

from cardreader.decide.followuprules import FollowUpRules
from cardreader.decide.statements import TEXT, Statement
from cardreader.register.kinds import Regimen
from cardreader.register.lists import ListName, Row
from cardreader.register.shownlists import ListPart
from cardreader.register.women import running_treatment
from cardreader.web import texts, words
from cardreader.web.bandwords import high_end, low_end
from cardreader.web.dayshiftwords import said_by_points
from cardreader.web.paperkit import BODY, HEAD, SMALL, TITLE, build, grid, para, rule, table
from cardreader.web.texts import gettext as _

FORM_ROWS = 12
LAST_VALUES = 6
"""In the letter: the newest are enough for whoever goes on with her."""

PRESSING = (
    ListName.SEVERE,
    ListName.JUDGED_AGAIN,
    ListName.REFERRALS,
    ListName.OVERDUE,
    ListName.NO_RISE,
    ListName.TABLETS,
    ListName.DUE,
)
"""The lists, those that press most first."""

_DUE = {ListName.DUE, ListName.OVERDUE}


def today_list(part: ListPart, place: str, today: dt.date) -> bytes:
    """Whoever is on any list today, the most pressing first, with room to write."""
    pressing = [(reasons, row) for row in part.rows if (reasons := _reasons(row, today))]
    pressing.sort(key=lambda found: (PRESSING.index(found[0][0]), found[1].woman.code))
    title = _("Today's list: %(day)s") % {"day": texts.day(today)}
    cells = [
        (
            row.woman.code,
            _weeks(row, today),
            _last_value(row),
            _why(row, reasons),
            "",
            "",
            "",
        )
        for reasons, row in pressing
    ]
    heads = (
        _("Code"),
        _("Weeks"),
        _("Last value"),
        _("Why"),
        _("Seen"),
        _("Value"),
        _("Remark, no names"),
    )
    shown = grid(heads, cells, (38, 18, 48, 70, 16, 24, 54)) if cells else para(_("None."), BODY)
    head = [para(title, TITLE), para(place or "-", BODY)]
    if part.total > len(part.rows):
        counts = {"shown": len(part.rows), "total": part.total}
        head.append(para(_("The %(shown)s most pressing of %(total)s.") % counts, BODY))
    return build(landscape(A4), title, [*head, rule(), shown, Spacer(1, 3 * mm), *_foot()])


def blank_form(place: str) -> bytes:
    """A form for a day without power, to be typed in later."""
    title = _("A day without power: to be entered later")
    photos = _("Photos need the server: keep the blots dry and dark, or read the tube.")
    heads = (
        _("Code"),
        _("Weeks"),
        _("Visit number"),
        _("Tube: value"),
        _("g/dL or %"),
        _("Sent for a test: no, yes, now"),
        _("Tablets left"),
        _("Tablets given"),
        _("Remark, no names"),
    )
    line = "%s ______________    %s ______________________    %s ______________________"
    return build(
        landscape(A4),
        title,
        [
            para(title, TITLE),
            para(line % (_("Date"), _("Place"), _("Worker")), BODY),
            para(place, BODY),
            Spacer(1, 2 * mm),
            grid(heads, [[""] * len(heads)] * FORM_ROWS, (40, 18, 20, 24, 20, 40, 22, 22, 62), 29),
            Spacer(1, 2 * mm),
            para(photos, SMALL),
            para(_(TEXT[Statement.DANGER_SIGNS]), SMALL),
            *_foot(),
        ],
    )


def transfer_letter(row: Row, to: str, place: str, today: dt.date, rules: FollowUpRules) -> bytes:
    """What the other place needs to go on: values, what is open, tablets."""
    title = _("Transfer to another place")
    woman = row.woman
    facts = [
        (_("Woman's code"), woman.code),
        (_("From"), place or "-"),
        (_("To"), to or "-"),
        (_("Date"), texts.day(today)),
        (_("Weeks of pregnancy"), _weeks(row, today)),
        (_("On the severe list"), _("yes") if row.standing.severe else _("no")),
        (_("Referral open"), _("yes") if row.referrals else _("no")),
        (_("Iron-folic acid"), _regimen(row, rules)),
        (_("Tablets given"), "-" if row.tablets is None else str(row.tablets.given)),
    ]
    newest, told = row.points[::-1][:LAST_VALUES], row.standing.foremost
    older = () if told is None or told in newest else (told,)
    shown = (*newest, *older)
    values = [
        (
            texts.day(p.day),
            _(words.SOURCES[p.source]),
            _value(p.hb_g_dl, p.low_g_dl, p.high_g_dl),
            _(said),
        )
        for p, said in zip(shown, said_by_points(woman, shown), strict=True)
    ]
    heads = (_("Date"), _("Read by"), "g/dL", _("Result"))
    return build(
        A5,
        title,
        [
            para(title, TITLE),
            rule(),
            table(facts, 45 * mm),
            para(_("Last values"), HEAD),
            grid(heads, values, (26, 24, 36, 34)) if values else para(_("None."), BODY),
            Spacer(1, 3 * mm),
            *_foot(),
        ],
    )


def _foot() -> list[Flowable]:
    return [
        para(_(TEXT[Statement.SCREENING_ONLY]), SMALL),
        para(_(TEXT[Statement.LOCAL_PROTOCOL]), SMALL),
    ]


def _reasons(row: Row, today: dt.date) -> list[ListName]:
    """The lists she is on; overdue says due as well."""
    found = [name for name in PRESSING if row.belongs(name, today)]
    return [n for n in found if n is not ListName.DUE or ListName.OVERDUE not in found]


def _why(row: Row, reasons: list[ListName]) -> str:
    """The lists she is on, and what to ask beside the test."""
    said = [", ".join(_(words.TITLES[name]) for name in reasons)]
    told = words.said_first(row.standing, bool(row.referrals))
    if told is not None and told != row.standing.latest:
        said.append(f"{_(words.point_words(told))}: {words.value_and_day(told)}")
    if row.due is not None and row.due.kind in words.DUE and _DUE & set(reasons):
        said.append(_(words.DUE[row.due.kind]))
    if row.tablets and row.tablets.lasts_until and ListName.TABLETS in reasons:
        until = {"day": texts.day(row.tablets.lasts_until)}
        said.append(_("Tablets until %(day)s") % until)
    return ". ".join(said)


def _weeks(row: Row, today: dt.date) -> str:
    if row.woman.has_given_birth(today):
        return _("after birth")
    weeks = row.woman.gestation_at(today)
    return "-" if weeks is None else str(weeks)


def _last_value(row: Row) -> str:
    if not row.points:
        return "-"
    last = row.points[-1]
    return f"{_value(last.hb_g_dl, last.low_g_dl, last.high_g_dl)}, {texts.day(last.day)}"


def _value(hb_g_dl: float, low_g_dl: float | None, high_g_dl: float | None) -> str:
    if low_g_dl is None or high_g_dl is None:
        return texts.number(hb_g_dl)
    ends = {"low": low_end(low_g_dl), "high": high_end(high_g_dl)}
    return _("%(hb)s (%(low)s to %(high)s)") % {"hb": texts.number(hb_g_dl), **ends}


def _regimen(row: Row, rules: FollowUpRules) -> str:
    running = running_treatment(row.woman)
    return "-" if running is None else words.regimen_words(Regimen(running.regimen), rules)
