"""The part that the candidates share: a locus placed on pairs whose laboratory values err too."""

from __future__ import annotations

from dataclasses import replace
from typing import Any, Self

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import stats
from sklearn.base import BaseEstimator, RegressorMixin

from cardreader.calibrate.conformal import TooFewPairsError
from cardreader.calibrate.locus import LOWEST_G_DL, MARGIN_G_DL, Locus
from cardreader.calibrate.unsigned import without_signature
from cardreader.hb.calibration import Calibration
from cardreader.hb.estimate import beside_fresh_cards, estimates
from cardreader.hb.measured import Measured

Array = NDArray[np.float64]
MAX_ROUNDS = 30
LEAST_ROWS = 8
BEYOND_G_DL = 0.5
"""How far beyond the laboratory values a reading may lie before it is refused.

About the uncertainty of a reading: else half of the women at the ends of the
range, the severest among them, would be refused.
"""
TAIL = 8.0
"""Degrees of freedom of the photos' scatter where no base calibration states them."""
OFF_LOCUS = 1e-4
"""Share of good blots that the off-locus limit may refuse."""


def checked(X: ArrayLike, y: ArrayLike, y_sd: ArrayLike | float) -> tuple[Measured, Array, Array]:
    """Measurements, laboratory values (n,) and their variances (n,).

    TooFewPairsError for fewer than `LEAST_ROWS`: a part that is left out may leave so few.
    """
    measured = Measured.of_rows(X)
    lab = np.asarray(y, dtype=float)
    if lab.shape != (len(measured),):
        raise ValueError("needs X (n, 9 + s) and y (n,)")
    if len(lab) < LEAST_ROWS:
        raise TooFewPairsError(f"{len(lab)} photos are too few for a model: at least {LEAST_ROWS}")
    variance = np.broadcast_to(np.asarray(y_sd, dtype=float) ** 2, lab.shape)
    return measured, lab, np.array(variance)


class LocusRegressor(RegressorMixin, BaseEstimator):
    """Shared part of the models that place a locus; subclasses give `_fit_locus`.

    Parameters
    ----------
    base : Calibration or None
        Whose signature terms, tail and off-locus limit are taken over.
    volume_cv : float
        Coefficient of variation of blood volume between blots, from replicates;
        0 leaves it inside the residual.

    Attributes
    ----------
    calibration_ : Calibration
        After fit; conformal factor 1.
    """

    deployable = True

    def __init__(self, base: Calibration | None = None, volume_cv: float = 0.0) -> None:
        self.base = base
        self.volume_cv = volume_cv

    def __sklearn_clone__(self) -> Self:
        # A base never changes: to copy its numbers deeply took a tenth of the time of a fit.
        return type(self)(**self.get_params(deep=False))

    def _fit_locus(self, hb: Array, x: Array) -> Locus:
        raise NotImplementedError

    def fit(self, X: ArrayLike, y: ArrayLike, y_sd: ArrayLike | float = 0.0) -> Self:
        """Fit to feature rows, (n,) laboratory values and their sd in g/dL."""
        measured, lab, variance = checked(X, y, y_sd)
        base = self._signature_base(measured.signature.shape[1])
        if base is not None:
            measured = beside_fresh_cards(measured, base)
        hb, x = lab, measured.log_ratio
        for _ in range(MAX_ROUNDS):
            if base is not None:
                x = without_signature(measured, hb, base)
            locus = self._fit_locus(hb, x)
            residual = _residual_covariance(locus, lab, variance, x, measured, self.volume_cv)
            reading, sd = locus.nearest(x, measured.covariance + residual)
            sd = np.hypot(sd, self.volume_cv * reading)
            share = sd**2 / (sd**2 + variance)
            moved = share * lab + (1 - share) * reading
            settled = np.max(np.abs(moved - hb)) < 5e-3
            hb = moved
            if settled:
                break
        self.calibration_ = self._calibration(locus, residual, lab, base is not None)
        return self

    def _signature_base(self, size: int) -> Calibration | None:
        base = self.base
        return base if base is not None and size and len(base.signature_mean) == size else None

    def _calibration(self, locus: Locus, residual: Array, lab: Array, signed: bool) -> Calibration:
        low = max(LOWEST_G_DL, float(lab.min()) - MARGIN_G_DL)
        wide = locus.extended(low, float(lab.max()) + MARGIN_G_DL)
        k, base = len(wide.knots_g_dl), self.base
        own: dict[str, Any] = {
            "id": "draft",
            "created": "",
            "basis": "measured",
            "source": "draft",
            "n_pairs": len(lab),
            "knots_hb_g_dl": wide.knots_g_dl,
            "locus": wide.log_ratio,
            "covariance": np.broadcast_to(residual, (k, 3, 3)),
            "conformal_scale": 1.0,
            "coverage": 0.9,
            "volume_cv": self.volume_cv,
            "domain_g_dl": np.array([lab.min() - BEYOND_G_DL, lab.max() + BEYOND_G_DL]),
            "lots": (),
            "posterior": None,
        }
        if base is not None and signed:
            axis = base.axis_at(wide.knots_g_dl)
            return replace(base, **own, signature_axis=axis)
        tail = TAIL if base is None else base.tail
        return Calibration(
            **own,
            signature_mean=np.zeros(0),
            signature_sd=np.zeros(0),
            signature_axis=np.zeros(k),
            signature_shift=np.zeros((0, 3)),
            signature_slope=np.zeros((0, 3)),
            signature_clip=3.0,
            tail=tail,
            max_distance2=float(3 * stats.f.isf(OFF_LOCUS, 3, tail)),
        )

    def predict(self, X: ArrayLike) -> Array:
        """Readings (n,) in g/dL, as the reader gives them."""
        return estimates(Measured.of_rows(X), self.calibration_).raw.median


def _residual_covariance(
    locus: Locus, lab: Array, variance: Array, x: Array, measured: Measured, volume_cv: float
) -> Array:
    """Scatter about the locus beyond photo, laboratory and volume, (3, 3), positive definite."""
    residual = x - locus.at(lab)
    slope = locus.slope(lab)
    explained = variance + (volume_cv * lab) ** 2
    known = measured.covariance + explained[:, None, None] * slope[:, :, None] * slope[:, None, :]
    spread = residual[:, :, None] * residual[:, None, :]
    # Pairs whose laboratory value is poor say little about the photos' scatter.
    weight = 1 / (explained + np.median(explained) + 0.1) ** 2
    value, vector = np.linalg.eigh(np.average(spread - known, axis=0, weights=weight))
    # A difference of variances may come out negative: what is explained leaves nothing.
    total = float(np.trace(np.average(spread, axis=0, weights=weight)))
    return np.asarray((vector * np.maximum(value, max(1e-3 * total, 1e-8))) @ vector.T)
