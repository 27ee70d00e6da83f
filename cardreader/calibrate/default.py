"""The default calibration: fitted to simulated pairs, and saying so.

    cardreader calibrate-default --out calibration/default

draws sittings with lamps and cameras of the fitting family, runs the reader's own
colour stages on their patches, fits the locus with the card's signature, and sets
the conformal scale from folds that leave out a kind of lamp together with a form
of camera and a kind of rendering: what the reader meets in the field it has not seen
either.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import nullcontext
from dataclasses import dataclass, replace
from datetime import date
from itertools import product
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardreader.calibrate.conformal import conformal_scale
from cardreader.core.refusal import Refusal
from cardreader.core.robust import median_sd, t_log_density, t_scale_matrix
from cardreader.hb.calibration import Calibration
from cardreader.hb.estimate import estimates
from cardreader.hb.fading import Fading
from cardreader.hb.measured import Measured, measured
from cardreader.simulate.cameras import Family
from cardreader.simulate.patchdraw import patch_draw
from cardreader.simulate.scene import (
    GOOD,
    ORDINARY,
    POOR,
    Control,
    Scene,
    draw_scene,
    simulated_lot,
)

Array = NDArray[np.float64]

HB_RANGE_G_DL = (1.2, 22.0)
DOMAIN_G_DL = (2.0, 19.0)
KNOTS_G_DL: Array = np.linspace(*HB_RANGE_G_DL, 27)
CONTROLS = (GOOD, ORDINARY, POOR)
"""Poor control is in, so that the interval still holds where print and light disappoint."""

N_LOTS = 12
MISS_RATE = 0.10
RIDGE = 60.0
CLIP = 3.0
TAIL = 5.0
STRAY_SHARE = 0.05
"""A choice, not a measurement: see tests/benchmarks/hard for what it buys."""
VOLUME_CV = 0.03
"""Assumed scatter of blood per area between blots; a real study puts replicates in its place."""

N_TWO_BLOTS = 600
"""Sittings from which the own share is worked out."""
_TWO_BLOTS = 3
"""Keeps their draws apart from all others of the seed."""
_DEGREE = 4
_LEAST_FOLD = 10
"""Sittings; a rarer combination of kinds says little of its own."""
_DOUBTS = (0.0, 0.1, 0.2, 0.35, 0.5, 0.75, 1.0, 1.5, 2.0, 3.0)
_COVARIANCE_BINS_G_DL = (1.2, 4.0, 6.0, 8.0, 10.0, 12.0, 14.0, 16.5, 22.0)


@dataclass(frozen=True, eq=False)
class Pairs:
    """Simulated pairs: truth and what the reader's colour stages made of it.

    ``hb_g_dl`` (n,); ``measured`` of n photos; ``lamp``, ``camera`` and ``rendering``
    (n,) name the kinds; ``n_refused`` sittings gave no colour.
    """

    hb_g_dl: Array
    measured: Measured
    lamp: NDArray[np.str_]
    camera: NDArray[np.str_]
    rendering: NDArray[np.str_]
    n_refused: int

    def take(self, keep: NDArray[np.bool_]) -> Pairs:
        """The pairs where ``keep`` (n,) is true."""
        return replace(
            self,
            hb_g_dl=self.hb_g_dl[keep],
            measured=self.measured[keep],
            lamp=self.lamp[keep],
            camera=self.camera[keep],
            rendering=self.rendering[keep],
        )

    def undone(self, fading: Fading) -> Pairs:
        """The pairs with what looks like bleaching taken off."""
        seen = self.measured
        fresh = fading.undone(seen.log_ratio, seen.covariance, seen.signature)
        return replace(self, measured=Measured(*fresh))


def draw_pairs(
    n: int,
    seed: int,
    controls: Sequence[Control] = CONTROLS,
    family: Family = Family.FITTING,
    workers: int = 1,
    drawn: Callable[[int], None] = lambda count: None,
) -> Pairs:
    """Draw n sittings, haemoglobin uniform over the range, and correct their colours.

    Each sitting's control is drawn from ``controls``; ``drawn`` is told of how many
    more there are.
    """
    chunks = [(k, min(250, n - k), seed, controls, family) for k in range(0, n, 250)]
    rows: list[_Row] = []
    with ProcessPoolExecutor(workers) if workers > 1 else nullcontext() as pool:
        for part in (pool.map if pool else map)(_draw_chunk, chunks):
            rows += part
            drawn(len(part))
    kept = [row for row in rows if row is not None]
    hb, seen, lamp, camera, rendering = zip(*kept, strict=True)
    return Pairs(
        np.array(hb),
        Measured.stack(seen),
        np.array(lamp),
        np.array(camera),
        np.array(rendering),
        len(rows) - len(kept),
    )


_Row = tuple[float, Measured, str, str, str] | None


def _draw_chunk(chunk: tuple[int, int, int, Sequence[Control], Family]) -> list[_Row]:
    start, n, seed, controls, family = chunk
    return [_draw_one(seed, start + i, controls, family) for i in range(n)]


def _draw_one(seed: int, index: int, controls: Sequence[Control], family: Family) -> _Row:
    rng = np.random.default_rng([seed, index])
    scene = draw_sitting(rng, controls, family)
    colours = patch_draw(scene, rng).colours(scene.lot)
    if isinstance(colours, Refusal):
        return None
    rendering = scene.camera.rendering
    kind = rendering.name if rendering else "plain"
    return scene.hb_g_dl, measured(*colours), scene.light_name, scene.camera.name, kind


def draw_pairs_of_blots(
    n: int, seed: int, controls: Sequence[Control] = CONTROLS, family: Family = Family.FITTING
) -> tuple[Measured, Measured]:
    """Two blots each of n sittings: the same woman, lamp, phone and card, photographed anew.

    Sittings of which either gave no colour are left out.
    """
    rows = [_draw_two(seed, index, controls, family) for index in range(n)]
    first, second = zip(*(row for row in rows if row is not None), strict=True)
    return Measured.stack(first), Measured.stack(second)


def _draw_two(
    seed: int, index: int, controls: Sequence[Control], family: Family
) -> tuple[Measured, Measured] | None:
    rng = np.random.default_rng([seed, index, _TWO_BLOTS])
    control = controls[int(rng.integers(len(controls)))]
    one = draw_sitting(rng, (control,), family)
    lot_seed = one.lot.number
    two = draw_scene(rng, one.hb_g_dl, one.lot, lot_seed, control, family, like=one)
    seen = [patch_draw(scene, rng).colours(scene.lot) for scene in (one, two)]
    found = [measured(*colours) for colours in seen if not isinstance(colours, Refusal)]
    return (found[0], found[1]) if len(found) == 2 else None


def draw_sitting(
    rng: np.random.Generator, controls: Sequence[Control], family: Family = Family.FITTING
) -> Scene:
    """One sitting with a card of any of the lots that calibrations are fitted to."""
    control = controls[int(rng.integers(len(controls)))]
    lot_seed = int(rng.integers(N_LOTS))
    lot = simulated_lot(lot_seed, date.max, lot_seed)
    return draw_scene(
        rng, rng.uniform(*HB_RANGE_G_DL), lot, lot_seed, control, family, rendered=True
    )


def fit_default(
    pairs: Pairs, created: date, seed: int, fading: Fading | None = None
) -> Calibration:
    """Fit locus, scatter and conformal scale to simulated pairs.

    ``fading`` is what bleaching does (`cardreader.calibrate.bleaching`): what the
    reader will take off every card is taken off these too.
    """
    if fading is not None:
        pairs = pairs.undone(fading)
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
        stray_share=STRAY_SHARE,
        conformal_scale=1.0,
        coverage=1 - MISS_RATE,
        volume_cv=0.0,
        domain_g_dl=np.array(DOMAIN_G_DL),
        max_distance2=1e5,
        **fit,
    )
    unseen = _unseen(pairs, calibration)
    calibration = replace(
        calibration,
        covariance=_covariance(unseen, 0.0),
        signature_precision=_precision(pairs, calibration),
    )
    doubt = _best_doubt(unseen, calibration)
    calibration = replace(calibration, covariance=_covariance(unseen, doubt), signature_doubt=doubt)
    scores, distance2 = _scores(unseen, calibration)
    calibration = replace(
        calibration,
        fading=fading,
        conformal_scale=conformal_scale(_evenly(scores), MISS_RATE),
        volume_cv=VOLUME_CV,
        # Beyond what all but one in a thousand unseen sittings reach.
        max_distance2=float(np.quantile(np.concatenate(distance2), 0.999)),
    )
    return replace(calibration, own_share=_own_share(calibration, seed))


def _own_share(calibration: Calibration, seed: int) -> float:
    """Share of the calibration's variance that two photos of one sitting don't have in common.

    From the differences between two blots of like volume; their medians, because single
    photos stray.
    """
    one, two = (
        estimates(part, replace(calibration, volume_cv=0.0))
        for part in draw_pairs_of_blots(N_TWO_BLOTS, seed)
    )
    both = one.readable & two.readable
    difference = (one.final().median - two.final().median)[both]
    own = median_sd(difference) ** 2 / 2
    photo = np.median(one.sd_measurement_g_dl[both] * calibration.conformal_scale) ** 2
    whole = np.median(one.image().sd[both]) ** 2
    return float(np.clip((own - photo) / (whole - photo), 0.0, 1.0))


def _axis(hb: Array) -> Array:
    return np.asarray((np.log(hb + 2.0) - 2.3) / 0.6)


def _fit_locus(pairs: Pairs) -> dict[str, Any]:
    """Ridge regression of log ratio on a polynomial locus and the signature's shift of it."""
    signature = pairs.measured.signature
    mean, sd = signature.mean(axis=0), signature.std(axis=0)
    z = np.clip((signature - mean) / sd, -CLIP, CLIP)
    axis = _axis(pairs.hb_g_dl)[:, None]
    design = np.hstack([axis ** np.arange(_DEGREE + 1), z, z * axis])
    penalty = np.full(design.shape[1], RIDGE)
    penalty[: _DEGREE + 1] = 1e-6
    gram = design.T @ design + np.diag(penalty)
    weights = np.linalg.solve(gram, design.T @ pairs.measured.log_ratio)
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
class _Unseen:
    """Sittings of one fold, with the model that saw neither their lamp nor their camera.

    ``residual`` (n, 3) is about the locus at the true haemoglobin; ``distance2``
    (n,) the squared distance of the signature per dimension.
    """

    pairs: Pairs
    fit: dict[str, Any]
    residual: Array
    distance2: Array


