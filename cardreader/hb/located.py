"""Where photos' colours lie along the locus: the t density of haemoglobin given each, bare.

How a reading would move with its colour goes with it: that tells what it has in common with
another.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import ArrayLike, NDArray

from cardreader.core.robust import t_log_density
from cardreader.hb.calibration import Calibration
from cardreader.hb.distribution import HbDistribution
from cardreader.hb.measured import Measured

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Located:
    """Of n photos, over a grid of g points of haemoglobin.

    Attributes
    ----------
    density : (n, g) array
        The t density about the locus, as mass of each cell.
    distance2 : (n,) array
        Squared distance of each colour from the locus, where it is least.
    nearest : (n,) array
        Index on the grid of that place.
    gain : (n, 3) array
        By how much a reading moves with the log ratio there, g/dL.
    scale_g_dl : (n,) array
        Scale of the t density along the locus there.
    ink_g_dl : (n,) array
        By how much the lot's unknown print moves a reading there.
    """

    density: Array
    distance2: Array
    nearest: NDArray[np.intp]
    gain: Array
    scale_g_dl: Array
    ink_g_dl: Array

    @classmethod
    def stack(cls, parts: Sequence[Located]) -> Located:
        """All photos of some parts, in their order."""
        columns = [[getattr(part, one.name) for part in parts] for one in fields(cls)]
        return cls(*map(np.concatenate, columns))

    def with_rows(self, rows: NDArray[np.intp], other: Located) -> Located:
        """The same, but ``rows`` (k,) as ``other``, of k photos, has them."""
        columns = [getattr(self, one.name).copy() for one in fields(self)]
        for column, one in zip(columns, fields(self), strict=True):
            column[rows] = getattr(other, one.name)
        return Located(*columns)


def located(measured: Measured, calibration: Calibration, print_sd: ArrayLike) -> Located:
    """Lay n photos beside fresh cards along the locus; ``print_sd`` (n,) is that of each card."""
    grid, sds = calibration.grid_g_dl, np.asarray(print_sd, float)
    locus = calibration.expected(measured.signature)
    scale = calibration.grid_covariance + measured.covariance[:, None]
    if calibration.posterior is not None:
        scale += calibration.spread(measured.signature)
        if calibration.posterior.by_design:
            sds = np.zeros_like(sds)  # the design's doubt is in the posterior
    ink = sds[:, None, None] * locus
    scale += ink[..., :, None] * ink[..., None, :]
    inverse, determinant = _inverted(scale)
    miss = measured.log_ratio[:, None] - locus
    distance2 = np.einsum("ngi,ngij,ngj->ng", miss, inverse, miss)
    log = t_log_density(distance2, np.log(determinant), calibration.tail)
    raw = HbDistribution.of_log_density(grid, log)
    rows, nearest = np.arange(len(miss)), distance2.argmin(axis=1)
    slope = np.gradient(locus, grid, axis=1)[rows, nearest]
    gain = np.einsum("nij,nj->ni", inverse[rows, nearest], slope)
    precision = np.einsum("ni,ni->n", slope, gain)
    gain /= precision[:, None]
    moved = np.einsum("ni,ni->n", gain, ink[rows, nearest])
    return Located(
        density=raw.density,
        distance2=distance2[rows, nearest],
        nearest=nearest,
        gain=gain,
        scale_g_dl=1 / np.sqrt(precision),
        ink_g_dl=moved,
    )


def _inverted(matrices: Array) -> tuple[Array, Array]:
    """Inverses (..., 3, 3) and determinants (...) of symmetric matrices (..., 3, 3).

    By the adjugate: a hundred thousand matrices of 3 x 3 at a time are the whole
    cost of fitting, and the general routine takes them one by one.
    """
    a, b, c = matrices[..., 0, 0], matrices[..., 0, 1], matrices[..., 0, 2]
    d, e, f = matrices[..., 1, 1], matrices[..., 1, 2], matrices[..., 2, 2]
    adjugate = np.empty_like(matrices)
    adjugate[..., 0, 0], adjugate[..., 1, 1] = d * f - e * e, a * f - c * c
    adjugate[..., 2, 2] = a * d - b * b
    adjugate[..., 0, 1] = adjugate[..., 1, 0] = c * e - b * f
    adjugate[..., 0, 2] = adjugate[..., 2, 0] = b * e - c * d
    adjugate[..., 1, 2] = adjugate[..., 2, 1] = b * c - a * e
    determinant = a * adjugate[..., 0, 0] + b * adjugate[..., 0, 1] + c * adjugate[..., 0, 2]
    return adjugate / determinant[..., None, None], determinant
