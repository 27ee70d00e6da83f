"""Scatter of blood volume between blots of a woman: a posterior, from any of her photos.

Readings of one woman by a calibration that never saw her differ by the photos' scatter,
and those of different blots by blood volume too, in proportion to haemoglobin. Her true
value is not needed, so every pair of photos tells something, under whatever phone and
light: two photos of one blot say how far photos scatter, two blots say both together.
What the photos' scatter is beforehand, each reading's own standard uncertainty says, up
to a common factor with a prior of its own.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

CV_GRID: Array = np.geomspace(0.004, 0.30, 40)
PRIOR_CV, PRIOR_LOG_SD = 0.03, 0.45
"""Prior of the coefficient of variation, log-normal.

A fixed-volume pipette keeps within 1 to 3 %, a free drop scatters by 5 to 10 %
(common practice, no source): 68 % of the prior lies within 1.9 to 4.7 %, 95 % within
1.2 to 7.2 %.
"""
_FACTOR_GRID: Array = np.geomspace(0.3, 2.5, 22)
_FACTOR_LOG_SD = 0.4
MEASURED_SHARE = 0.75
_TAIL = 12.0
"""Degrees of freedom of a woman's differences: single photos stray."""


@dataclass(frozen=True)
class VolumeScatter:
    """Posterior of the coefficient of variation of blood per area between blots.

    Attributes
    ----------
    cv : float
        Root mean square, which is what widens a reading.
    ci : (float, float)
        Central 95 %.
    n_women : int
        Women (and visits) with more than one photo.
    n_two_blots, n_same_blot : int
        Of these, how many have several blots, and how many one blot photographed again.
    prior_cv : float
        Median believed before.
    """

    cv: float
    ci: tuple[float, float]
    n_women: int
    n_two_blots: int
    n_same_blot: int
    prior_cv: float = PRIOR_CV

    @property
    def measured(self) -> bool:
        """Whether blots have narrowed the prior's range much: else it is mostly belief."""
        prior = 2 * 1.96 * PRIOR_LOG_SD
        return bool(np.log(self.ci[1] / self.ci[0]) < MEASURED_SHARE * prior)


def volume_scatter(
    hb_g_dl: ArrayLike, sd_g_dl: ArrayLike, level: ArrayLike, blot: ArrayLike
) -> VolumeScatter:
    """Posterior from readings (n,), by calibrations that never saw the woman.

    Parameters
    ----------
    sd_g_dl : (n,)
        Standard uncertainty of each reading without volume.
    level, blot : (n,) of labels
        Woman and visit, and blot; photos of one blot share it.
    """
    hb, sd = np.asarray(hb_g_dl, float), np.asarray(sd_g_dl, float)
    levels, blots = np.asarray(level).astype(str), np.asarray(blot).astype(str)
    log = -0.5 * (np.log(CV_GRID / PRIOR_CV) / PRIOR_LOG_SD)[:, None] ** 2
    log = log - 0.5 * (np.log(_FACTOR_GRID) / _FACTOR_LOG_SD)[None] ** 2
    women = two = same = 0
    order = np.argsort(levels, kind="stable")
    names, starts = np.unique(levels[order], return_index=True)
    for rows in np.split(order, starts[1:]) if len(names) else []:
        if len(rows) < 2:
            continue
        own = np.unique(blots[rows]).size
        women, two, same = women + 1, two + (own > 1), same + (own < len(rows))
        log = log + _log_likelihood(hb[rows], sd[rows], blots[rows])
    share = np.exp(log - log.max()).sum(axis=1)
    share /= share.sum()
    below = np.cumsum(share) - share / 2
    low, high = (float(np.interp(p, below, CV_GRID)) for p in (0.025, 0.975))
    return VolumeScatter(float(np.sqrt(share @ CV_GRID**2)), (low, high), women, two, same)


def _log_likelihood(hb: Array, sd: Array, blot: NDArray[np.str_]) -> Array:
    """Of one woman's readings about their unknown mean, on the grids (cv, factor)."""
    k = len(hb)
    shared = (blot[:, None] == blot[None]).astype(float)
    contrast = np.eye(k)[1:] - np.eye(k)[0]
    by_volume = contrast @ shared @ contrast.T * hb.mean() ** 2
    by_photo = contrast @ np.diag(sd**2) @ contrast.T
    # In the directions in which both are diagonal, 880 covariances cost what one does.
    root = np.linalg.cholesky(by_photo)
    by_volume = np.linalg.solve(root, np.linalg.solve(root, by_volume).T)
    size, turn = np.linalg.eigh(by_volume)
    off = turn.T @ np.linalg.solve(root, contrast @ hb)
    variance = CV_GRID[:, None, None] ** 2 * size + _FACTOR_GRID[:, None] ** 2
    distance2 = (off**2 / variance).sum(axis=-1)
    log_det = np.log(variance).sum(axis=-1) + 2 * np.log(np.diag(root)).sum()
    # Of a t with this variance; its scale matrix is smaller by (tail - 2) / tail.
    distance2 = distance2 / (_TAIL - 2)
    return np.asarray(-0.5 * log_det - 0.5 * (_TAIL + k - 1) * np.log1p(distance2))
