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
from builders import NOBODY, PROTOCOL, add_woman, combine, facts, lab, photo, refused
from days import today
from fhir.resources.R4B.measurereport import MeasureReport
from sqlalchemy import select

from cardreader.decide.followuprules import FollowUpRules
from cardreader.register import tables
from cardreader.register.base import utc_now
from cardreader.register.births import note_birth
from cardreader.register.closing import close_woman, reopen_woman, tell_weeks
from cardreader.register.kinds import BirthOutcome, ReferralOutcome
from cardreader.register.models import Woman
from cardreader.register.monthreport import indicators, measure_report, report_dict
from cardreader.register.referrals import close, tell_outcome
from cardreader.register.settingaside import set_aside
from cardreader.register.summary import month_bounds, summarise
from cardreader.register.tablets import give_tablets
from cardreader.register.women import Closing
from cardreader.web.documents import summary_rows

RULES = FollowUpRules()
DAY = dt.timedelta(days=1)


@pytest.fixture
def month(database):
    with database.write() as session:
        severe, fine = (add_woman(session, code) for code in ("KX-1", "KX-2"))
        born = add_woman(session, "KX-3", weeks=39)
        photo(session, severe, facts(5.0, lot="000001"))
        photo(session, fine, refused("blurred", "000002"))
        photo(session, fine, facts(14.0, lot="000002"))
        lab(session, severe, 5.4)
        note_birth(session, born, BirthOutcome.LIVE, today(), None, PROTOCOL)
        give_tablets(session, severe, 60, today(), None)
        care = next(r for r in severe.referrals if r.closed_at is None)
        tell_outcome(session, care, ReferralOutcome.REFUSED, today(), None, RULES, "to her mother")
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
        summary = summarise(session, today(), today(), RULES)
    report = json.loads(measure_report(summary, "Invented Hill", today()))
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
        report = report_dict(summarise(session, today(), today(), RULES), "", today())
    assert report["subject"]["reference"] == "#" + report["contained"][0]["id"]
    assert report["improvementNotation"]["coding"][0]["code"] in ("increase", "decrease")
    codes = [group["code"]["coding"][0]["code"] for group in report["group"]]
    assert len(set(codes)) == len(codes)
    for group in report["group"]:
        assert group["population"][0]["code"]["coding"][0]["code"] == "initial-population"
        for stratifier in group.get("stratifier", []):
            scores = [stratum["measureScore"]["value"] for stratum in stratifier["stratum"]]
            assert sum(scores) == group["population"][0]["count"]


def ago(days: int) -> dt.date:
    return today() - dt.timedelta(days=days)


def births_and_tests_after(database, days_ago: int) -> tuple[int, int]:
    with database.read() as session:
        counted = summarise(session, ago(days_ago), today(), RULES)
    return sum(n for _outcome, n in counted.births), counted.tested_after_birth


def note_late(session, woman, days_ago: int) -> None:
    """Noted on the day itself, some time ago."""
    event = note_birth(session, woman, BirthOutcome.LIVE, ago(days_ago), None, PROTOCOL, sure=True)
    event.entered_at -= dt.timedelta(days=days_ago)
    session.flush()


@pytest.mark.parametrize("weeks_known", [True, False])
def test_a_month_keeps_its_count_when_she_is_pregnant_again(sqlite, weeks_known):
    with sqlite.write() as session:
        her = add_woman(session, weeks=39, days_ago=900)
        note_late(session, her, 890)
        photo(session, her, facts(14.0), days_ago=840)
    assert births_and_tests_after(sqlite, 890)[0] == 1
    assert births_and_tests_after(sqlite, 840)[1] == 1
    with sqlite.write() as session:
        her = session.scalars(select(Woman)).one()
        if weeks_known:
            tell_weeks(session, her, 10, ago(400), None)
        photo(session, her, facts(14.0), days_ago=400)
        note_late(session, her, 190)
        photo(session, her, facts(14.0), days_ago=140)
    assert births_and_tests_after(sqlite, 890)[0] == 1
    assert births_and_tests_after(sqlite, 840)[1] == 1
    assert births_and_tests_after(sqlite, 400) == (0, 0)
    assert births_and_tests_after(sqlite, 190)[0] == 1
    assert births_and_tests_after(sqlite, 140)[1] == 1


