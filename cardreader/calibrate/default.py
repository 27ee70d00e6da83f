"""The default calibration: fitted to simulated pairs, and saying so.

    cardreader calibrate-default --out calibration/default

draws sittings with lamps and cameras of the fitting family, runs the reader's own
colour stages on their patches, fits the locus with the card's signature, and sets
the conformal scale from folds that leave out a kind of lamp together with a form
of camera: what the reader meets in the field it has not seen either.
"""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from datetime import date

import numpy as np
from numpy.typing import NDArray

from cardreader import layout
from cardreader.blot import blot_colour
from cardreader.calibrate.conformal import conformal_scale
from cardreader.calibration import Calibration
from cardreader.correct import correct
from cardreader.estimate import estimate_from, signature
from cardreader.refusal import Refusal
from cardreader.simulate.cameras import Family
from cardreader.simulate.patchdraw import patch_draw
from cardreader.simulate.scene import ORDINARY, Control, draw_scene, simulated_lot

Array = NDArray[np.float64]

HB_RANGE_G_DL = (1.2, 22.0)
DOMAIN_G_DL = (2.0, 19.0)
KNOTS_G_DL: Array = np.linspace(*HB_RANGE_G_DL, 27)
N_LOTS = 12
MISS_RATE = 0.10
RIDGE = 60.0
CLIP = 3.0
TAIL = 5.0
VOLUME_CV = 0.03
"""Assumed scatter of blood per area between blots; a real study puts replicates in its place."""

_DEGREE = 4
_COVARIANCE_BINS_G_DL = (1.2, 4.0, 6.0, 8.0, 10.0, 12.0, 14.0, 16.5, 22.0)


@dataclass(frozen=True, eq=False)
class Pairs:
    """Simulated pairs: truth and what the reader's colour stages made of it.

    ``hb_g_dl`` (n,), ``log_ratio`` (n, 3), ``signature`` (n, s); ``lamp`` and
    ``camera`` (n,) name the kinds; ``n_refused`` sittings gave no colour.
    """

    hb_g_dl: Array
    log_ratio: Array
    signature: Array
    lamp: NDArray[np.str_]
    camera: NDArray[np.str_]
    n_refused: int

    def take(self, keep: NDArray[np.bool_]) -> Pairs:
        """The pairs where ``keep`` (n,) is true."""
        return replace(
            self,
            hb_g_dl=self.hb_g_dl[keep],
            log_ratio=self.log_ratio[keep],
            signature=self.signature[keep],
            lamp=self.lamp[keep],
            camera=self.camera[keep],
        )


def draw_pairs(
    n: int,
    seed: int,
    control: Control = ORDINARY,
    family: Family = Family.FITTING,
    workers: int = 1,
) -> Pairs:
    """Draw n sittings, haemoglobin uniform over the range, and correct their colours."""
    chunks = [(k, min(250, n - k), seed, control, family) for k in range(0, n, 250)]
    if workers > 1:
        with ProcessPoolExecutor(workers) as pool:
            parts = list(pool.map(_draw_chunk, chunks))
    else:
        parts = [_draw_chunk(chunk) for chunk in chunks]
    rows = [row for part in parts for row in part]
    kept = [row for row in rows if row is not None]
    hb, log_ratio, signatures, lamp, camera = zip(*kept, strict=True)
    return Pairs(
        np.array(hb),
        np.array(log_ratio),
        np.array(signatures),
        np.array(lamp),
        np.array(camera),
        len(rows) - len(kept),
    )


_Row = tuple[float, Array, Array, str, str] | None


def _draw_chunk(chunk: tuple[int, int, int, Control, Family]) -> list[_Row]:
    start, n, seed, control, family = chunk
    return [_draw_one(seed, start + i, control, family) for i in range(n)]


def _draw_one(seed: int, index: int, control: Control, family: Family) -> _Row:
    rng = np.random.default_rng([seed, index])
    lot_seed = int(rng.integers(N_LOTS))
    lot = simulated_lot(lot_seed, date.max, lot_seed)
    scene = draw_scene(rng, rng.uniform(*HB_RANGE_G_DL), lot, lot_seed, control, family)
    draw = patch_draw(scene, rng)
    correction = correct(draw.samples, lot)
    if isinstance(correction, Refusal):
        return None
    blot = blot_colour(draw.blot_rgb, draw.paper_rgb, draw.covariance, layout.CENTRE_MM, correction)
    return (
        scene.hb_g_dl,
        blot.log_ratio,
        signature(correction),
        scene.light_name,
        scene.camera.name,
    )


def fit_default(pairs: Pairs, created: date, seed: int) -> Calibration:
    """Fit locus, scatter and conformal scale to simulated pairs."""
    covariance = np.repeat(np.eye(3)[None] * 1e-2, len(KNOTS_G_DL), axis=0)
    fit = _fit_locus(pairs)
    calibration = Calibration(
        id=f"simulated-{created:%Y%m%d}",
        created=created.isoformat(),
        basis="simulated",
        source=f"{len(pairs.hb_g_dl)} simulated sittings (seed {seed}); no blood was measured",
        n_pairs=len(pairs.hb_g_dl),
        knots_hb_g_dl=KNOTS_G_DL,
        covariance=covariance,
        signature_clip=CLIP,
        tail=TAIL,
        conformal_scale=1.0,
        coverage=1 - MISS_RATE,
        volume_cv=0.0,
        domain_g_dl=np.array(DOMAIN_G_DL),
        max_distance2=1e5,
        **fit,
    )
    folds = list(_folds(pairs))
    calibration = replace(calibration, covariance=_covariance(pairs, folds, calibration))
    scores, distance2 = _unseen_scores(pairs, folds, calibration)
    return replace(
        calibration,
        conformal_scale=conformal_scale(scores, MISS_RATE),
        volume_cv=VOLUME_CV,
        # Beyond what all but one in a thousand unseen sittings reach.
        max_distance2=float(np.quantile(distance2, 0.999)),
    )


