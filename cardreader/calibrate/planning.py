"""How many women a study needs: limits of agreement, sensitivity at a cut-off, equivalence."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from scipy import special, stats
from statsmodels.stats.proportion import proportion_confint

from cardreader.calibrate.agreement import CiMethod, limit_interval

MAX_SUBJECTS = 1_000_000
"""A plan that asks for more is answered with an error, not with a number nobody can use."""


def _smallest(enough: Callable[[int], bool], least: int) -> int:
    """Smallest n for which a condition that n only helps holds; doubling, then bisection."""
    high = least
    while not enough(high):
        high *= 2
        if high > MAX_SUBJECTS:
            raise ValueError(f"more than {MAX_SUBJECTS} subjects would be needed")
    low = max(least, high // 2)
    while low < high:
        middle = (low + high) // 2
        if enough(middle):
            high = middle
        else:
            low = middle + 1
    return high


def limits_half_width(
    sd_g_dl: float, n: int, confidence: float = 0.95, method: CiMethod = "exact"
) -> float:
    """Expected half-width (g/dL) of the interval of a 95 % limit of agreement.

    The sd of n differences is below the true one on average; the factor
    ``c4(n)`` takes that into account.
    """
    low, high = limit_interval(float(stats.norm.ppf(0.975)), n, confidence, method)
    c4 = math.sqrt(2 / (n - 1)) * math.exp(special.gammaln(n / 2) - special.gammaln((n - 1) / 2))
    return (high - low) / 2 * sd_g_dl * c4


def subjects_for_limits(
    sd_g_dl: float,
    half_width_g_dl: float,
    confidence: float = 0.95,
    method: CiMethod = "exact",
) -> int:
    """Subjects so that each limit of agreement is known to -/+ ``half_width_g_dl``.

    Parameters
    ----------
    sd_g_dl : float
        Expected sd of reading minus laboratory, from a pilot study.
    """
    if sd_g_dl <= 0 or half_width_g_dl <= 0:
        raise ValueError("sd_g_dl and half_width_g_dl must be positive")
    return _smallest(
        lambda n: limits_half_width(sd_g_dl, n, confidence, method) <= half_width_g_dl, 3
    )


def _assurance(n: int, share: float, floor: float, confidence: float) -> float:
    """Probability that the lower Wilson limit lies above ``floor`` when the truth is ``share``."""
    counts = np.arange(n + 1)
    low = proportion_confint(counts, n, 1 - confidence, method="wilson")[0]
    return float(stats.binom.pmf(counts, n, share)[np.asarray(low) >= floor].sum())


def cases_for_sensitivity(
    expected: float, lower_limit: float, assurance: float = 0.8, confidence: float = 0.95
) -> int:
    """Women below the cut-off so that sensitivity is shown to exceed ``lower_limit``.

    The smallest number for which, here and at every larger number up to twice
    it, the lower Wilson limit is at least ``lower_limit`` with probability
    ``assurance``; binomial steps make the probability go up and down with n.

    Parameters
    ----------
    expected : float
        Sensitivity that is believed to be true, above ``lower_limit``.
    """
    if not 0 < lower_limit < expected <= 1:
        raise ValueError("must have 0 < lower_limit < expected <= 1")
    if not 0 < assurance < 1:
        raise ValueError(f"assurance must lie between 0 and 1, got {assurance}")
    last_bad, n = 0, 1
    while n <= max(2 * (last_bad + 1), 10):
        if _assurance(n, expected, lower_limit, confidence) < assurance:
            last_bad = n
        n += 1
        if n > 20_000:
            raise ValueError("more than 20000 cases would be needed: lower_limit is too close")
    return last_bad + 1


def subjects_to_screen(cases: int, prevalence: float, assurance: float = 0.9) -> int:
    """Women to enrol so that ``cases`` diseased are among them with probability ``assurance``.

    ``cases / prevalence`` alone would fall short in half of all studies.
    """
    if cases < 1 or not 0 < prevalence <= 1:
        raise ValueError("cases must be at least 1 and prevalence a share above 0")
    return _smallest(lambda n: bool(stats.binom.sf(cases - 1, n, prevalence) >= assurance), cases)


def equivalence_power(n: int, sd_g_dl: float, margin_g_dl: float, level: float = 0.05) -> float:
    """Power of the two one-sided tests on a mean difference whose truth is zero.

    Exact through Owen's integral over the distribution of the sd.
    """
    df = n - 1
    t = stats.t.ppf(1 - level, df)
    # The tests can both succeed only while t * s / sqrt(n) < margin.
    largest = df * n * (margin_g_dl / (t * sd_g_dl)) ** 2
    quantiles = np.linspace(0, stats.chi2.cdf(largest, df), 2001)
    middles = (quantiles[:-1] + quantiles[1:]) / 2
    s = sd_g_dl * np.sqrt(stats.chi2.ppf(middles, df) / df)
    room = (margin_g_dl - t * s / np.sqrt(n)) * np.sqrt(n) / sd_g_dl
    inside = 2 * stats.norm.cdf(np.maximum(room, 0)) - 1
    return float(np.sum(inside * np.diff(quantiles)))


def pairs_for_bridge(
    sd_g_dl: float, margin_g_dl: float, power: float = 0.8, level: float = 0.05
) -> int:
    """Pairs of a bridging study that shows the mean bias to lie within -/+ ``margin_g_dl``."""
    if sd_g_dl <= 0 or margin_g_dl <= 0 or not 0 < power < 1:
        raise ValueError("sd, margin must be positive and power between 0 and 1")
    return _smallest(lambda n: equivalence_power(n, sd_g_dl, margin_g_dl, level) >= power, 3)
