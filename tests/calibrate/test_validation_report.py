"""The folder a study ends in: page, PDF, readings and provenance say the same, and enough."""

import csv
import io
import json
import re
from datetime import date
from html.parser import HTMLParser

import numpy as np
import pypdfium2
import pytest
from blots import study

from cardreader.calibrate import workflow
from cardreader.calibrate.choosing import Recipe
from cardreader.calibrate.document import Document, Section, Table, Text, to_html, to_pdf
from cardreader.calibrate.figures import comparison_figure
from cardreader.calibrate.fit import GIVEN, SITE_MODEL, Fit
from cardreader.calibrate.report import making
from cardreader.core.shipped import shipped
from cardreader.decide.protocolfile import load_protocol
from cardreader.hb.calibration import Calibration
from cardreader.hb.container import load

TITLE = "Two <hills> & a river"


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    features, _ = study(np.random.default_rng(1), n_women=45)
    rows = features.rows.copy()
    rows.loc[[3, 7], "refusal"] = "blurred (sharpness 0.1 < 0.3)"
    features = type(features)(rows, len(rows), ())
    about = workflow.About(
        TITLE,
        "0" * 64,
        date(2026, 3, 1),
        synthetic=True,
        prevalence={"severe": 0.02, "anaemic": 0.4, "not anaemic": 0.58},
    )
    fitted, found = workflow.calibrate(
        features, about, None, load_protocol(), Recipe(folds=4), "line on Kubelka-Munk density"
    )
    folder = tmp_path_factory.mktemp("study") / "calibration"
    workflow.save(folder, features, about, None, fitted, found)
    return folder, fitted, found


def test_the_folder_loads_and_says_that_it_is_synthetic(made):
    folder, fitted, _ = made
    loaded = load(folder)
    assert loaded.files == (
        *("model.json", "provenance.json", "readings.csv", "report.html", "report.pdf"),
    )
    assert loaded.calibration.sha256 == fitted.calibration.sha256
    assert loaded.calibration.basis == "simulated"
    assert "synthetic" in loaded.calibration.source
    assert loaded.calibration.id == "two-hills-a-river-20260301"


def test_provenance_holds_what_a_later_bridge_and_drift_watch_need(made):
    folder, _, _ = made
    told = json.loads((folder / "provenance.json").read_text())
    assert told["synthetic"] is True
    assert told["rows"]["refused"] == 2
    assert len(told["conformity_scores"]) == 45
    assert len(set(told["photos_sha256"])) == 178  # two were refused
    assert -1 < told["drift_centre_g_dl"] < 1
    assert told["verdict"].startswith(("Not", "Nothing", "In this study"))
    assert {"numpy", "scikit-learn", "python", "cardreader"} <= told["software"].keys()
    assert told["recipe"]["seed"] == 1


def test_readings_carry_no_subject_id_of_the_study(made):
    folder, _, found = made
    text = (folder / "readings.csv").read_text()
    rows = list(csv.DictReader(io.StringIO(text)))
    assert len(rows) == len(found.held_out.pairs)
    assert not re.search(r"\bW\d", text)
    assert {row["woman"] for row in rows} == {str(i) for i in range(1, 46)}


def test_laboratory_values_that_no_line_goes_through_still_get_a_report(made):
    """A column filled down: the report is what shows it."""
    _, fitted, _ = made
    features, _ = study(np.random.default_rng(5), n_women=20)
    rows = features.rows.copy()
    rows["lab_g_dl"] = 10.0
    about = workflow.About("wrong", "0" * 64, date(2026, 3, 1), synthetic=True)
    files, found = workflow.external_report(
        type(features)(rows, len(rows), ()), about, fitted.calibration, load_protocol()
    )
    assert len(found.lines) < 2
    assert "look whether values and photos belong together" in files["report.html"].decode()
    assert any(one.met is False for one in found.criteria)


def test_every_group_of_a_figure_has_a_mark_of_its_own():
    names = np.array([f"light {i:02d}" for i in range(20)])
    value = np.linspace(5, 14, 20)
    (ax,) = comparison_figure(value, value, names, ()).axes
    drawn = [line for line in ax.lines if str(line.get_label()).startswith("light")]
    assert len({(line.get_color(), line.get_marker()) for line in drawn}) == 20


