"""Days whose readings as a whole lie off those before; all women and values are invented."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pytest
from builders import PROTOCOL, add_woman, facts, lab, photo
from scipy import stats
from sqlalchemy import func, select

from cardreader.decide.liesoff import BETWEEN_DAYS_SD_G_DL
from cardreader.register.base import local_day, utc_now
from cardreader.register.daydoubt import days_too_high
from cardreader.register.dayshift import OneValue, day_shift, day_shifts, shift_of
from cardreader.register.keptlists import keep_lists
from cardreader.register.kinds import FitState, Source
from cardreader.register.lists import ListName
from cardreader.register.models import CalibrationUse, Reading, SiteCalibration
from cardreader.register.shownlists import counts_today, days_in_doubt, on_any_list, part_of_list
from cardreader.register.women import find_woman

FIRST = dt.date(2026, 3, 2)
MEAN, WOMEN_SD, READING_SD = 10.4, 1.6, 0.65


def a_day(rng, number: int, women: dict[str, float], off: float = 0.0) -> list[OneValue]:
    """One week's session of women by name and true value, g/dL."""
    off += rng.normal(0, 0.4)  # villages and lamps
    on = FIRST + dt.timedelta(weeks=number)
    return [OneValue(on, name, hb + off + rng.normal(0, READING_SD)) for name, hb in women.items()]


