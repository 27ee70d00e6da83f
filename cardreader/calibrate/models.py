"""Candidate models, one interface: scikit-learn estimators from blot colours to haemoglobin.

``X`` is (n, 9 + s), see `hb.measured.COLOUR_COLUMNS`. ``fit(X, y, y_sd)`` takes the
laboratory's standard uncertainty; ``predict(X)`` gives readings in g/dL. The
models that place a locus end in a `Calibration` (``calibration_``) and predict
as the reader would with it, so that what is compared is what is used.

A laboratory value with error would flatten the locus. Each fit therefore
alternates between placing a blot's true haemoglobin between laboratory value and
reading, weighted by their variances, and refitting the locus; on a straight
locus this is Deming's line.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any, Self

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import stats
from scipy.optimize import isotonic_regression, nnls
from sklearn.base import BaseEstimator, RegressorMixin
from sklearn.decomposition import PCA
from sklearn.linear_model import RidgeCV
from sklearn.pipeline import make_pipeline
from sklearn.preprocessing import SplineTransformer

from cardreader.calibrate.locus import LOWEST_G_DL, MARGIN_G_DL, Locus
from cardreader.calibrate.regression import deming_coefficients
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


def _check(X: ArrayLike, y: ArrayLike, y_sd: ArrayLike | float) -> tuple[Measured, Array, Array]:
    measured = Measured.of_rows(X)
    lab = np.asarray(y, dtype=float)
    if lab.shape != (len(measured),) or len(measured) < LEAST_ROWS:
        raise ValueError(f"needs X (n, 9 + s) and y (n,) with n >= {LEAST_ROWS}")
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

    def _fit_locus(self, hb: Array, x: Array) -> Locus:
        raise NotImplementedError

    def fit(self, X: ArrayLike, y: ArrayLike, y_sd: ArrayLike | float = 0.0) -> Self:
        """Fit to feature rows, (n,) laboratory values and their sd in g/dL."""
        measured, lab, variance = _check(X, y, y_sd)
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


def _falling(points: Array) -> Array:
    """Nearest falling sequence of each column, with a slope that never quite vanishes."""
    fit = [isotonic_regression(column, increasing=False).x for column in points.T]
    return np.asarray(np.column_stack(fit) - 1e-9 * np.arange(len(points))[:, None])


class MonotoneInterpolation(LocusRegressor):
    """Means of groups of equal size, made falling, joined by a monotone cubic."""

    def __init__(
        self, n_knots: int = 8, base: Calibration | None = None, volume_cv: float = 0.0
    ) -> None:
        super().__init__(base, volume_cv)
        self.n_knots = n_knots

    def _fit_locus(self, hb: Array, x: Array) -> Locus:
        order = np.argsort(hb, kind="stable")
        groups = np.array_split(order, max(2, min(self.n_knots, len(hb) // 3)))
        knots = np.array([hb[group].mean() for group in groups])
        points = np.array([x[group].mean(axis=0) for group in groups])
        distinct = np.concatenate([[True], np.diff(knots) > 1e-6])
        return Locus(knots[distinct], _falling(points[distinct]))


class MonotoneSpline(LocusRegressor):
    """Penalised spline with falling columns: I-splines, non-negative least squares.

    Parameters
    ----------
    penalty : float
        Weight of the squared second differences of the coefficients.
    """

    def __init__(
        self,
        n_knots: int = 6,
        penalty: float = 0.03,
        base: Calibration | None = None,
        volume_cv: float = 0.0,
    ) -> None:
        super().__init__(base, volume_cv)
        self.n_knots = n_knots
        self.penalty = penalty

    def _fit_locus(self, hb: Array, x: Array) -> Locus:
        splines = SplineTransformer(self.n_knots, degree=3, extrapolation="linear")
        grid = np.linspace(hb.min(), hb.max(), 2 * self.n_knots + 1)
        rising = _integrate(splines.fit_transform(hb[:, None]))
        on_grid = _integrate(splines.transform(grid[:, None]))
        roughness = np.diff(np.eye(rising.shape[1]), axis=0)
        scale = np.sqrt(self.penalty * len(hb) / rising.shape[1])
        level = np.ones((len(hb), 1))
        smooth = np.hstack([np.zeros((len(roughness), 2)), scale * roughness])
        design = np.vstack([np.hstack([level, -level, -rising]), smooth])
        columns = []
        for column in x.T:
            weights, _ = nnls(design, np.concatenate([column, np.zeros(len(smooth))]))
            columns.append(weights[0] - weights[1] - on_grid @ weights[2:])
        return Locus(grid, _falling(np.column_stack(columns)))


def _integrate(values: Array) -> Array:
    """I-splines: sums of B-splines from the right; each rises from 0 to 1."""
    return np.asarray(np.cumsum(values[:, ::-1], axis=1)[:, ::-1][:, 1:])


class DensityLine(LocusRegressor):
    """Errors-in-variables straight line between haemoglobin and optical density.

    Parameters
    ----------
    density : {"log", "kubelka_munk"}
        ``-x`` itself, or ``(1 - r)^2 / (2 r)`` with ``r = exp(x)``, which is
        proportional to the absorber's amount in a thick scattering layer.
    """

    def __init__(
        self, density: str = "log", base: Calibration | None = None, volume_cv: float = 0.0
    ) -> None:
        super().__init__(base, volume_cv)
        self.density = density

    def _fit_locus(self, hb: Array, x: Array) -> Locus:
        if self.density not in ("log", "kubelka_munk"):
            raise ValueError(f"density must be 'log' or 'kubelka_munk', got {self.density!r}")
        straight = self.density == "log"
        amount = -x if straight else (1 - np.exp(x)) ** 2 / (2 * np.exp(x))
        design = np.column_stack([np.ones_like(hb), hb])
        intercept, slope = np.linalg.lstsq(design, amount, rcond=None)[0]
        grid = np.linspace(hb.min(), hb.max(), 15)
        line = intercept + np.maximum(slope, 1e-9) * grid[:, None]
        if straight:
            return Locus(grid, -line)
        line = np.maximum(line, 1e-6)
        # Reflectance of the layer from its Kubelka-Munk ratio.
        return Locus(grid, _falling(np.log(1 + line - np.sqrt(line**2 + 2 * line))))


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
        measured, lab, variance = _check(X, y, y_sd)
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
    )


class DirectSpline(RegressorMixin, BaseEstimator):
    """Haemoglobin straight from the colour's main axes: a comparator without a locus.

    Cannot be handed to the reader, which needs a locus to judge whether a spot is
    blood at all; it is fitted to show what the locus costs, if anything.
    """

    deployable = False

    def __init__(self, n_knots: int = 5) -> None:
        self.n_knots = n_knots

    def fit(self, X: ArrayLike, y: ArrayLike, y_sd: ArrayLike | float = 0.0) -> Self:
        """Fit; ``y_sd`` weights the pairs."""
        measured, lab, variance = _check(X, y, y_sd)
        self.model_ = make_pipeline(
            PCA(2),
            SplineTransformer(self.n_knots, extrapolation="linear"),
            RidgeCV(np.logspace(-4, 1, 6)),
        )
        self.model_.fit(measured.log_ratio, lab, ridgecv__sample_weight=1 / (0.25 + variance))
        return self

    def predict(self, X: ArrayLike) -> Array:
        """Readings (n,) in g/dL."""
        return np.asarray(self.model_.predict(Measured.of_rows(X).log_ratio))


def candidates(base: Calibration | None = None, volume_cv: float = 0.0) -> dict[str, Any]:
    """The models that are compared, by name; the anchored one needs a base calibration."""
    shared: dict[str, Any] = {"base": base, "volume_cv": volume_cv}
    models: dict[str, Any] = {
        "monotone interpolation": MonotoneInterpolation(**shared),
        "monotone spline": MonotoneSpline(**shared),
        "line on optical density": DensityLine("log", **shared),
        "line on Kubelka-Munk density": DensityLine("kubelka_munk", **shared),
        "direct spline (comparator)": DirectSpline(),
    }
    if base is not None:
        models["ramp-anchored"] = RampAnchored(**shared)
    return models
