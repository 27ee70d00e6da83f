"""Choosing, fitting and conformalising: from a study's features to a calibration.

Everything that is learnt from the pairs - which model, its parameters, the
conformal factor - is learnt inside each training part again when performance is
measured (nested cross-validation), so that no held-out woman has had a say in
how she is read.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from sklearn.base import clone
from sklearn.model_selection import GroupKFold

from cardreader.calibrate.condition import SitePairs
from cardreader.calibrate.conformal import (
    TooFewPairsError,
    group_scale,
    least_groups,
    one_per_group,
)
from cardreader.calibrate.features import Features
from cardreader.calibrate.models import LEAST_ROWS, candidates
from cardreader.calibrate.papers import estimates_on, readable_on
from cardreader.calibrate.scores import needed_factor
from cardreader.calibrate.site import SiteFit, fit_site
from cardreader.calibrate.studycolumns import LabMethod
from cardreader.calibrate.volume import VolumeScatter, volume_scatter
from cardreader.hb.calibration import Calibration
from cardreader.hb.estimate import Estimates
from cardreader.hb.measured import Measured

Split = tuple[NDArray[np.intp], NDArray[np.intp]]
SITE_MODEL = "site posterior"
"""Name of the way that a prior gives; the candidates are for comparison with it."""
GIVEN = "given calibration"
"""In place of a model's name: a finished calibration, with which nothing was fitted."""
MOST_LEVELS = 6
"""More phones or lots than this are left out in groups, not one by one."""


@dataclass(frozen=True)
class Recipe:
    """What decides a fit besides the pairs; written into the provenance.

    Attributes
    ----------
    coverage : float
        Level of the intervals.
    folds, inner_folds : int
        Folds of women for measuring and for choosing.
    seed : int
        Of every draw.
    """

    coverage: float = 0.9
    folds: int = 5
    inner_folds: int = 4
    seed: int = 1


@dataclass(frozen=True)
class Score:
    """How a candidate did in cross-validation; root mean squares in g/dL.

    ``by_grouping`` holds the figure for folds of women, and for phones and lots left out.
    """

    model: str
    rms_g_dl: float
    by_grouping: dict[str, float]
    deployable: bool


@dataclass(frozen=True, eq=False)
class Fit:
    """A fitted calibration with what led to it.

    ``conformity_scores`` holds one drawn score of each woman that set the
    interval factor, rising. ``weight`` (n,) is what each photo counted for in a site's
    posterior; (0,) for other models.
    """

    calibration: Calibration
    model: str
    scores: tuple[Score, ...]
    volume: VolumeScatter | None
    conformity_scores: tuple[float, ...]
    recipe: Recipe
    weight: NDArray[np.float64] = field(default_factory=lambda: np.zeros(0))


@dataclass(frozen=True, eq=False)
class Pairs:
    """Arrays of a study's usable rows; all (n,) but ``x``, (n, 9 + s).

    ``print_sd`` is what the design alone leaves open of each card, see `Lot.print_sd`.
    """

    x: NDArray[np.float64]
    print_sd: NDArray[np.float64]
    lab_g_dl: NDArray[np.float64]
    lab_sd_g_dl: NDArray[np.float64]
    subject: NDArray[np.str_]
    level: NDArray[np.str_]
    blot: NDArray[np.str_]
    phone: NDArray[np.str_]
    light: NDArray[np.str_]
    lot: NDArray[np.str_]
    operator: NDArray[np.str_]
    method: NDArray[np.str_]
    paper: NDArray[np.str_]

    @classmethod
    def of(cls, features: Features) -> Pairs:
        """The usable rows of a study."""
        rows = features.used

        def text(name: str) -> NDArray[np.str_]:
            return rows[name].astype(str).to_numpy(str)

        visit = _joined(rows, "subject", "visit")
        return cls(
            x=features.x(rows),
            print_sd=rows["print_sd"].to_numpy(float),
            lab_g_dl=rows["lab_g_dl"].to_numpy(float),
            lab_sd_g_dl=rows["lab_sd_g_dl"].to_numpy(float),
            subject=text("subject"),
            level=visit,
            blot=_joined(rows, "subject", "visit", "replicate"),
            phone=text("phone"),
            light=text("light"),
            lot=text("lot"),
            operator=text("operator"),
            method=text("lab_method"),
            paper=text("paper") if "paper" in rows else np.full(len(rows), ""),
        )

    def __len__(self) -> int:
        return len(self.lab_g_dl)

    def take(self, index: NDArray[np.intp]) -> Pairs:
        """The pairs at ``index``."""
        return Pairs(**{name: getattr(self, name)[index] for name in self.__dataclass_fields__})

    def estimates(self, calibration: Calibration) -> Estimates:
        """What the reader makes of them with a calibration, each on its own paper."""
        return estimates_on(Measured.of_rows(self.x), calibration, self.paper, self.print_sd)

    @property
    def at_site(self) -> SitePairs:
        """What conditioning a prior needs."""
        return SitePairs(
            Measured.of_rows(self.x),
            self.lab_g_dl,
            self.lab_sd_g_dl,
            self.level,
            self.blot,
            self.paper,
        )

    @property
    def condition(self) -> NDArray[np.str_]:
        """Phone, light and operator of each pair, joined."""
        parts = zip(self.phone, self.light, self.operator, strict=True)
        return np.array([" | ".join(part) for part in parts])


