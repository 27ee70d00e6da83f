"""Repeatability and reproducibility, from replicates.

Terms and one-way analysis of variance as in ISO 5725-2: a level is one subject,
a "laboratory" is one set of conditions (phone, light, operator), replicates are
readings under the same conditions. The limit ``r = 2.8 s_r`` is the difference
that two such readings exceed in 5 % of cases.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import stats

LIMIT_FACTOR = 2.8
"""``1.96 * sqrt(2)``, rounded as ISO 5725-6 prints it."""


@dataclass(frozen=True)
class VarianceParts:
    """One-way random-effects analysis of variance of one level.

    ``within`` and ``between`` are variances (the latter cut off at zero),
    ``f`` and ``p`` test that groups differ.
    """

    within: float
    between: float
    df_within: int
    df_between: int
    f: float
    p: float


def variance_parts(value: ArrayLike, group: ArrayLike) -> VarianceParts | None:
    """Within- and between-group variance, unbalanced groups allowed.

    Returns
    -------
    VarianceParts or None
        None with fewer than 2 groups or no group of 2 or more.
    """
    values = np.asarray(value, dtype=float)
    labels, index = np.unique(np.asarray(group).astype(str), return_inverse=True)
    n, k = values.size, labels.size
    if k < 2 or n <= k:
        return None
    counts = np.bincount(index)
    means = np.bincount(index, weights=values) / counts
    square_within = float(np.sum((values - means[index]) ** 2) / (n - k))
    square_between = float(np.sum(counts * (means - values.mean()) ** 2) / (k - 1))
    size = (n - np.sum(counts**2) / n) / (k - 1)
    f = square_between / square_within if square_within > 0 else np.inf
    return VarianceParts(
        within=square_within,
        between=max(0.0, (square_between - square_within) / size),
        df_within=n - k,
        df_between=k - 1,
        f=float(f),
        p=float(stats.f.sf(f, k - 1, n - k)),
    )


@dataclass(frozen=True)
class Repeatability:
    """ISO 5725 standard deviations and limits in g/dL; None where the study can't tell.

    ``sd_ci`` is the 95 % chi-square interval of the repeatability sd.
    """

    n_readings: int
    n_cells: int
    sd_repeatability_g_dl: float
    sd_ci: tuple[float, float]
    limit_r_g_dl: float
    df: int
    sd_reproducibility_g_dl: float | None
    limit_R_g_dl: float | None  # noqa: N815 - r and R are the standard's own symbols
    n_conditions: int


def repeatability(
    hb_g_dl: ArrayLike, level: ArrayLike, condition: ArrayLike
) -> Repeatability | None:
    """Pool repeatability over levels, and reproducibility where conditions vary within one.

    Parameters
    ----------
    hb_g_dl : (n,) array_like
        Readings.
    level : (n,) array_like
        Subject (and visit) of each reading: one true value.
    condition : (n,) array_like
        Phone, light and operator of each reading, joined.

    Returns
    -------
    Repeatability or None
        None where no subject was read twice under the same conditions.
    """
    values = np.asarray(hb_g_dl, dtype=float)
    levels = np.asarray(level).astype(str)
    conditions = np.asarray(condition).astype(str)
    square, df, cells, readings = 0.0, 0, 0, 0
    for one in np.unique(levels):
        for other in np.unique(conditions[levels == one]):
            cell = values[(levels == one) & (conditions == other)]
            if cell.size > 1:
                square += float(np.sum((cell - cell.mean()) ** 2))
                df, cells, readings = df + cell.size - 1, cells + 1, readings + cell.size
    if df == 0:
        return None
    variance = square / df
    low, high = (df * variance / stats.chi2.ppf(tail, df) for tail in (0.975, 0.025))
    between = _between_conditions(values, levels, conditions)
    sd_r = float(np.sqrt(variance))
    sd_R = None if between is None else float(np.sqrt(variance + between))
    return Repeatability(
        n_readings=readings,
        n_cells=cells,
        sd_repeatability_g_dl=sd_r,
        sd_ci=(float(np.sqrt(low)), float(np.sqrt(high))),
        limit_r_g_dl=LIMIT_FACTOR * sd_r,
        df=df,
        sd_reproducibility_g_dl=sd_R,
        limit_R_g_dl=None if sd_R is None else LIMIT_FACTOR * sd_R,
        n_conditions=np.unique(conditions).size,
    )


def _between_conditions(values: NDArray, levels: NDArray, conditions: NDArray) -> float | None:
    """Variance between conditions within a level, pooled over levels by degrees of freedom."""
    total, weight = 0.0, 0
    for one in np.unique(levels):
        chosen = levels == one
        values_one, index = values[chosen], conditions[chosen]
        parts = variance_parts(values_one, index)
        if parts is not None:
            # Not cut off at zero before pooling, which would bias the mean upwards.
            size = _effective_size(index)
            total += parts.df_between * (parts.f - 1) * parts.within / size
            weight += parts.df_between
    return max(0.0, total / weight) if weight else None


def _effective_size(group: NDArray) -> float:
    counts = np.unique(group, return_counts=True)[1]
    n = counts.sum()
    return float((n - np.sum(counts**2) / n) / (counts.size - 1))
