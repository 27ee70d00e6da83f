"""All prints -> the 3 x 3 matrix from a phone's linear RGB to CIE XYZ."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from cardreader.core.robust import NORM, huber, reweighted_fit

Array = NDArray[np.float64]

_KNEE = 5.7
"""Residuals longer than this many standard deviations lose weight: a dirty patch does, an
ink that this light shows otherwise does not."""

LEAST_XYZ = 0.01
"""XYZ below which a patch counts as if it were this bright."""


def fit_matrix(rgb: ArrayLike, xyz: ArrayLike, weight: ArrayLike = 1.0) -> Array:
    """3x3 matrix from reflectance-like RGB (N, 3) to XYZ (N, 3), robustly.

    Least squares on residuals divided by XYZ^(2/3), which is what a difference of
    lightness sees (CIE 1976 cube root); patches that disagree lose weight.
    ``weight`` (N,) is what each patch's residual counts for to begin with.
    """
    seen, wanted = np.asarray(rgb, float), np.asarray(xyz, float)
    fit = reweighted_fit(
        seen,
        wanted,
        huber(_KNEE),
        NORM,
        base=np.asarray(weight, float) ** 2,
        unit=np.maximum(wanted, LEAST_XYZ) ** (2 / 3),
        least_sd=1e-6,
    )
    return fit.coefficients.T
