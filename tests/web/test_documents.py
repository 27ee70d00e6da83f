"""The slip and the summary on paper, read back by another PDF library."""

from __future__ import annotations

import csv
import datetime as dt
import html
import io
import re

import pypdfium2
import pytest
from sqlalchemy import select
from webfakes import photo, refused_photo

from cardreader.core.refusal import Reason
from cardreader.decide.protocolfile import load_protocol
from cardreader.decide.rule import Outcome
from cardreader.register.base import utc_now
from cardreader.register.dayshift import DayShift
from cardreader.register.kinds import BirthOutcome, ReferralOutcome
from cardreader.register.lists import ListName
from cardreader.register.models import Referral, Visit
from cardreader.register.openreferrals import TELLABLE
from cardreader.register.referrals import close
from cardreader.register.summary import LotUse, ReferralCounts, Summary
from cardreader.register.women import Closing
from cardreader.web import texts
from cardreader.web.documents import summary_pdf

LANGUAGES = {"en": "Refer her now to a unit", "fr": "Référez-la tout de suite"}


def text_of(pdf: bytes) -> str:
    document = pypdfium2.PdfDocument(pdf)
    try:
        pages = [page.get_textpage().get_text_bounded() for page in document]
    finally:
        document.close()
    return "\n".join(pages)


@pytest.mark.parametrize("language", list(LANGUAGES))
def test_slip_says_first_what_to_do(worker, language):
    worker.client.cookies.set("language", language)
    woman = worker.add_woman("KX-1")
    page = worker.get(worker.send_photo(worker.open_visit(woman), photo(5.5)).json()["url"]).text
    address = page.split('href="/referrals/')[1].split('"')[0]
    text = text_of(worker.get(f"/referrals/{address}").content)
    assert text.index(LANGUAGES[language]) < text.index("KX-1")
    assert {"en": "5.5 g/dL", "fr": "5,5 g/dL"}[language] in text
    assert "Invented Hill" in text


@pytest.mark.parametrize(
    ("reason", "words"),
    [
        (Reason.BLURRED, "Refer her now to a unit"),
        (Reason.NOT_BLOOD_COLOUR, "Is her blood pale and thin?"),
    ],
)
def test_a_slip_without_a_value_says_why_it_is_urgent(worker, reason, words):
    """Severe, and she refused; then a photo that could not be read: her list says severe still."""
    visit = worker.open_visit(worker.add_woman("KX-1"))
    worker.send_photo(visit, photo(5.5))
    with worker.app.state.database.write() as session:
        (severe,) = session.scalars(select(Referral))
        close(session, severe, ReferralOutcome.REFUSED, utc_now(), None)
        her_visit = session.scalars(select(Visit)).one()
        her_visit.on -= dt.timedelta(days=3)
        for reading in her_visit.readings:
            reading.taken_at -= dt.timedelta(days=3)
        address = severe.woman_id
    again = worker.open_visit(f"/women/{address}")
    worker.send_photo(again, refused_photo(reason))
    with worker.app.state.database.read() as session:
        (new,) = session.scalars(select(Referral).where(Referral.closed_at.is_(None)))
        assert new.urgent
        slip = f"/referrals/{new.id}/slip.pdf"
    text = text_of(worker.get(slip).content)
    assert words in text


@pytest.mark.parametrize("language", list(LANGUAGES))
def test_summary_on_paper_page_and_table_agree(worker, language):
    worker.client.cookies.set("language", language)
    visit = worker.open_visit(worker.add_woman("KX-1"))
    worker.send_photo(visit, photo(9.0), key="photo-key-1")
    worker.send_photo(visit, refused_photo(), key="photo-key-2")
    page = html.unescape(worker.get("/summary").text)
    paper = text_of(worker.get("/summary/summary.pdf").content).replace("\xa0", " ")
    rows = list(csv.reader(io.StringIO(worker.get("/summary/summary.csv").text)))
    assert len(rows) > 20
    for _heading, name, value in rows:
        assert name in page
        assert value.replace("\xa0", " ") in paper
    counts = {(heading, name): value for heading, name, value in rows}
    assert {"en": "50%", "fr": "50\xa0%"}[language] in counts.values()


@pytest.mark.parametrize("language", list(LANGUAGES))
def test_a_months_summary_is_one_page(language):
    """Also with every second reason for refusing seen; many card lots take another."""
    token = texts.current_language.set(language)
    try:
        usual = summary_pdf(busy_month(reasons=15, lots=4), "Invented Hill")
        many = summary_pdf(busy_month(reasons=len(Reason), lots=40), "Invented Hill")
    finally:
        texts.current_language.reset(token)
    assert pages_of(usual) == 1
    assert pages_of(many) == 2
    assert "000039" in text_of(many)


def pages_of(pdf: bytes) -> int:
    document = pypdfium2.PdfDocument(pdf)
    try:
        return len(document)
    finally:
        document.close()


def busy_month(reasons: int, lots: int) -> Summary:
    return Summary(
        month=dt.date(2026, 11, 1),
        women_added=12,
        visits=130,
        photos=140,
        refused=45,
        refusal_rate=45 / 140,
        refusals=tuple((reason.value, 3) for reason in list(Reason)[:reasons]),
        outcomes=tuple((o, 20) for o in Outcome if o is not Outcome.NOT_READ),
        tube_readings=3,
        lab_results=40,
        referrals=ReferralCounts(80, 14, 11, 3, 22, tuple((o, 1) for o in TELLABLE), 3),
        births=tuple((outcome, 2) for outcome in BirthOutcome),
        tested_after_birth=2,
        closed=tuple((reason, 1) for reason in Closing),
        reopened=1,
        arrived=1,
        women_given_tablets=40,
        tablets_given=4000,
        lots=tuple(LotUse(f"{n:06d}", 10, 2) for n in range(lots)),
        lists=tuple((name, 12) for name in ListName),
        days_off=(DayShift(dt.date(2026, 11, 20), 12, 2.4),),
    )


def test_what_another_protocol_judged_says_by_which(app, worker):
    """As after a hand-over, or once the server goes by another protocol."""
    woman = worker.add_woman("CP-1", weeks="20")
    reader = app.state.shared.reader.base
    before, reader.rules = reader.rules, load_protocol("who-2024")
    sent = worker.send_photo(worker.open_visit(woman), photo(10.4))
    reader.rules = before
    result = worker.get(f"/readings/{sent.json()['id']}").text
    assert "Judged by the protocol WHO 2024 haemoglobin cut-offs for pregnancy" in result
    assert "severe below 7.0, anaemic below 10.5 g/dL" in result
    assert "This register goes by Common practice in antenatal outreach" in result
    assert "severe below 7.0, anaemic below 11.0 g/dL" in result
    assert ">10.5</text>" in result
    page = worker.get(woman).text
    assert "Judged by another protocol: WHO 2024" in page
    slip = worker.get(re.search(r'href="(/referrals/[^"]+)"', page)[1])
    assert "WHO 2024" in text_of(slip.content)
    own = worker.send_photo(worker.open_visit(worker.add_woman("CP-2")), photo(10.4, "2"))
    assert "Judged by" not in worker.get(f"/readings/{own.json()['id']}").text
