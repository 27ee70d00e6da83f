"""The candidate for few pairs: a known calibration whose haemoglobin scale is corrected."""

from __future__ import annotations

from dataclasses import replace
from typing import Self

import numpy as np
from numpy.typing import ArrayLike, NDArray

from cardreader.calibrate.locusregressor import BEYOND_G_DL, LocusRegressor, checked
from cardreader.calibrate.regression import deming_coefficients
from cardreader.hb.calibration import Calibration
from cardreader.hb.estimate import estimates

Array = NDArray[np.float64]


class RampAnchored(LocusRegressor):
    """A known calibration with its haemoglobin scale corrected: the choice when pairs are few.

    Only intercept and slope of ``laboratory = a + b * old reading`` are fitted,
    by Deming's line.

    Parameters
    ----------
    offset_only : bool
        Fit ``a`` alone, ``b`` = 1.
    keep_range : bool
        Keep the old range, for a base that laboratory values stand behind;
        else the range is as far as the new pairs reach.
    """

    def __init__(
        self,
        base: Calibration | None = None,
        offset_only: bool = False,
        volume_cv: float = 0.0,
        keep_range: bool = False,
    ) -> None:
        super().__init__(base, volume_cv)
        self.offset_only = offset_only
        self.keep_range = keep_range

    def fit(self, X: ArrayLike, y: ArrayLike, y_sd: ArrayLike | float = 0.0) -> Self:
        """Fit; see `LocusRegressor.fit`."""
        if self.base is None:
            raise ValueError("RampAnchored needs a base calibration")
        measured, lab, variance = checked(X, y, y_sd)
        old = estimates(measured, self.base).raw.median
        self.intercept_, self.slope_ = 0.0, 1.0
        for _ in range(1 if self.offset_only else 5):
            left = lab - self.intercept_ - self.slope_ * old
            own = max(float(np.mean(left**2) - variance.mean()), 0.05**2)
            if self.offset_only:
                weight = 1 / (variance + own)
                self.intercept_ = float(np.average(lab - old, weights=weight))
            else:
                ratio = max(float(variance.mean()), 0.05**2) / (own / self.slope_**2)
                self.intercept_, self.slope_ = deming_coefficients(old, lab, ratio)
                self.slope_ = float(np.clip(self.slope_, 0.5, 2.0))
                self.intercept_ = float(np.mean(lab) - self.slope_ * np.mean(old))
        self.calibration_ = replace(
            relabelled(self.base, self.intercept_, self.slope_),
            n_pairs=len(lab),
            conformal_scale=1.0,
            volume_cv=self.volume_cv,
        )
        if not self.keep_range:
            low, high = self.calibration_.domain_g_dl
            ends = max(low, lab.min() - BEYOND_G_DL), min(high, lab.max() + BEYOND_G_DL)
            self.calibration_ = replace(self.calibration_, domain_g_dl=np.array(ends))
        return self


def relabelled(base: Calibration, intercept_g_dl: float, slope: float) -> Calibration:
    """A calibration with haemoglobin ``intercept + slope * old``."""
    return replace(
        base,
        id="draft",
        knots_hb_g_dl=intercept_g_dl + slope * base.knots_hb_g_dl,
        domain_g_dl=intercept_g_dl + slope * base.domain_g_dl,
        taught_g_dl=np.maximum(intercept_g_dl + slope * base.taught_g_dl, 0.0),
    )