def _unseen(pairs: Pairs, calibration: Calibration) -> Sequence[_Unseen]:
    """Each fold leaves out one kind of lamp, of camera and of rendering, all wholly."""
    folds = []
    labels = pairs.lamp, pairs.camera, pairs.rendering
    for kinds in product(*(np.unique(label) for label in labels)):
        same = np.array([label == kind for label, kind in zip(labels, kinds, strict=True)])
        unlike, alike = np.asarray(~same.any(axis=0)), np.asarray(same.all(axis=0))
        seen, left_out = pairs.take(unlike), pairs.take(alike)
        if len(left_out.hb_g_dl) < _LEAST_FOLD:
            continue
        fit = _fit_locus(seen)
        model = replace(calibration, **fit)
        precision = _precision(seen, model)
        model = replace(model, signature_precision=precision, signature_doubt=1.0)
        at = np.searchsorted(model.grid_g_dl, left_out.hb_g_dl)
        at = at.clip(0, len(model.grid_g_dl) - 1)
        seen_there = left_out.measured
        expected = model.expected(seen_there.signature)[np.arange(len(at)), at]
        distance2 = model.doubt(seen_there.signature) - 1
        fit["signature_precision"] = precision
        folds.append(_Unseen(left_out, fit, seen_there.log_ratio - expected, distance2))
    return folds