def _joined(rows: pd.DataFrame, *names: str) -> NDArray[np.str_]:
    if rows.empty:
        return np.array([], dtype=str)
    return rows[list(names)].astype(str).agg("\x1f".join, axis=1).to_numpy(str)


# --- splits -------------------------------------------------------------------------


def women_splits(pairs: Pairs, folds: int) -> Iterator[Split]:
    """Folds that keep each woman on one side; fewer folds when there are few women."""
    n_women = np.unique(pairs.subject).size
    if n_women < 2:
        raise TooFewPairsError("cross-validation needs at least 2 subjects")
    yield from GroupKFold(min(folds, n_women)).split(pairs.x, groups=pairs.subject)


def unseen_splits(pairs: Pairs, part: str) -> Iterator[Split]:
    """Folds that leave out a phone (or lot, or light) together with half of the women.

    Women were photographed with several phones; leaving the phone alone out
    would let the model know the woman already.
    """
    labels = getattr(pairs, part)
    levels = np.unique(labels)
    if levels.size < 2:
        return
    groups = [np.array(group) for group in np.array_split(levels, min(levels.size, MOST_LEVELS))]
    for _, half in women_splits(pairs, 2):
        in_half = np.zeros(len(pairs), dtype=bool)
        in_half[half] = True
        for group in groups:
            out = np.isin(labels, group)
            train, test = np.flatnonzero(~out & ~in_half), np.flatnonzero(out & in_half)
            if train.size >= LEAST_ROWS and test.size:
                yield train, test


def _groupings(pairs: Pairs, recipe: Recipe) -> dict[str, list[Split]]:
    found = {"women": list(women_splits(pairs, recipe.inner_folds))}
    for part in ("phone", "lot"):
        splits = list(unseen_splits(pairs, part))
        if splits:
            found[part] = splits
    return found


# --- choosing -----------------------------------------------------------------------


def _fitted(model: Any, pairs: Pairs) -> Any:
    return clone(model).fit(pairs.x, pairs.lab_g_dl, pairs.lab_sd_g_dl)


def _mean_square(model: Any, pairs: Pairs, splits: list[Split]) -> float:
    """Mean over women of the squared error, beyond what the laboratory's own error gives."""
    squares, weights = [], []
    for train, test in splits:
        fitted, held = _fitted(model, pairs.take(train)), pairs.take(test)
        squares.append((fitted.predict(held.x) - held.lab_g_dl) ** 2)
        # A woman read often must not count more; a poor laboratory value counts less.
        _, index, count = np.unique(held.subject, return_inverse=True, return_counts=True)
        weights.append(1 / count[index] / (0.25 + held.lab_sd_g_dl**2))
    return float(np.average(np.concatenate(squares), weights=np.concatenate(weights)))


def choose(
    pairs: Pairs, base: Calibration | None, volume_cv: float, recipe: Recipe
) -> tuple[Any, tuple[Score, ...]]:
    """The candidate with the least cross-validated error, and how all did; best first.

    The figure that decides is the mean of squared errors over the groupings:
    women, and where the study has several, phones and lots left out.
    """
    groupings = _groupings(pairs, recipe)
    models = candidates(base, volume_cv)
    scores = []
    for name, model in models.items():
        by = {key: _mean_square(model, pairs, splits) for key, splits in groupings.items()}
        scores.append(
            Score(
                model=name,
                rms_g_dl=float(np.sqrt(np.mean(list(by.values())))),
                by_grouping={key: float(np.sqrt(value)) for key, value in by.items()},
                deployable=model.deployable,
            )
        )
    ordered = tuple(sorted(scores, key=lambda score: score.rms_g_dl))
    best = next(score for score in ordered if score.deployable)
    return models[best.model], ordered


# --- conformal ----------------------------------------------------------------------


def reference_rows(pairs: Pairs, coverage: float) -> NDArray[np.bool_]:
    """Pairs that may set the interval: photometric and analyser values, if there are enough.

    A tube read by eye has an error of its own that would widen every interval;
    it is used only where the study has nothing better.
    """
    good = pairs.method != LabMethod.ACID_HAEMATIN.value
    enough = np.unique(pairs.subject[good]).size >= 2 * least_groups(1 - coverage)
    return good if enough else np.ones(len(pairs), dtype=bool)


