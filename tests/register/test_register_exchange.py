"""CSV, the monthly summary, the drift pairs."""

from __future__ import annotations

import csv
import datetime as dt
import io

import pytest
from builders import PROTOCOL, add_woman, facts, lab, photo, refused
from days import today

from cardreader.decide.followuprules import FollowUpRules
from cardreader.decide.rule import Outcome
from cardreader.register import labtable, recording, tables
from cardreader.register.base import utc_now
from cardreader.register.confirmations import confirmations
from cardreader.register.entrylimits import OLDEST_RESULT_DAYS
from cardreader.register.summary import summarise
from cardreader.register.tube import TubeUnit

RULES = FollowUpRules()


@pytest.fixture
def month(database):
    """A month's work: one severe, one fine, one refused; a tube and a laboratory result."""
    with database.write() as session:
        severe, fine = add_woman(session, "KX-1"), add_woman(session, "KX-2")
        photo(session, severe, facts(5.0, lot="000001"))
        photo(session, fine, refused("blurred", "000002"))
        photo(session, fine, facts(14.0, lot="000002"))
        recording.record_tube(
            *(session, fine, "tube-key", 13.0, TubeUnit.G_DL, utc_now(), None),
            *(PROTOCOL, recording.subject_of(fine, today(), None)),
        )
        lab(session, severe, 5.4)
    return database


def test_readings_csv(month):
    with month.read() as session:
        rows = list(csv.DictReader(io.StringIO(tables.readings_csv(session, codes=True))))
    assert [row["code"] for row in rows].count("KX-2") == 3
    (refused_row,) = [row for row in rows if row["refusal"]]
    assert refused_row["hb_g_dl"] == ""


def test_csv_cells_do_not_run_as_formulas(sqlite):
    with sqlite.write() as session:
        woman = add_woman(session)
        recording.record_lab(
            *(session, woman, "lab-key", 9.0, "=HYPERLINK(1)", "+1", utc_now(), None, PROTOCOL),
            recording.subject_of(woman, today(), None),
        )
        text = tables.readings_csv(session, codes=True)
    assert "'=HYPERLINK" in text
    assert "'+1" in text


def test_import_of_laboratory_results(database):
    with database.write() as session:
        woman = add_woman(session, "KX-1", days_ago=20)
        photo(session, woman, facts(9.0), days_ago=5)
        lines = [
            "code,date,hb_g_dl,method,place",
            f"kx-1,{today()},9.4,Cell counter,Clinic",
            f"KX-7,{today()},9.4,Cell counter,Clinic",
            "KX-1,25/11/2026,9.4,Cell counter,Clinic",
            f"KX-1,{today()},94,Cell counter,Clinic",
            f"KX-1,{today()},9.4,,Clinic",
            f"KX-1,{today() + dt.timedelta(days=1)},9.4,Cell counter,Clinic",
        ]
        data = "\n".join(lines).encode()
        first = labtable.import_lab(session, data, PROTOCOL, today(), None, None)
        assert (first.entered, first.known) == (1, 0)
        assert [(p.line, p.column) for p in first.problems] == [
            (3, "code"),
            (4, "date"),
            (5, "hb_g_dl"),
            (6, "method"),
            (7, "date"),
        ]
        assert woman.referrals[0].closed_at is not None
        again = labtable.import_lab(session, data, PROTOCOL, today(), None, None)
        assert (again.entered, again.known) == (0, 1)


@pytest.mark.parametrize(("times", "asked"), [(1.0, False), (0.62063, True)])
def test_results_in_mmol_l_under_g_dl_are_asked_about_and_entered(sqlite, times, asked):
    """0.62063 mmol/L are 1 g/dL: PMC3934467, table 1."""
    values = [round(value * times, 1) for value in (11.9, 8.2, 10.9, 12.9, 9.8)]
    with sqlite.write() as session:
        rows = ["code,date,hb_g_dl,method,place"]
        for number, value in enumerate(values):
            add_woman(session, f"KX-{number}", days_ago=20)
            rows.append(f"KX-{number},{today()},{value},Counter,Clinic")
        done = labtable.import_lab(session, "\n".join(rows).encode(), PROTOCOL, today(), None, None)
    assert (done.entered, done.maybe_mmol_l) == (5, asked)


@pytest.mark.parametrize(
    ("separator", "encoding"), [(";", "utf-8-sig"), ("\t", "utf-16"), (",", "utf-8")]
)
def test_results_as_a_spreadsheet_writes_them(sqlite, separator, encoding):
    """Where a comma is the decimal sign, columns are parted by semicolons or tabs."""
    value = "9.4" if separator == "," else "9,4"
    rows = (("Code", "Date", "Hb g dL", "Method", "Place"), ("KX-1", today(), value, "Counter", ""))
    data = "\r\n".join(separator.join(map(str, row)) for row in rows).encode(encoding)
    with sqlite.write() as session:
        woman = add_woman(session, "KX-1", days_ago=20)
        done = labtable.import_lab(session, data, PROTOCOL, today(), None, None)
        assert (done.entered, done.problems) == (1, ())
        assert [r.hb_g_dl for r in woman.readings] == [9.4]


@pytest.mark.parametrize("rest", ["Counter", "Counter,Clinic"])
def test_a_decimal_comma_among_commas_enters_no_other_value(sqlite, rest):
    header = "code,date,hb_g_dl,method,place"
    with sqlite.write() as session:
        woman = add_woman(session, "KX-1", days_ago=20)
        data = f"{header}\nKX-1,{today()},10,9,{rest}\n".encode()
        done = labtable.import_lab(session, data, PROTOCOL, today(), None, None)
        assert [p.problem for p in done.problems] == [
            "a comma parts a number in two: write 11.2, not 11,2"
        ]
        assert not woman.readings


