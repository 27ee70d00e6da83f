"""Control charts against the NIST handbook, textbook data and published run lengths."""

from datetime import date, timedelta

import numpy as np
import pytest

from cardreader.calibrate.confirmations import read_confirmations
from cardreader.calibrate.drift import (
    Confirmation,
    cusum,
    cusum_run_length,
    ewma,
    ewma_run_length,
    selected_centre,
    watch,
)
from cardreader.calibrate.studyfaults import StudyError

# D. C. Montgomery, Introduction to Statistical Quality Control, data of the CUSUM chapter: mean
# 10, sd 1, shifted to 11 from observation 21 (data as repeated in public library manuals).
MONTGOMERY = np.array(
    [
        *(9.45, 7.99, 9.29, 11.66, 12.16, 10.18, 8.04, 11.46, 9.20, 10.34),
        *(9.03, 11.47, 10.51, 9.40, 10.08, 9.37, 10.62, 10.31, 8.52, 10.84),
        *(10.90, 9.33, 12.29, 11.50, 10.60, 11.08, 10.38, 11.62, 11.31, 10.52),
    ]
)


def test_ewma_of_the_nist_handbook():
    # NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.4: weight 0.3, target 50, sd 2.0539.
    data = np.array(
        [
            *(52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5),
            *(49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1),
        ]
    )
    printed = [50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33]
    printed += [50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99]
    chart = ewma((data - 50) / 2.0539, weight=0.3, width=3)
    assert 50 + 2.0539 * chart.value == pytest.approx(printed, abs=0.011)
    assert 50 + 2.0539 * chart.limit[-1] == pytest.approx(52.5884, abs=3e-3)
    assert chart.first_alarm is None


def test_cusum_of_the_textbook_signals_at_observation_29():
    # The textbook finds C+ = 5.28 at observation 29 with k 0.5 and h 5, the sum having been
    # above zero for 7 observations, so that the shift began after observation 22 (from memory).
    chart = cusum(MONTGOMERY - 10)
    assert chart.first_alarm == 28
    assert chart.high[28] == pytest.approx(5.28, abs=0.005)
    assert chart.since == 22


def test_ewma_of_the_same_data_signals_late_too():
    # Same book, weight 0.1 and width 2.7: the last points cross the upper limit (from memory).
    chart = ewma(MONTGOMERY - 10, weight=0.1, width=2.7)
    assert 27 <= chart.first_alarm <= 28


@pytest.mark.parametrize(("shift", "length"), [(0.0, 465), (1.0, 10.4), (2.0, 4.01)])
def test_cusum_run_lengths_as_published(shift, length):
    # Hawkins 1993, table for k 0.5, h 5, repeated in Montgomery: 465, 10.4, 4.01 (from memory).
    assert cusum_run_length(0.5, 5.0, shift) == pytest.approx(length, rel=0.005)


@pytest.mark.parametrize(("shift", "length"), [(0.0, 500), (1.0, 10.3), (0.5, 31.3)])
def test_ewma_run_lengths_as_published(shift, length):
    # Lucas and Saccucci, Technometrics 1990; 32: 1-12, weight 0.1, width 2.814 (from memory).
    assert ewma_run_length(0.1, 2.814, shift) == pytest.approx(length, rel=0.01)


def test_run_length_agrees_with_simulation():
    rng = np.random.default_rng(20)
    lengths = []
    for _ in range(400):
        first = cusum(rng.normal(1.0, 1, 200)).first_alarm
        lengths.append(first + 1)
    assert np.mean(lengths) == pytest.approx(10.4, rel=0.08)


def _confirmations(rng, lot, phone, n, shift, start=0):
    lab = rng.uniform(6, 11, n)
    return [
        Confirmation(
            date(2026, 1, 5) + timedelta(days=start + i),
            lot,
            phone,
            float(value + rng.normal(shift, 0.7)),
            float(value),
            0.7,
        )
        for i, value in enumerate(lab)
    ]


def test_the_faded_lot_is_raised_and_the_good_one_is_not():
    rng = np.random.default_rng(21)
    entries = _confirmations(rng, "000101", "phone A", 60, 0.0)
    entries += _confirmations(rng, "000102", "phone B", 30, 0.0)
    entries += _confirmations(rng, "000102", "phone B", 40, -0.7, start=30)
    charts = {chart.name: chart for chart in watch(entries)}
    assert charts["000102"].alarm
    assert charts["phone B"].alarm
    assert not charts["000101"].alarm
    assert "below" in charts["000102"].words
    assert "blotting paper" in charts["000102"].words  # another batch drifts as faded cards do
    assert charts["000102"].cusum.since > 20
    assert watch(entries)[0].alarm


def test_order_of_arrival_does_not_matter():
    rng = np.random.default_rng(22)
    entries = _confirmations(rng, "1", "p", 50, -0.5)
    late = entries[::-1]
    assert np.array_equal(watch(entries)[0].z, watch(late)[0].z)


def test_confirming_only_low_readings_would_drift_without_the_selected_centre():
    rng = np.random.default_rng(23)
    lab = rng.normal(11, 1.5, 4000)
    reading = lab + rng.normal(0, 0.8, 4000)
    centre = selected_centre(reading, lab, 9.0)
    assert centre < -0.3
    with pytest.raises(ValueError, match="needed"):
        selected_centre(reading, lab, 5.0)


def test_a_lot_whose_zeros_a_spreadsheet_took_is_one_lot(tmp_path):
    path = tmp_path / "c.csv"
    rows = ("027001,Phone A", "27001,phone a", "027002,Phone B")
    lines = [f"2026-03-0{day},{row},9.1,0.5,9.0,0.2" for day, row in enumerate(rows, start=1)]
    path.write_text("\n".join(["date,lot,phone,hb_g_dl,sd_g_dl,lab_g_dl,lab_sd_g_dl", *lines]))
    charts = watch(read_confirmations(path))
    assert {chart.name: chart.n for chart in charts} == {
        "027001": 2,
        "027002": 1,
        "Phone A": 2,
        "Phone B": 1,
    }


def test_an_error_that_is_not_told_is_asked_for_by_what_it_is(tmp_path):
    """Without it there are no limits; with a guess they would hide drift or invent it."""
    path = tmp_path / "confirmations.csv"
    header = "date,lot,phone,hb_g_dl,sd_g_dl,lab_g_dl,lab_sd_g_dl"
    path.write_text(f"{header}\n2026-03-01,027001,a,9.1,,9.3,0.3\n2026-03-02,027001,a,9.1,.5,9,\n")
    with pytest.raises(StudyError) as caught:
        read_confirmations(path)
    reading, laboratory = caught.value.errors
    assert str(reading).startswith("row 1, sd_g_dl: is empty: how far the reading may be off, one")
    assert str(laboratory).startswith("row 2, lab_sd_g_dl: is empty: how far one laboratory")
    path.write_text("date,lot,phone,hb_g_dl,lab_g_dl,lab_sd_g_dl\n")
    with pytest.raises(StudyError, match="sd_g_dl: column is missing: how far the reading"):
        read_confirmations(path)