def _precision(pairs: Pairs, calibration: Calibration) -> Array:
    """Inverse covariance of the standardised signatures; a little ridge for lone directions."""
    z = (pairs.measured.signature - calibration.signature_mean) / calibration.signature_sd
    z = np.clip(z, -CLIP, CLIP)
    return np.asarray(np.linalg.inv(np.cov(z.T) + 0.02 * np.eye(z.shape[1])), float)


def _best_doubt(folds: Sequence[_Unseen], calibration: Calibration) -> float:
    """How fast scatter grows with the signature's distance: by likelihood of the unseen."""
    hb = np.concatenate([f.pairs.hb_g_dl for f in folds])
    residual = np.concatenate([f.residual for f in folds])
    distance2 = np.concatenate([f.distance2 for f in folds])

    def cost(doubt: float) -> float:
        widths = 1 + doubt * distance2
        scatter = _at_knots(hb, residual / widths[:, None], np.zeros((1, 3, 3)))
        return float(_t_cost(hb, residual / widths[:, None], scatter) + 3 * np.log(widths).sum())

    return float(min(_DOUBTS, key=cost))


def _t_cost(hb: Array, residual: Array, covariance: Array) -> float:
    """Minus the log likelihood of a multivariate t, up to a constant."""
    at = np.array([np.interp(hb, KNOTS_G_DL, c) for c in covariance.reshape(-1, 9).T]).T
    at = at.reshape(-1, 3, 3)
    distance2 = np.einsum("ni,nij,nj->n", residual, np.linalg.inv(at), residual)
    log_det = np.linalg.slogdet(at)[1]
    return -float(t_log_density(distance2, log_det, TAIL).sum())