@pytest.mark.parametrize(
    ("table", "problem"),
    [
        (",code,date,hb_g_dl,method\n0,KX-1,{day},9.4,Counter\n", "that has no name: name"),
        ("code;date;hb_g_dl;;method\nKX-1;{day};9,4;x;Counter\n", "that has no name: name"),
        ("code;date;hb_g_dl;method\nKX-1;{day};9,4;Counter;;x\n", "more cells than there are"),
    ],
)
def test_a_row_that_does_not_fit_the_header_is_told_for_what_it_is(sqlite, table, problem):
    """As a data frame writes the numbers of its rows; not for a comma in a number."""
    with sqlite.write() as session:
        woman = add_woman(session, "KX-1", days_ago=20)
        data = table.format(day=today()).encode()
        done = labtable.import_lab(session, data, PROTOCOL, today(), None, None)
        (told,) = done.problems
        assert problem in told.problem
        assert "comma" not in told.problem
        assert (told.line, done.entered, woman.readings) == (2, 0, [])


def test_a_column_that_is_there_twice_is_told(sqlite):
    data = f"code,date,hb_g_dl,method,hb_g_dl\nKX-1,{today()},9.4,Counter,6.1\n".encode()
    with sqlite.write() as session:
        add_woman(session, "KX-1", days_ago=20)
        done = labtable.import_lab(session, data, PROTOCOL, today(), None, None)
    assert [(p.column, p.problem) for p in done.problems] == [
        ("hb_g_dl", "this column is there twice")
    ]


@pytest.mark.parametrize(
    "data", [b"", b"\xff\xfe\x00", b"a,b\n1,2\n", b'code,date,hb_g_dl,method\n"x', b"\x00" * 9]
)
def test_what_is_no_table_is_told(sqlite, data):
    with sqlite.write() as session:
        done = labtable.import_lab(session, data, PROTOCOL, today(), None, None)
    assert done.entered == 0
    assert done.problems


def test_monthly_summary_counts(month):
    with month.read() as session:
        summary = summarise(session, today(), today(), RULES)
    assert (summary.women_added, summary.visits, summary.photos, summary.refused) == (2, 2, 3, 1)
    assert summary.refusal_rate == pytest.approx(1 / 3)
    assert summary.refusals == (("blurred", 1),)
    assert dict(summary.outcomes) == {
        Outcome.SEVERE: 1,
        Outcome.ANAEMIC: 0,
        Outcome.NOT_ANAEMIC: 1,
        Outcome.UNCERTAIN: 0,
    }
    assert (summary.tube_readings, summary.lab_results) == (1, 1)
    sent = summary.referrals
    # The severe laboratory value asks for care; what could be read after all doesn't count.
    assert (sent.opened, sent.urgent, sent.answered, sent.for_care) == (1, 1, 1, 1)
    assert [(lot.lot_id, lot.photos, lot.refused) for lot in summary.lots] == [
        ("000001", 1, 0),
        ("000002", 2, 1),
    ]
    assert summary.referrals.missing == 0


def test_missing_confirmations_are_the_late_ones(database):
    with database.write() as session:
        photo(session, add_woman(session, "KX-1", days_ago=30), facts(9.0), days_ago=20)
        photo(session, add_woman(session, "KX-2"), facts(9.0), days_ago=2)
    with database.read() as session:
        assert summarise(session, today(), today(), RULES).referrals.missing == 1


def test_confirmations_pair_a_photo_with_the_result_after_it(database):
    with database.write() as session:
        woman = add_woman(session, days_ago=60)
        photo(session, woman, facts(9.0), days_ago=40)  # too long before
        photo(session, woman, facts(9.5, lot="000007"), days_ago=3)
        lab(session, woman, 9.9)
        photo(session, woman, facts(11.0), days_ago=-0.001, number=9)  # after it
        (pair,) = confirmations(session)
    assert pair.hb_g_dl - pair.lab_g_dl == pytest.approx(-0.4)
    assert (pair.lot_id, pair.phone) == ("000007", "Invented Phone 1")


def test_what_a_table_is_told_names_the_limits_that_hold(sqlite):
    """The words are translated as they stand, with their figures."""
    last = today() - dt.timedelta(days=OLDEST_RESULT_DAYS)
    low, high = recording.LAB_LIMITS_G_DL
    old = f"in the future or longer ago than {OLDEST_RESULT_DAYS} days"
    cases = {
        (last, low): "",
        (last, high): "hardly ever so high: enter it by hand",
        (last - dt.timedelta(days=1), 9.0): old,
        (today() + dt.timedelta(days=1), 9.0): old,
        (last, low - 0.1): f"not a number from {low:g} to {high:g}",
        (last, high + 0.1): f"not a number from {low:g} to {high:g}",
    }
    for n, ((on, value), told) in enumerate(cases.items()):
        with sqlite.write() as session:
            woman = add_woman(session, f"L-{n}0", weeks=None, days_ago=OLDEST_RESULT_DAYS)
            row = f"{woman.code},{on},{value:g},Cell counter"
            table = f"code,date,hb_g_dl,method\n{row}\n".encode()
            done = labtable.import_lab(session, table, PROTOCOL, today(), None, None)
            assert [problem.problem for problem in done.problems] == ([told] if told else [])
            assert done.entered == (not told)
