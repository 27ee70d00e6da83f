"""Variance components against the GUM's worked example and simulated replicates."""

import numpy as np
import pytest
from published import PEFR

from cardreader.calibrate.repeatability import repeatability, variance_parts


def _five_with(mean, sd):
    shape = np.array([-2.0, -1.0, 0.0, 1.0, 2.0])
    return mean + sd * shape / shape.std(ddof=1)


def test_gum_zener_example():
    # JCGM 100:2008, H.5: ten days of five readings of a voltage standard, given by daily mean
    # and sd in microvolts (from memory): s_a 128, s_b 85, F 2.25 on 9 and 40 degrees of freedom,
    # between-day sd 43.
    means = [172, 116, 13, 144, 106, 31, 60, 125, 163, 41]
    sds = [60, 77, 111, 101, 67, 93, 80, 73, 88, 86]
    values = np.concatenate([_five_with(m, s) for m, s in zip(means, sds, strict=True)])
    parts = variance_parts(values, np.repeat(np.arange(10), 5))
    assert (parts.df_between, parts.df_within) == (9, 40)
    assert np.sqrt(parts.within) == pytest.approx(85, abs=0.5)
    assert np.sqrt(5 * parts.between + parts.within) == pytest.approx(128, abs=0.5)
    assert parts.f == pytest.approx(2.25, abs=0.02)
    assert np.sqrt(parts.between) == pytest.approx(43, abs=0.5)


@pytest.mark.parametrize(("columns", "sd"), [((0, 1), 15.3), ((2, 3), 19.9)])
def test_repeatability_of_the_two_flow_meters(columns, sd):
    # Within-subject sd of the Wright and the mini Wright meter, Bland and Altman, Statistical
    # Methods in Medical Research 1999; 8: 135-160 (15.3 and 19.9 l/min, from memory).
    values = PEFR[:, columns].ravel()
    subject = np.repeat(np.arange(17), 2)
    result = repeatability(values, subject, np.zeros(34))
    assert result.sd_repeatability_g_dl == pytest.approx(sd, abs=0.05)
    assert result.limit_R_g_dl is None


def _readings(rng, n, phones, blots, sd_phone, sd_photo, cv):
    truth = rng.uniform(5, 14, n)
    shift = rng.normal(0, sd_phone, phones)
    rows = []
    for woman in range(n):
        for blot in range(blots):
            volume = 1 + rng.normal(0, cv)
            for phone in range(phones):
                for _ in range(2):
                    value = truth[woman] * volume + shift[phone] + rng.normal(0, sd_photo)
                    rows.append((value, woman, phone, blot))
    return np.array(rows).T


def test_known_parts_are_recovered():
    rng = np.random.default_rng(9)
    value, woman, phone, _ = _readings(rng, 80, 8, 2, 0.5, 0.3, 0.0)
    result = repeatability(value, woman, phone)
    assert result.sd_repeatability_g_dl == pytest.approx(0.3, rel=0.05)
    assert result.limit_r_g_dl == pytest.approx(2.8 * 0.3, rel=0.05)
    assert result.sd_reproducibility_g_dl == pytest.approx(np.hypot(0.3, 0.5), rel=0.35)
    assert result.sd_ci[0] < 0.3 < result.sd_ci[1]


def test_no_replicates_no_answer():
    assert repeatability([8, 9, 10], ["a", "b", "c"], ["p", "p", "p"]) is None
