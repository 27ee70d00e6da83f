"""What was noted as tables, and the month's counts as a FHIR MeasureReport.

The constraints are those of IHE's profile mADX MeasureReport (QRPH.mADX, its profile
file: subject, improvement notation, coded groups with a population, a score a stratum).
"""

from __future__ import annotations

import csv
import datetime as dt
import io
import json

import pytest
from builders import PROTOCOL, add_woman, facts, lab, photo, refused
from fhir.resources.R4B.measurereport import MeasureReport

from cardreader.decide.followuprules import FollowUpRules
from cardreader.register import tables
from cardreader.register.births import note_birth
from cardreader.register.kinds import BirthOutcome, ReferralOutcome
from cardreader.register.monthreport import indicators, measure_report, report_dict
from cardreader.register.referrals import tell_outcome
from cardreader.register.summary import month_bounds, summarise
from cardreader.register.tablets import give_tablets
from cardreader.web.documents import summary_rows

RULES = FollowUpRules()
TODAY = dt.date.today()


@pytest.fixture
def month(database):
    with database.write() as session:
        severe, fine = (add_woman(session, code) for code in ("KX-1", "KX-2"))
        born = add_woman(session, "KX-3", weeks=39)
        photo(session, severe, facts(5.0, lot="000001"))
        photo(session, fine, refused("blurred", "000002"))
        photo(session, fine, facts(14.0, lot="000002"))
        lab(session, severe, 5.4)
        note_birth(session, born, BirthOutcome.LIVE, TODAY, None, PROTOCOL)
        give_tablets(session, severe, 60, TODAY, None)
        care = next(r for r in severe.referrals if r.closed_at is None)
        tell_outcome(session, care, ReferralOutcome.REFUSED, TODAY, None, RULES, "to her mother")
    return database


def table(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text)))


def test_births_tablets_and_outcomes_are_in_a_table(month):
    with month.read() as session:
        rows = table(tables.events_csv(session, codes=True))
        referrals = table(tables.referrals_csv(session, codes=True))
    said = {(row["code"], row["kind"], row["choice"], row["amount"]) for row in rows}
    assert ("KX-3", "birth", "live", "") in said
    assert ("KX-1", "tablets_given", "", "60") in said
    assert ("KX-1", "referral", "refused", "") in said
    test, care = (row for row in referrals if row["code"] == "KX-1")
    assert (test["purpose"], test["outcome"], test["result"]) == ("test", "result", "severe")
    assert (care["purpose"], care["outcome"], care["closed_on"]) == ("care", "refused", "")


def test_a_researchers_tables_have_neither_codes_nor_words(month):
    with month.read() as session:
        for made in (tables.events_csv, tables.referrals_csv):
            text = made(session, codes=False)
            assert "KX-" not in text
            assert "mother" not in text


def test_the_report_is_valid_and_says_what_the_page_says(month):
    with month.read() as session:
        summary = summarise(session, TODAY, TODAY, RULES)
    report = json.loads(measure_report(summary, "Invented Hill", TODAY))
    MeasureReport.model_validate(report)
    counts = {g["code"]["coding"][0]["code"]: g["population"][0]["count"] for g in report["group"]}
    assert counts["births"] == 1
    assert counts["tablets-given"] == 60
    assert counts["referrals-told"] == 1
    assert counts["photos-refused"] == 1
    # Every number of the page's table is one of the report, but for the lists of today.
    shown = sorted(int(value) for _h, rows in summary_rows(summary)[:6] for _n, value in rows)
    counted = [
        n
        for i in indicators(summary)
        if i.code not in ("photos-refused", "photos-by-lot")
        for n in ([n for _name, n in i.parts] or [i.count])
    ]
    assert sorted(counted) == shown


def test_the_report_keeps_the_profile(month):
    with month.read() as session:
        report = report_dict(summarise(session, TODAY, TODAY, RULES), "", TODAY)
    assert report["subject"]["reference"] == "#" + report["contained"][0]["id"]
    assert report["improvementNotation"]["coding"][0]["code"] in ("increase", "decrease")
    codes = [group["code"]["coding"][0]["code"] for group in report["group"]]
    assert len(set(codes)) == len(codes)
    for group in report["group"]:
        assert group["population"][0]["code"]["coding"][0]["code"] == "initial-population"
        for stratifier in group.get("stratifier", []):
            scores = [stratum["measureScore"]["value"] for stratum in stratifier["stratum"]]
            assert sum(scores) == group["population"][0]["count"]


def test_a_month_that_goes_on_is_pending(sqlite):
    first, after = month_bounds(TODAY)
    with sqlite.read() as session:
        summary = summarise(session, TODAY, TODAY, RULES)
    assert report_dict(summary, "", TODAY)["status"] == "pending"
    over = report_dict(summary, "", after)
    assert over["status"] == "complete"
    assert over["period"]["start"] == first.isoformat()
    assert over["period"]["end"] == (after - dt.timedelta(days=1)).isoformat()


def test_the_check_would_find_a_fault(sqlite):
    with sqlite.read() as session:
        report = report_dict(summarise(session, TODAY, TODAY, RULES), "", TODAY)
    report["group"][0]["population"][0]["count"] = "many"
    with pytest.raises(ValueError, match="count"):
        MeasureReport.model_validate(report)
