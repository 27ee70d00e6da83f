"""Bridging: does a calibration still hold for a new card lot or phone, and if not, what then.

A few women are read with the new lot or phone and by the laboratory. Three
questions are asked of the old calibration:

- Is the mean bias within a margin? Two one-sided tests (Schuirmann, J Pharmacokinet
  Biopharm 1987; 15: 657-680): equivalence must be shown, absence of a
  significant difference is not enough.
- Do intervals still hold the laboratory value? Given n calibration women and rank
  k, the number held among m new women is beta-binomial(m, k, n + 1 - k) if
  nothing has changed; the test is exact.
- Are the errors larger than they were? Rank-sum test of the conformity scores
  against those of the calibration, where these are at hand.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray
from scipy import stats
from statsmodels.stats.weightstats import DescrStatsW

from cardreader.calibrate.anchored import RampAnchored
from cardreader.calibrate.conformal import (
    TooFewPairsError,
    exact_rank,
    group_scale,
    least_groups,
    one_per_group,
)
from cardreader.calibrate.coverage import laboratory_interval
from cardreader.calibrate.fit import needed_factors
from cardreader.calibrate.locusregressor import LEAST_ROWS
from cardreader.calibrate.pairs import Pairs, lots_of
from cardreader.calibrate.papers import readable_on
from cardreader.calibrate.planning import pairs_for_bridge
from cardreader.hb.calibration import Calibration

MARGIN_G_DL = 0.5
"""Mean bias that is let pass: ours, to be fixed before the study."""
LEVEL = 0.05
LEAST_WOMEN = 5
WOMEN_FOR_SLOPE = 20
"""With fewer, or a narrow range, only an offset is corrected: a slope would follow the noise."""
RANGE_FOR_SLOPE_G_DL = 4.0


class Verdict(StrEnum):
    """Whether the old calibration may be used with what is new."""

    HOLDS = "holds"
    FAILS = "does not hold"
    UNDECIDED = "undecided"


@dataclass(frozen=True)
class Bridge:
    """Result of a bridging study; differences are reading minus laboratory, g/dL.

    Attributes
    ----------
    n_women, n_refused : int
        Women with a reading; pairs that the old calibration refuses.
    bias, sd : float
    bias_ci : (float, float)
        90 % interval, the one that belongs to two one-sided 5 % tests.
    equivalence_p, coverage_p : float
    larger_errors_p : float or None
        None without the calibration's scores.
    n_covered : int
        Women whose interval held the laboratory value.
    pairs_wanted : int
        Women that would give 80 % power at the sd found.
    """

    verdict: Verdict
    n_women: int
    n_refused: int
    bias: float
    sd: float
    bias_ci: tuple[float, float]
    margin_g_dl: float
    equivalence_p: float
    n_covered: int
    coverage_p: float
    larger_errors_p: float | None
    pairs_wanted: int

    @property
    def words(self) -> str:
        """The verdict in plain words."""
        low, high = self.bias_ci
        found = (
            f"{self.n_women} women, bias {self.bias:+.2f} g/dL "
            f"(90 % interval {low:+.2f} to {high:+.2f}), "
            f"{self.n_covered} of {self.n_women} intervals held the laboratory value."
        )
        if self.verdict is Verdict.HOLDS:
            return f"The old calibration holds: {found}"
        if self.verdict is Verdict.FAILS:
            return f"The old calibration does not hold and must not be used: {found}"
        return (
            f"Undecided; until it is decided the old calibration must not be used: {found} "
            f"About {self.pairs_wanted} women would decide it."
        )


def bridge(
    pairs: Pairs,
    calibration: Calibration,
    n_conformal: int | None = None,
    scores: Sequence[float] | None = None,
    margin_g_dl: float = MARGIN_G_DL,
    seed: int = 1,
) -> Bridge:
    """Test whether a calibration holds for new pairs.

    Parameters
    ----------
    pairs : Pairs
        Of the new lot or phone alone.
    n_conformal : int, optional
        Women behind the calibration's interval factor; None takes its coverage as known.
    scores : sequence of float, optional
        The calibration's conformity scores, one a woman.

    Raises
    ------
    TooFewPairsError
        Fewer than `LEAST_WOMEN` women.
    """
    found = pairs.estimates(calibration)
    read = found.final()
    accepted = np.flatnonzero(readable_on(found, pairs.paper))
    one = accepted[one_per_group(pairs.subject[accepted], seed)]
    if one.size < LEAST_WOMEN:
        raise TooFewPairsError(
            f"{one.size} women gave a reading; a bridging study needs at least {LEAST_WOMEN}"
        )
    lab = pairs.lab_g_dl[one]
    difference = read.median[one] - lab
    summary = DescrStatsW(difference)
    equivalence_p = float(summary.ttost_mean(-margin_g_dl, margin_g_dl)[0])
    low, high = summary.tconfint_mean(2 * LEVEL)
    start, end = laboratory_interval(read, pairs, calibration)
    covered = (start[one] <= lab) & (lab <= end[one])
    coverage_p = coverage_probability(
        int(covered.sum()), one.size, calibration.coverage, n_conformal
    )
    larger_p = _larger_errors_p(pairs.take(one), calibration, scores)
    sd = float(difference.std(ddof=1))
    bias_out = low > margin_g_dl or high < -margin_g_dl
    worse = coverage_p < LEVEL or (larger_p is not None and larger_p < LEVEL / 5)
    if bias_out or worse:
        verdict = Verdict.FAILS
    else:
        verdict = Verdict.HOLDS if equivalence_p < LEVEL else Verdict.UNDECIDED
    return Bridge(
        verdict=verdict,
        n_women=one.size,
        n_refused=int(len(pairs) - accepted.size),
        bias=float(difference.mean()),
        sd=sd,
        bias_ci=(float(low), float(high)),
        margin_g_dl=margin_g_dl,
        equivalence_p=equivalence_p,
        n_covered=int(covered.sum()),
        coverage_p=coverage_p,
        larger_errors_p=larger_p,
        pairs_wanted=pairs_for_bridge(max(sd, 0.05), margin_g_dl),
    )


def coverage_probability(n_covered: int, n: int, coverage: float, n_conformal: int | None) -> float:
    """Probability of so few or fewer intervals holding, if nothing has changed."""
    if n_conformal is None:
        return float(stats.binom.cdf(n_covered, n, coverage))
    rank = exact_rank(n_conformal, 1 - coverage)
    return float(stats.betabinom.cdf(n_covered, n, rank, n_conformal + 1 - rank))


def _larger_errors_p(
    one: Pairs, calibration: Calibration, scores: Sequence[float] | None
) -> float | None:
    if not scores:
        return None
    new = needed_factors(
        replace(calibration, conformal_scale=1.0), one, calibration.volume_cv, calibration.coverage
    )
    new = new[~np.isnan(new)]
    # Ranks only: an infinite score is merely the largest.
    finite = np.where(np.isinf(new), np.finfo(float).max, new)
    return float(stats.mannwhitneyu(finite, scores, alternative="greater").pvalue)


@dataclass(frozen=True, eq=False)
class Update:
    """An old calibration with its scale corrected by the bridging pairs.

    ``rms_old_g_dl`` and ``rms_new_g_dl`` compare both on women left out in turn.
    """

    calibration: Calibration
    offset_only: bool
    intercept_g_dl: float
    slope: float
    rms_old_g_dl: float
    rms_new_g_dl: float
    conformity_scores: tuple[float, ...]


def update(pairs: Pairs, calibration: Calibration, seed: int = 1) -> Update:
    """Correct a calibration's scale to bridging pairs and set its intervals anew.

    The new calibration is for the lots of the bridging pairs only. Its interval
    factor comes from women left out one by one, by exact rank.

    Raises
    ------
    TooFewPairsError
        Fewer women than the calibration's coverage needs.
    """
    n_women = np.unique(pairs.subject).size
    least = max(least_groups(1 - calibration.coverage), LEAST_WOMEN)
    if n_women < least or len(pairs) < LEAST_ROWS + 1:
        raise TooFewPairsError(
            f"{n_women} women can't support new intervals: at least {least} are needed"
        )
    wide = np.ptp(pairs.lab_g_dl) >= RANGE_FOR_SLOPE_G_DL
    offset_only = n_women < WOMEN_FOR_SLOPE or not wide
    model = RampAnchored(calibration, offset_only, calibration.volume_cv, keep_range=True)
    factor = np.full(len(pairs), np.nan)
    new = np.full(len(pairs), np.nan)
    for woman in np.unique(pairs.subject):
        out = pairs.subject == woman
        train, test = pairs.take(np.flatnonzero(~out)), pairs.take(np.flatnonzero(out))
        draft = model.fit(train.x, train.lab_g_dl, train.lab_sd_g_dl).calibration_
        new[out] = model.predict(test.x)
        factor[out] = needed_factors(draft, test, calibration.volume_cv, calibration.coverage)
    usable = np.flatnonzero(~np.isnan(factor))
    scale = group_scale(factor[usable], pairs.subject[usable], 1 - calibration.coverage)
    one = usable[one_per_group(pairs.subject[usable], seed)]
    model.fit(pairs.x, pairs.lab_g_dl, pairs.lab_sd_g_dl)
    old = pairs.estimates(calibration).final().median
    return Update(
        calibration=replace(
            model.calibration_,
            conformal_scale=scale,
            n_pairs=calibration.n_pairs + len(pairs),
            **lots_of(pairs),
        ),
        offset_only=offset_only,
        intercept_g_dl=model.intercept_,
        slope=model.slope_,
        rms_old_g_dl=_rms(old[one] - pairs.lab_g_dl[one]),
        rms_new_g_dl=_rms(new[one] - pairs.lab_g_dl[one]),
        conformity_scores=tuple(sorted(float(min(score, 1e6)) for score in factor[one])),
    )


def _rms(error: NDArray[np.float64]) -> float:
    return float(np.sqrt(np.mean(error**2)))


def with_lots(calibration: Calibration, pairs: Pairs) -> Calibration:
    """A calibration that holds, extended to the lots of the bridging study."""
    if not calibration.lots:
        return calibration
    new = lots_of(pairs)
    return replace(
        calibration,
        lots=tuple(sorted({*calibration.lots, *new["lots"]})),
        lots_by_design=tuple(sorted({*calibration.lots_by_design, *new["lots_by_design"]})),
    )
