"""Choosing, fitting and conformalising: from a study's features to a calibration.

Everything that is learnt from the pairs - which model, its parameters, the
conformal factor - is learnt inside each training part again when performance is
measured (nested cross-validation), so that no held-out woman has had a say in
how she is read.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardreader.calibrate.choosing import Recipe, Score, choose, fitted_to
from cardreader.calibrate.conformal import (
    TooFewPairsError,
    group_scale,
    least_groups,
    one_per_group,
)
from cardreader.calibrate.locusregressor import LEAST_ROWS
from cardreader.calibrate.models import candidates
from cardreader.calibrate.pairs import Pairs, lots_of
from cardreader.calibrate.papers import readable_on
from cardreader.calibrate.scores import needed_factor
from cardreader.calibrate.site import SiteFit, fit_site
from cardreader.calibrate.splits import women_splits
from cardreader.calibrate.studycolumns import LabMethod
from cardreader.calibrate.volume import VolumeScatter, volume_scatter
from cardreader.hb.calibration import Calibration

SITE_MODEL = "site posterior"
"""Name of the way that a prior gives; the candidates are for comparison with it."""
GIVEN = "given calibration"
"""In place of a model's name: a finished calibration, with which nothing was fitted."""


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
        draft = fitted_to(model, pairs.take(train)).calibration_
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
        fitted_to(chosen, pairs).calibration_,
        conformal_scale=factor,
        coverage=recipe.coverage,
        n_pairs=len(pairs),
        **lots_of(pairs),
    )
    return Fit(calibration, name, scores, floor, own_scores, recipe)


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
    fitted = fitted_to(candidates(base, 0.0)["monotone interpolation"], pairs)
    image = pairs.estimates(fitted.calibration_).image()
    scatter = volume_scatter(image.median, image.sd, pairs.level, pairs.blot)
    return scatter, scatter.cv