def _covariance(folds: Sequence[_Unseen], doubt: float) -> Array:
    """Scatter of unseen sittings that neither doubt nor the photo explains, at the knots."""
    hb = np.concatenate([f.pairs.hb_g_dl for f in folds])
    widths = np.concatenate([1 + doubt * f.distance2 for f in folds])
    residual = np.concatenate([f.residual for f in folds]) / widths[:, None]
    photo = (
        np.concatenate([f.pairs.measured.covariance for f in folds]) / widths[:, None, None] ** 2
    )
    return _at_knots(hb, residual, photo)


def _at_knots(hb: Array, residual: Array, photo: Array) -> Array:
    edges = np.array(_COVARIANCE_BINS_G_DL)
    which = np.digitize(hb, edges[1:-1])
    photo = np.broadcast_to(photo, (len(hb), 3, 3))
    bins = [
        _less(t_scale_matrix(residual[which == b], TAIL), np.median(photo[which == b], axis=0))
        for b in range(len(edges) - 1)
    ]
    centres = (edges[1:] + edges[:-1]) / 2
    flat = np.array(bins).reshape(-1, 9)
    columns = [np.interp(KNOTS_G_DL, centres, column) for column in flat.T]
    return np.stack(columns, axis=1).reshape(-1, 3, 3)


def _less(total: Array, part: Array) -> Array:
    """Total less a part, kept at a third of the total or more in every direction."""
    root = np.linalg.cholesky(total)
    inside = np.linalg.solve(root, np.linalg.solve(root, part).T)
    value, vector = np.linalg.eigh(np.eye(3) - inside)
    return np.asarray(root @ (vector * np.maximum(value, 1 / 3)) @ vector.T @ root.T)


def _scores(folds: Sequence[_Unseen], calibration: Calibration) -> tuple[list[Array], list[Array]]:
    """Per fold: distance of truth from the median in half-widths of the interval, and
    squared distance from the locus."""
    scores, distance2 = [], []
    for fold in folds:
        found = estimates(fold.pairs.measured, replace(calibration, **fold.fit))
        read, truth = found.final(), fold.pairs.hb_g_dl
        hb, (low, high) = read.median, read.interval(calibration.coverage)
        side = np.where(truth > hb, high - hb, hb - low)
        inside = (hb >= DOMAIN_G_DL[0]) & (hb <= DOMAIN_G_DL[1])
        distance2.append(found.distance2)
        scores.append((np.abs(truth - hb) / side)[inside])
    return scores, distance2


def _evenly(scores: Sequence[Array]) -> Array:
    """As many scores from every fold: a new kind of lamp is as likely to be like any of them."""
    n = min(len(fold) for fold in scores)
    # Sittings are drawn independently, so the first n are as good as any n.
    return np.concatenate([fold[:n] for fold in scores])
