"""Choosing between candidates by how they read women, phones and lots left out."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from sklearn.base import clone

from cardreader.calibrate.models import candidates
from cardreader.calibrate.pairs import Pairs
from cardreader.calibrate.splits import Split, unseen_splits, women_splits
from cardreader.hb.calibration import Calibration


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


def _groupings(pairs: Pairs, recipe: Recipe) -> dict[str, list[Split]]:
    found = {"women": list(women_splits(pairs, recipe.inner_folds))}
    for part in ("phone", "lot"):
        splits = list(unseen_splits(pairs, part))
        if splits:
            found[part] = splits
    return found


def fitted_to(model: Any, pairs: Pairs) -> Any:
    """A fresh copy of a candidate, fitted to the pairs."""
    return clone(model).fit(pairs.x, pairs.lab_g_dl, pairs.lab_sd_g_dl)


def _mean_square(model: Any, pairs: Pairs, splits: list[Split]) -> float:
    """Mean over women of the squared error, beyond what the laboratory's own error gives."""
    squares, weights = [], []
    for train, test in splits:
        fitted, held = fitted_to(model, pairs.take(train)), pairs.take(test)
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