def _axis(hb: Array) -> Array:
    return np.asarray((np.log(hb + 2.0) - 2.3) / 0.6)


def _fit_locus(pairs: Pairs) -> dict[str, Array]:
    """Ridge regression of log ratio on a polynomial locus and the signature's shift of it."""
    mean, sd = pairs.signature.mean(axis=0), pairs.signature.std(axis=0)
    z = np.clip((pairs.signature - mean) / sd, -CLIP, CLIP)
    axis = _axis(pairs.hb_g_dl)[:, None]
    design = np.hstack([axis ** np.arange(_DEGREE + 1), z, z * axis])
    penalty = np.full(design.shape[1], RIDGE)
    penalty[: _DEGREE + 1] = 1e-6
    gram = design.T @ design + np.diag(penalty)
    weights = np.linalg.solve(gram, design.T @ pairs.log_ratio)
    shape, shift, slope = np.split(weights, [_DEGREE + 1, _DEGREE + 1 + z.shape[1]])
    knots = _axis(KNOTS_G_DL)
    return {
        "locus": knots[:, None] ** np.arange(_DEGREE + 1) @ shape,
        "signature_mean": mean,
        "signature_sd": sd,
        "signature_axis": knots,
        "signature_shift": shift,
        "signature_slope": slope,
    }


@dataclass(frozen=True, eq=False)
class _Fold:
    unseen: NDArray[np.bool_]
    fit: dict[str, Array]


def _folds(pairs: Pairs) -> Sequence[_Fold]:
    """Each fold leaves out one kind of lamp and one form of camera, both wholly."""
    folds = []
    for lamp in np.unique(pairs.lamp):
        for camera in np.unique(pairs.camera):
            seen = (pairs.lamp != lamp) & (pairs.camera != camera)
            unseen = (pairs.lamp == lamp) & (pairs.camera == camera)
            folds.append(_Fold(unseen, _fit_locus(pairs.take(seen))))
    return folds


def _covariance(pairs: Pairs, folds: Sequence[_Fold], calibration: Calibration) -> Array:
    """Scatter of unseen sittings about their locus, per bin of haemoglobin, at the knots."""
    hb, residual = [], []
    for fold in folds:
        model = replace(calibration, **fold.fit)
        unseen = pairs.take(fold.unseen)
        for h, y, s in zip(unseen.hb_g_dl, unseen.log_ratio, unseen.signature, strict=True):
            at = np.searchsorted(model.grid_g_dl, h).clip(0, len(model.grid_g_dl) - 1)
            hb.append(h)
            residual.append(y - model.expected(s)[at])
    hb_all, all_residuals = np.array(hb), np.array(residual)
    edges = np.array(_COVARIANCE_BINS_G_DL)
    which = np.digitize(hb_all, edges[1:-1])
    bins = [_robust_covariance(all_residuals[which == b]) for b in range(len(edges) - 1)]
    centres = (edges[1:] + edges[:-1]) / 2
    flat = np.array(bins).reshape(-1, 9)
    return np.stack([np.interp(KNOTS_G_DL, centres, column) for column in flat.T], axis=1).reshape(
        -1, 3, 3
    )


def _robust_covariance(residual: Array) -> Array:
    """Maximum-likelihood scatter of a multivariate t about zero, by reweighting."""
    scatter = np.cov(residual.T)
    for _ in range(30):
        distance2 = np.einsum("ni,ij,nj->n", residual, np.linalg.inv(scatter), residual)
        weight = (TAIL + 3) / (TAIL + distance2)
        scatter = (residual * weight[:, None]).T @ residual / len(residual)
    return np.asarray(scatter)


def _unseen_scores(
    pairs: Pairs, folds: Sequence[_Fold], calibration: Calibration
) -> tuple[Array, Array]:
    """Distance of truth from the median in half-widths of the interval, and from the locus."""
    scores, distance2 = [], []
    for fold in folds:
        model = replace(calibration, **fold.fit)
        unseen = pairs.take(fold.unseen)
        for h, y, s in zip(unseen.hb_g_dl, unseen.log_ratio, unseen.signature, strict=True):
            guess = estimate_from(y, np.zeros((3, 3)), s, model)
            distance2.append(guess.distance2)
            if DOMAIN_G_DL[0] <= guess.hb_g_dl <= DOMAIN_G_DL[1]:
                low, high = guess.interval_g_dl
                half = high - guess.hb_g_dl if h > guess.hb_g_dl else guess.hb_g_dl - low
                scores.append(abs(h - guess.hb_g_dl) / half)
    return np.array(scores), np.array(distance2)
