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

from typing import Any, Self

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import isotonic_regression, nnls
from sklearn.base import BaseEstimator, RegressorMixin
from sklearn.decomposition import PCA
from sklearn.linear_model import RidgeCV
from sklearn.pipeline import make_pipeline
from sklearn.preprocessing import SplineTransformer

from cardreader.calibrate.anchored import RampAnchored
from cardreader.calibrate.locus import Locus
from cardreader.calibrate.locusregressor import LocusRegressor, checked
from cardreader.hb.calibration import Calibration
from cardreader.hb.measured import Measured

Array = NDArray[np.float64]


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
        measured, lab, variance = checked(X, y, y_sd)
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