class _Tags(HTMLParser):
    VOID = frozenset({"meta", "img", "br", "link"})

    def __init__(self):
        super().__init__()
        self.open, self.sources, self.alts, self.ids, self.links, self.words = (
            [],
            [],
            [],
            [],
            [],
            [],
        )

    def handle_starttag(self, tag, attrs):
        found = dict(attrs)
        if tag not in self.VOID:
            self.open.append(tag)
        if "src" in found:
            self.sources.append(found["src"])
            self.alts.append(found.get("alt", ""))
        if "id" in found:
            self.ids.append(found["id"])
        if "href" in found:
            self.links.append(found["href"])

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        self.words.append(data)


@pytest.fixture(scope="module")
def page(made):
    tags = _Tags()
    tags.feed((made[0] / "report.html").read_text())
    assert tags.open == []
    return tags


def test_the_page_needs_nothing_from_elsewhere(page, made):
    assert page.sources
    assert all(source.startswith("data:image/svg+xml;base64,") for source in page.sources)
    assert all(len(alt) > 20 for alt in page.alts)
    text = (made[0] / "report.html").read_text()
    assert "<script" not in text
    assert not re.search(r"(?:src|href)=\"https?:", text)


def test_the_contents_lead_to_the_sections(page):
    assert {link.removeprefix("#") for link in page.links} <= set(page.ids)
    assert len(page.links) >= 12


@pytest.mark.parametrize(
    "words",
    [
        "SYNTHETIC DATA",
        "Two <hills> & a river",
        "screening only",
        "What this study can't show",
        "limit of agreement",
        "Passing-Bablok",
        "Deming",
        "Weighted kappa",
        "ISO 5725",
        "42 CFR 493.941",
        "outside the grey zone",
        "Missed: the error this tool must not make.",
        "exact rank",
        "blurred (sharpness 0.1 < 0.3)",
        "Per 1000 women of whom 2% severe, 40% anaemic, 58% not anaemic, as stated",
    ],
)
def test_the_report_says(page, made, words):
    assert words in " ".join(" ".join(page.words).split())
    pdf = pypdfium2.PdfDocument(made[0] / "report.pdf")
    text = " ".join(
        " ".join(
            sheet.get_textpage().get_text_range().replace("\ufffe", "-") for sheet in pdf
        ).split()
    )
    # A table cell breaks its words over lines; compare without spaces.
    assert words.replace(" ", "") in text.replace(" ", "")


def test_the_pdf_has_pages_of_a4_that_are_not_blank(made):
    pdf = pypdfium2.PdfDocument(made[0] / "report.pdf")
    assert 5 <= len(pdf) <= 20
    for sheet in pdf:
        assert sheet.get_size() == pytest.approx((595.28, 841.89), abs=0.5)
        assert np.asarray(sheet.render(scale=0.3).to_pil().convert("L")).std() > 3


def test_what_the_report_shows_is_what_was_found(page, made):
    _, _, found = made
    words = " ".join(" ".join(page.words).split())
    assert f"{found.agreement.bias:+.2f}" in words
    assert f"{found.lines[0].slope:.3f}" in words
    for criterion in found.criteria:
        assert criterion.found in words


def test_the_same_document_makes_the_same_bytes():
    document = Document(
        "t", "s", (Section("One", (Text("words"), Table(("a", "b"), (("1", "2"),)))),)
    )
    assert to_html(document) == to_html(document)
    assert to_pdf(document) == to_pdf(document)


def _told(model, scores=()):
    """How a report says that a study was worked out."""
    fitted = Fit(Calibration.load(shipped("worlds")), model, (), None, scores, Recipe())
    return " ".join(making.method(fitted).blocks[0].lines)


def test_few_women_are_promised_no_rank_and_a_given_calibration_no_folds():
    few, many = _told(SITE_MODEL), _told(SITE_MODEL, (0.4, 0.9))
    assert "no rank promises" in few
    assert "drawn towards the cross-conformal exact rank" in many
    assert "exact finite-sample rank" in _told("anchored", (0.4, 0.9))
    assert "inner folds" not in few + many
    given = _told(GIVEN)
    assert "finished calibration" in given
    assert "folds" not in given