def cross_conformal(
    model: Any, pairs: Pairs, volume_cv: float, recipe: Recipe
) -> tuple[float, tuple[float, ...]]:
    """Factor on every interval, from held-out women, by exact rank; and a score of each.

    Raises
    ------
    TooFewPairsError
        Fewer women than the rank needs.
    """
    factor = np.full(len(pairs), np.nan)
    for train, test in women_splits(pairs, recipe.folds):
        draft = _fitted(model, pairs.take(train)).calibration_
        factor[test] = needed_factors(draft, pairs.take(test), volume_cv, recipe.coverage)
    usable = np.flatnonzero(reference_rows(pairs, recipe.coverage) & ~np.isnan(factor))
    scale = group_scale(factor[usable], pairs.subject[usable], 1 - recipe.coverage)
    chosen = usable[one_per_group(pairs.subject[usable], recipe.seed)]
    return scale, tuple(sorted(float(score) for score in factor[chosen]))


def needed_factors(
    draft: Calibration, pairs: Pairs, volume_cv: float, coverage: float
) -> NDArray[np.float64]:
    """Conformity scores (n,) of unseen pairs; NaN where the reader would refuse."""
    found = pairs.estimates(draft)
    scores = needed_factor(found, pairs.lab_g_dl, volume_cv, coverage)
    return np.where(readable_on(found, pairs.paper), scores, np.nan)


def fit(
    pairs: Pairs,
    base: Calibration | None = None,
    recipe: Recipe | None = None,
    model: str | None = None,
) -> Fit:
    """Choose a model, fit it to all pairs and set its intervals.

    Parameters
    ----------
    base : Calibration, optional
        Known calibration: gives the anchored candidate and the signature terms.
    model : str, optional
        Name of a candidate to use without choosing.

    Raises
    ------
    TooFewPairsError
        Too few women for the coverage, or too few rows for a fit.
    """
    recipe = recipe or Recipe()
    if not len(pairs):
        raise TooFewPairsError("no photo of the table gave a colour: too few to learn from")
    if base is not None:
        base.must_be_of_this_chain()
    if base is not None and base.posterior is not None and model in (None, SITE_MODEL):
        return _of_site(pairs, base, recipe)
    n_women = np.unique(pairs.subject).size
    if len(pairs) < LEAST_ROWS or n_women < least_groups(1 - recipe.coverage):
        raise TooFewPairsError(
            f"{len(pairs)} readable pairs of {n_women} women are too few: "
            f"{least_groups(1 - recipe.coverage)} women are the least for a "
            f"{recipe.coverage:.0%} interval, and far more are needed to know anything well"
        )
    floor, cv = measured_volume(pairs, base, recipe)
    if model is None:
        chosen, scores = choose(pairs, base, cv, recipe)
        name = next(score.model for score in scores if score.deployable)
    else:
        name, scores = model, ()
        chosen = candidates(base, cv)[model]
    factor, own_scores = cross_conformal(chosen, pairs, cv, recipe)
    calibration = replace(
        _fitted(chosen, pairs).calibration_,
        conformal_scale=factor,
        coverage=recipe.coverage,
        n_pairs=len(pairs),
        **lots_of(pairs),
    )
    return Fit(calibration, name, scores, floor, own_scores, recipe)


def lots_of(pairs: Pairs) -> dict[str, Any]:
    """A calibration's fields on the lots of its pairs, and on those known by their design."""
    return {
        "lots": tuple(sorted(set(pairs.lot.tolist()))),
        "lots_by_design": tuple(sorted(set(pairs.lot[pairs.print_sd > 0].tolist()))),
    }


def _of_site(pairs: Pairs, prior: Calibration, recipe: Recipe) -> Fit:
    found: SiteFit = fit_site(
        prior,
        pairs.at_site,
        pairs.subject,
        recipe.coverage,
        recipe.seed,
        reference_rows(pairs, recipe.coverage),
    )
    return Fit(
        replace(found.calibration, **lots_of(pairs)),
        SITE_MODEL,
        (),
        found.volume,
        found.conformity_scores,
        recipe,
        found.weight,
    )


def measured_volume(
    pairs: Pairs, base: Calibration | None, recipe: Recipe
) -> tuple[VolumeScatter, float]:
    """Posterior of volume scatter, and the value to use.

    A woman's photos are read with a plain locus fitted to all pairs: the scatter
    within a woman hardly depends on the locus.
    """
    fitted = _fitted(candidates(base, 0.0)["monotone interpolation"], pairs)
    image = pairs.estimates(fitted.calibration_).image()
    scatter = volume_scatter(image.median, image.sd, pairs.level, pairs.blot)
    return scatter, scatter.cv
