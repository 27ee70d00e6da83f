"""Honest performance of a study's calibration, from women that it has never seen."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cardreader.calibrate import verdict
from cardreader.calibrate.agreement import Agreement, bland_altman_replicates
from cardreader.calibrate.breakdown import (
    LEAST_WOMEN,
    BandRow,
    MethodRow,
    SeveralBlots,
    UnseenRow,
    band_rows,
    coverage_rows,
    cut_off_rows,
    method_rows,
    several_blots,
    severe_passed_over,
    unseen_rows,
)
from cardreader.calibrate.choosing import Recipe
from cardreader.calibrate.conformal import TooFewPairsError, one_per_group
from cardreader.calibrate.coverage import CoverageRow
from cardreader.calibrate.diagnostic import (
    ANAEMIA_G_DL,
    SEVERE_G_DL,
    Consequence,
    CutOff,
    Kappa,
    Roc,
    TotalError,
    band,
    consequences,
    roc,
    weighted_kappa,
    within_total_error,
)
from cardreader.calibrate.features import Features
from cardreader.calibrate.fit import GIVEN, Fit, fit, reference_rows
from cardreader.calibrate.heldout import HeldOut, hold_out
from cardreader.calibrate.pairs import Pairs
from cardreader.calibrate.regression import Line, deming, passing_bablok
from cardreader.calibrate.repeatability import Repeatability, repeatability
from cardreader.calibrate.splits import women_splits
from cardreader.decide.protocol import Protocol
from cardreader.hb.calibration import Calibration

MOST_FOR_RANKS = 3000
Array = NDArray[np.float64]
Progress = Callable[[str], None]


@dataclass(frozen=True, eq=False)
class Validation:
    """Everything that the report shows."""

    held_out: HeldOut
    one_each: HeldOut
    n_table: int
    n_faulty: int
    refusals: tuple[tuple[str, int], ...]
    n_not_accepted: int
    n_women: int
    n_women_unread: int
    prevalence: dict[str, float] | None
    methods: tuple[MethodRow, ...]
    agreement: Agreement
    lines: tuple[Line, ...]
    bands: tuple[BandRow, ...]
    cut_offs: tuple[tuple[str, CutOff], ...]
    rocs: tuple[Roc, ...]
    kappa: Kappa | None
    kappa_table: NDArray[np.intp]
    consequences: tuple[Consequence, ...]
    repeatability: Repeatability | None
    several_blots: SeveralBlots | None
    total_error: tuple[TotalError, ...]
    coverage: tuple[CoverageRow, ...]
    unseen: tuple[UnseenRow, ...]
    criteria: tuple[verdict.Criterion, ...]
    limits: tuple[str, ...]


def validate(
    features: Features,
    fitted: Fit,
    base: Calibration | None,
    protocol: Protocol,
    prevalence: dict[str, float] | None = None,
    synthetic: bool = False,
    progress: Progress = lambda words: None,
) -> Validation:
    """Measure a study's calibration by nested cross-validation.

    Parameters
    ----------
    fitted : Fit
        The final fit: its recipe is repeated in every fold, model choice included.
    prevalence : dict, optional
        For the consequences, see `diagnostic.consequences`.
    """
    pairs, recipe = Pairs.of(features), fitted.recipe
    chosen = None if fitted.scores else fitted.model

    def whole_recipe(part: Pairs) -> Fit:
        progress("nested cross-validation")
        return fit(part, base, recipe, model=chosen)

    readings = hold_out(pairs, list(women_splits(pairs, recipe.folds)), whole_recipe, protocol)
    progress("phones, lights and lots left out")
    unseen = unseen_rows(pairs, base, fitted, protocol)
    return _summary(features, readings, unseen, fitted, prevalence, synthetic)


def validate_elsewhere(
    features: Features,
    calibration: Calibration,
    protocol: Protocol,
    prevalence: dict[str, float] | None = None,
    synthetic: bool = False,
) -> tuple[Validation, Fit]:
    """Measure a finished calibration on women who had no part in it: an external validation."""
    pairs = Pairs.of(features)
    recipe = Recipe(coverage=calibration.coverage)
    given = Fit(calibration, GIVEN, (), None, (), recipe)
    everyone = [(np.arange(0), np.arange(len(pairs)))]
    readings = hold_out(pairs, everyone, lambda part: given, protocol)
    return _summary(features, readings, (), given, prevalence, synthetic), given


def _summary(
    features: Features,
    readings: HeldOut,
    unseen: tuple[UnseenRow, ...],
    fitted: Fit,
    prevalence: dict[str, float] | None,
    synthetic: bool,
) -> Validation:
    recipe = fitted.recipe
    good = reference_rows(readings.pairs, recipe.coverage)
    accepted = readings.take(np.flatnonzero(readings.accepted & good))
    if np.unique(accepted.pairs.subject).size < LEAST_WOMEN:
        raise TooFewPairsError(
            f"fewer than {LEAST_WOMEN} women gave a reading that the reader accepts"
        )
    one = accepted.take(one_per_group(accepted.pairs.subject, recipe.seed))
    lab = one.pairs.lab_g_dl
    table = np.zeros((3, 3), dtype=np.intp)
    edges = [SEVERE_G_DL, ANAEMIA_G_DL]
    np.add.at(table, (band(one.hb_g_dl, edges), band(lab, edges)), 1)
    agreement = bland_altman_replicates(
        accepted.hb_g_dl, accepted.pairs.lab_g_dl, accepted.pairs.subject
    )
    cut_offs = cut_off_rows(one)
    coverage = coverage_rows(one)
    passed_over = severe_passed_over(accepted)
    decided = consequences(lab, one.answer, prevalence=prevalence)
    read_women = np.unique(readings.pairs.subject[readings.accepted]).size
    return Validation(
        held_out=readings,
        one_each=one,
        n_table=features.n_table,
        n_faulty=len({error.row for error in features.table_errors}),
        refusals=_refusals(features),
        n_not_accepted=int(np.sum(~readings.accepted)),
        n_women=int(features.rows["subject"].nunique()),
        n_women_unread=int(features.rows["subject"].nunique()) - read_women,
        prevalence=prevalence,
        methods=method_rows(readings.take(np.flatnonzero(readings.accepted)), good, recipe),
        agreement=agreement,
        lines=_lines(one, recipe.seed),
        bands=band_rows(accepted),
        cut_offs=cut_offs,
        rocs=tuple(found for t in edges if (found := roc(one.hb_g_dl, lab, t)) is not None),
        kappa=weighted_kappa(table),
        kappa_table=table,
        consequences=decided,
        repeatability=repeatability(
            accepted.hb_g_dl, accepted.pairs.level, accepted.pairs.condition
        ),
        several_blots=several_blots(accepted),
        total_error=within_total_error(one.hb_g_dl, lab),
        coverage=coverage,
        unseen=unseen,
        criteria=verdict.criteria(agreement, cut_offs, coverage[0], passed_over, recipe),
        limits=verdict.limits(features, readings.pairs, fitted, synthetic, passed_over.total),
    )


def _lines(one: HeldOut, seed: int) -> tuple[Line, ...]:
    """The lines that there are: none through values that are all the same or don't rise together,
    which is the study's fault and no reason to give no report."""
    made = []
    for line in (_deming, _passing_bablok):
        with suppress(ValueError):
            made.append(line(one, seed))
    return tuple(made)


def _deming(one: HeldOut, _: int) -> Line:
    return deming(one.pairs.lab_g_dl, one.hb_g_dl, _variance_ratio(one))


def _passing_bablok(one: HeldOut, seed: int) -> Line:
    """The line of at most `MOST_FOR_RANKS` women: it sorts the slopes of all pairs of them."""
    n = one.hb_g_dl.size
    kept = np.random.default_rng(seed).permutation(n)[:MOST_FOR_RANKS]
    return passing_bablok(one.pairs.lab_g_dl[kept], one.hb_g_dl[kept])


def _variance_ratio(one: HeldOut) -> float:
    """Error variance of the readings over that of the laboratory, by their own statements."""
    laboratory = float(np.mean(one.pairs.lab_sd_g_dl**2))
    return float(np.mean(one.sd_g_dl**2)) / max(laboratory, 1e-6)


def _refusals(features: Features) -> tuple[tuple[str, int], ...]:
    reasons = Counter(str(text).split(" (")[0] for text in features.refused["refusal"])
    return tuple(reasons.most_common())
