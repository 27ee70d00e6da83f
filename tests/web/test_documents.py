"""The slip and the summary on paper, read back by another PDF library."""

from __future__ import annotations

import csv
import html
import io

import pypdfium2
import pytest
from webfakes import photo, refused_photo

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