def a_place(
    rng, per_day: int = 12, off: float = 0.0
) -> tuple[list[OneValue], list[OneValue], dict[str, float]]:
    """The last of eleven sessions, all before it, and each woman's true value.

    A third of the women of a session were read four weeks before.
    """
    days: list[list[OneValue]] = []
    true: dict[str, float] = {}
    for number in range(11):
        names = [v.woman_id for v in days[number - 4][: per_day // 3]] if number >= 4 else []
        while len(names) < per_day:
            names.append(f"w{len(true)}")
            true[names[-1]] = rng.normal(MEAN, WOMEN_SD)
        women = {name: true[name] for name in names}
        days.append(a_day(rng, number, women, off if number == 10 else 0.0))
    return days[-1], [value for day in days[:-1] for value in day], true


def share_named(rng, times: int = 300, **place) -> float:
    return float(np.mean([shift_of(*a_place(rng, **place)[:2]) is not None for _ in range(times)]))


def test_ordinary_days_are_hardly_ever_named():
    # Were all as supposed, one in 370: of 300 more than four in one test of a thousand.
    rng = np.random.default_rng(660511)
    assert share_named(rng) <= stats.binom.ppf(0.999, 300, stats.norm.sf(3) * 2) / 300


@pytest.mark.parametrize("off", [-4.5, 4.5])
def test_another_paper_is_named(off):
    # As far off as another paper reads in the benchmark of papers that nobody told (docs/sites.md).
    assert share_named(np.random.default_rng(660512), off=off) > 0.97


def test_by_how_much():
    rng = np.random.default_rng(660513)
    found = [shift_of(*a_place(rng, per_day=20, off=3.0)[:2]) for _ in range(100)]
    shifts = [one.shift_g_dl for one in found if one is not None]
    assert len(shifts) > 90
    assert np.mean(shifts) == pytest.approx(3.0, abs=0.2)


def test_severe_women_who_come_again_are_no_shift():
    """A session of eight who all were severe is low, and was to be expected."""
    rng = np.random.default_rng(660514)
    named = 0
    for _ in range(200):
        _, before, true = a_place(rng)
        lowest = sorted(true, key=true.__getitem__)[:8]
        again = a_day(rng, 11, {name: true[name] for name in lowest})
        assert np.mean([value.hb_g_dl for value in again]) < MEAN - 1
        named += shift_of(again, before) is not None
    assert named <= 4


def test_few_say_nothing():
    rng = np.random.default_rng(660515)
    day, before, _ = a_place(rng, off=6.0)
    assert shift_of(day, before) is not None
    assert shift_of(day[:5], before) is None
    assert shift_of(day, before[:19]) is None
    one_day = [OneValue(FIRST, str(k), value.hb_g_dl) for k, value in enumerate(before[:40])]
    assert shift_of(day, one_day) is None


def test_new_women_alone_weigh_alike():
    """Without women known before it is the plain mean, its limit the z test's (scipy)."""
    rng = np.random.default_rng(660516)
    before = [
        OneValue(FIRST + dt.timedelta(days=k % 5), f"b{k}", rng.normal(10, 1.5)) for k in range(80)
    ]
    values = sorted(value.hb_g_dl for value in before)
    low, middle, high = values[20], values[40], values[60]
    variance = ((high - low) / (stats.norm.ppf(0.75) - stats.norm.ppf(0.25))) ** 2
    sd = np.sqrt(variance * (1 / 9 + 1 / 80) + BETWEEN_DAYS_SD_G_DL**2 * (1 + 1 / 5))
    for z, named in ((2.9, False), (3.1, True), (-3.1, True)):
        on = FIRST + dt.timedelta(days=9)
        day = [OneValue(on, f"d{k}", middle + z * sd + (k - 4) / 10) for k in range(9)]
        found = shift_of(day, before)
        assert (found is not None) is named
        if found is not None:
            assert found.shift_g_dl == pytest.approx(z * sd)


def sessions(session, off: float = 0.0) -> list:
    """Three weeks of ten women, and seven today; returns today's readings."""
    rng = np.random.default_rng(660517)
    for week in (3, 2, 1):
        for k in range(10):
            woman = add_woman(session, f"W{week}-{k:02d}", days_ago=7 * week)
            photo(session, woman, facts(float(rng.normal(10.4, 1.6))), days_ago=7 * week)
    today = []
    for k in range(7):
        woman = add_woman(session, f"T-{k:02d}")
        today.append(photo(session, woman, facts(float(rng.normal(10.4, 1.6) + off))))
    session.flush()
    return today


def test_in_a_register(database):
    today = local_day(utc_now())
    with database.write() as session:
        sessions(session, off=4.5)
        found = day_shift(session, today)
        assert found is not None
        assert found.on == today
        assert found.women == 7
        assert 2.5 < found.shift_g_dl < 6.5
        month = today - dt.timedelta(days=30)
        assert day_shifts(session, month, today + dt.timedelta(days=1)) == (found,)
        assert day_shift(session, today - dt.timedelta(days=7)) is None


def put_into_use(session, name: str, days_ago: float) -> None:
    """A calibration of the site's, in use since then."""
    now = utc_now()
    calibration = SiteCalibration(name=name, state=FitState.READY.value, begun_at=now, beat_at=now)
    number = (session.scalar(select(func.max(CalibrationUse.number))) or 0) + 1
    since = now - dt.timedelta(days=days_ago)
    use = CalibrationUse(number=number, calibration=calibration, since=since, reason="invented")
    session.add(use)
    session.flush()


def test_a_day_that_was_off_stays_so_when_another_calibration_comes_into_use(sqlite):
    """Her photo of that day says what it said: no page may call her well for the new one."""
    today = local_day(utc_now())
    with sqlite.write() as session:
        put_into_use(session, "first", 30)
        sessions(session, off=4.5)
        found = day_shift(session, today)
        assert found is not None
        put_into_use(session, "second", -0.01)
        assert day_shift(session, today) == found
        month = today - dt.timedelta(days=30)
        assert day_shifts(session, month, today + dt.timedelta(days=1)) == (found,)


def test_the_first_days_of_another_calibration_are_held_against_those_of_the_one_before(sqlite):
    today = local_day(utc_now())
    with sqlite.write() as session:
        put_into_use(session, "first", 30)
        sessions(session, off=4.5)
        as_one = day_shift(session, today)
        put_into_use(session, "second", 2)
        found = day_shift(session, today)
        assert found is not None
        assert found == as_one


def test_what_two_calibrations_may_differ_by_names_no_day(sqlite):
    """As far off as is named of one calibration, and not of another that is new."""
    today = local_day(utc_now())
    with sqlite.write() as session:
        put_into_use(session, "first", 30)
        sessions(session, off=3.3)
        assert day_shift(session, today) is not None
        put_into_use(session, "second", 2)
        assert day_shift(session, today) is None


def test_a_sites_calibration_is_not_held_against_what_demonstration_cards_said(sqlite):
    today = local_day(utc_now())
    with sqlite.write() as session:
        sessions(session, off=4.5)
        put_into_use(session, "first", 2)
        assert day_shift(session, today) is None


def test_a_calibration_that_came_back_into_use_is_held_against_its_own_days(sqlite):
    today = local_day(utc_now())
    with sqlite.write() as session:
        sessions(session, off=4.5)
        put_into_use(session, "first", 2)
        assert day_shift(session, today) is None
        session.add(CalibrationUse(number=2, since=utc_now() - dt.timedelta(1), reason="back"))
        session.flush()
        assert day_shift(session, today) is not None


def test_what_was_set_aside_is_not_compared(sqlite):
    today = local_day(utc_now())
    with sqlite.write() as session:
        for reading in sessions(session, off=4.5)[:2]:
            reading.set_aside_at = utc_now()
        session.flush()
        assert day_shift(session, today) is None  # five are too few


# --- who was called well on such a day -------------------------------------------------


RULES = PROTOCOL.follow_up
DAY_SD = 0.4


def a_day_too_high(session, days_ago: int = 0) -> list[str]:
    """Three weeks of ten women before it, and eight of it; codes of those called well then."""
    rng = np.random.default_rng(660518)
    for week in (3, 2, 1):
        for k in range(10):
            woman = add_woman(session, f"W{week}-{k:02d}", days_ago=7 * week + days_ago, weeks=15)
            hb = float(rng.normal(11.8, DAY_SD))
            photo(session, woman, facts(hb), days_ago=7 * week + days_ago)
    well = []
    for k in range(8):
        woman = add_woman(session, f"T-{k:02d}", days_ago=days_ago, weeks=15)
        hb = float(rng.normal(15.8, DAY_SD))
        reading = photo(session, woman, facts(hb), days_ago=days_ago)
        well.append(reading.woman.code)
    session.flush()
    return well


def on(session, name: ListName, today: dt.date) -> list[str]:
    """Codes on a list; the counts and what is shown part by part must agree with it."""
    whole = part_of_list(session, RULES, name, today)
    codes = [row.woman.code for row in whole.rows]
    assert whole.total == len(codes) == counts_today(session, RULES, today)[name]
    parts = [part_of_list(session, RULES, name, today, at, 3) for at in range(0, len(codes) + 3, 3)]
    assert [row.woman.code for part in parts for row in part.rows] == codes
    return codes


@pytest.fixture(params=["kept", "worked out"])
def listed(request, sqlite):
    """A register whose lists are kept, or worked out as they are shown."""
    if request.param == "kept":
        keep_lists(sqlite, RULES)
    return sqlite


def test_who_was_called_well_on_a_day_too_high_is_due(listed):
    """Else nobody would see her before her next visit, in week 26."""
    today = local_day(utc_now())
    with listed.write() as session:
        well = a_day_too_high(session)
    with listed.read() as session:
        assert [code for code in on(session, ListName.DUE, today) if code in well] == well
        assert not set(on(session, ListName.OVERDUE, today)) & set(well)
        everybody = on_any_list(session, RULES, (ListName.DUE,), today)
        assert set(well) <= {row.woman.code for row in everybody.rows}
        ((shift, women),) = days_in_doubt(session, RULES, days_too_high(session, today))
        assert (shift.on, women) == (today, 8)


def test_she_stays_due_until_there_is_a_newer_value(listed):
    today = local_day(utc_now())
    with listed.write() as session:
        well = a_day_too_high(session, days_ago=20)
    with listed.read() as session:
        for name in (ListName.DUE, ListName.OVERDUE):
            assert set(well) <= set(on(session, name, today))
        ((shift, women),) = days_in_doubt(session, RULES, days_too_high(session, today))
        assert (shift.on, women) == (today - dt.timedelta(days=20), 8)
    with listed.write() as session:
        lab(session, find_woman(session, well[0]), 15.0, days_ago=2)
        photo(session, find_woman(session, well[1]), facts(12.6), days_ago=1)
    with listed.read() as session:
        for name in (ListName.DUE, ListName.OVERDUE):
            assert set(well[2:]) <= set(on(session, name, today))
            assert not set(well[:2]) & set(on(session, name, today))
        ((_, women),) = days_in_doubt(session, RULES, days_too_high(session, today))
        assert women == 6


def test_the_severe_stand_before_them(listed):
    today = local_day(utc_now())
    with listed.write() as session:
        well = a_day_too_high(session)
        severe = add_woman(session, "ZZ-9", days_ago=40, weeks=20)
        photo(session, severe, facts(5.0), days_ago=40)
    with listed.read() as session:
        codes = on(session, ListName.DUE, today)
        assert codes[0] == "ZZ-9"
        assert set(well) < set(codes)


def test_a_day_too_low_calls_nobody_back(listed):
    today = local_day(utc_now())
    with listed.write() as session:
        sessions(session, off=-4.5)
        assert day_shift(session, today) is not None
    with listed.read() as session:
        assert days_in_doubt(session, RULES, days_too_high(session, today)) == []


def weekly(session, offs: list[float]) -> list[dt.date]:
    """Four sessions of twelve women and then one for each of these; their days."""
    rng = np.random.default_rng(660519)
    days = []
    for week, off in enumerate([*[0.0] * 4, *offs]):
        ago = 7 * (len(offs) + 3 - week)
        for k in range(12):
            woman = add_woman(session, f"V{week}-{k}", days_ago=ago)
            photo(session, woman, facts(float(rng.normal(10.4 + off, 1.6))), days_ago=ago)
        days.append(local_day(utc_now()) - dt.timedelta(days=ago))
    session.flush()
    return days[4:]


@pytest.mark.parametrize("calibrations", [0, 1, 2])
def test_one_day_that_lay_off_does_not_hide_the_next(sqlite, calibrations):
    """The paper that nobody told is used a second time, perhaps after another fit."""
    with sqlite.write() as session:
        days = weekly(session, [4.5, 4.5, 4.5, 4.5])
        if calibrations:
            put_into_use(session, "first", 100)
        if calibrations == 2:
            put_into_use(session, "second", 10)
        assert [day_shift(session, day) is not None for day in days] == [True] * 4
        after = days[-1] + dt.timedelta(days=1)
        assert [one.on for one in day_shifts(session, days[0], after)] == days


def test_what_lies_off_for_a_month_is_the_places_level(sqlite):
    with sqlite.write() as session:
        days = weekly(session, [4.5] * 8)
        named = [day_shift(session, day) is not None for day in days]
        assert named[:4] == [True] * 4
        assert named[-3:] == [False] * 3


def test_a_day_of_hundreds_is_told_alone_as_among_others(sqlite):
    """The last 400 readings of a place with many posts are of the days that lie off alone."""
    rng = np.random.default_rng(663110)
    days = []
    with sqlite.write() as session:
        women = [add_woman(session, f"M-{k:03d}", days_ago=9) for k in range(150)]
        session.flush()
        for ago in range(9, -1, -1):
            at = utc_now() - dt.timedelta(days=ago)
            days.append(local_day(at))
            off = 4.5 if ago < 4 else 0.0
            session.add_all(
                Reading(
                    submission_key=f"many-{ago}-{k}",
                    woman_id=woman.id,
                    source=Source.PHOTO.value,
                    taken_at=at,
                    hb_g_dl=float(rng.normal(10.4 + off, 1.6)),
                )
                for k, woman in enumerate(women)
            )
        session.flush()
        alone = [day_shift(session, day) for day in days]
        assert [shift is not None for shift in alone] == [False] * 6 + [True] * 4
        among = day_shifts(session, days[5], days[-1] + dt.timedelta(days=1))
        assert [(one.on, one.women) for one in among] == [(day, 150) for day in days[6:]]