def test_a_birth_corrected_later_is_counted_once(sqlite):
    with sqlite.write() as session:
        her = add_woman(session, weeks=None, days_ago=300)
        note_late(session, her, 200)
        note_birth(session, her, BirthOutcome.LIVE, ago(230), None, PROTOCOL, sure=True)
    counted = [births_and_tests_after(sqlite, days)[0] for days in (230, 200)]
    assert counted == [1, 1 if ago(230).replace(day=1) == ago(200).replace(day=1) else 0]


def test_a_later_birth_corrected_to_an_earlier_day_leaves_the_one_before(sqlite):
    with sqlite.write() as session:
        her = add_woman(session, weeks=None, days_ago=700)
        note_late(session, her, 600)
        note_late(session, her, 440)
        note_birth(session, her, BirthOutcome.LIVE, ago(470), None, PROTOCOL, sure=True)
    assert [births_and_tests_after(sqlite, days)[0] for days in (600, 470)] == [1, 1]


def test_a_birth_corrected_in_a_record_opened_again_is_counted_once(sqlite):
    """It was opened to correct it, not for another pregnancy."""
    with sqlite.write() as session:
        her = add_woman(session, weeks=None, days_ago=300)
        note_birth(session, her, BirthOutcome.LIVE, ago(3), None, PROTOCOL)
        close_woman(session, her, Closing.DELIVERED, today(), None, sure=True)
        reopen_woman(session, her, today(), None)
        note_birth(session, her, BirthOutcome.STILLBIRTH, ago(3), None, PROTOCOL)
    assert births_and_tests_after(sqlite, 3)[0] == 1


def test_a_month_that_goes_on_is_pending(sqlite):
    first, after = month_bounds(today())
    with sqlite.read() as session:
        summary = summarise(session, today(), today(), RULES)
    assert report_dict(summary, "", today())["status"] == "pending"
    over = report_dict(summary, "", after)
    assert over["status"] == "complete"
    assert over["period"]["start"] == first.isoformat()
    assert over["period"]["end"] == (after - dt.timedelta(days=1)).isoformat()


def test_the_check_would_find_a_fault(sqlite):
    with sqlite.read() as session:
        report = report_dict(summarise(session, today(), today(), RULES), "", today())
    report["group"][0]["population"][0]["count"] = "many"
    with pytest.raises(ValueError, match="count"):
        MeasureReport.model_validate(report)


@pytest.mark.parametrize("taken", [facts(5.0), refused()])
def test_a_referral_opened_by_mistake_is_not_counted(sqlite, taken):
    """Another woman's photo, taken back: her referral stays open until a supervisor ends it."""
    with sqlite.write() as session:
        her, other = (add_woman(session, code, days_ago=60) for code in ("KX-1", "KX-2"))
        photo(session, other, facts(5.0), days_ago=40)
        wrong = photo(session, her, taken, days_ago=40)
        (referral,) = her.referrals

        def counted():
            month = (today() - 40 * DAY).replace(day=1)
            found = summarise(session, month, today(), RULES).referrals
            return found.opened, found.urgent, found.unread, found.missing

        urgent, unread = referral.urgent, referral.hb_g_dl is None
        assert counted() == (2, 1 + urgent, unread, 2)
        set_aside(session, wrong, "another woman's", None, combine, NOBODY)
        assert referral.closed_at is None
        assert counted() == (1, 1, 0, 1)
        # What is read of her then asks on its own.
        photo(session, her, facts(9.0), days_ago=39)
        assert counted()[0] == 2
        close(session, referral, ReferralOutcome.MISTAKE, utc_now(), None)
        assert counted() == (1, 1, 0, 1)
