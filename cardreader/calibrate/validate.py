"""Honest performance of a study's calibration, from women that it has never seen."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cardreader.calibrate import verdict
from cardreader.calibrate.agreement import Agreement, bland_altman_replicates
from cardreader.calibrate.conformal import TooFewPairsError, one_per_group
from cardreader.calibrate.coverage import CoverageRow, coverage_by
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
    cut_off,
    roc,
    weighted_kappa,
    within_total_error,
)
from cardreader.calibrate.features import Features
from cardreader.calibrate.fit import (
    Fit,
    Pairs,
    Recipe,
    Split,
    fit,
    reference_rows,
    unseen_splits,
    women_splits,
)
from cardreader.calibrate.proportion import Proportion, proportion
from cardreader.calibrate.regression import Line, deming, passing_bablok
from cardreader.calibrate.repeatability import Repeatability, repeatability
from cardreader.calibrate.study import LabMethod
from cardreader.decide.protocol import Protocol
from cardreader.decide.rule import Outcome, Question, decide
from cardreader.hb.calibration import Calibration

BAND_EDGES_G_DL = (SEVERE_G_DL, 9.0, ANAEMIA_G_DL)
BAND_NAMES = ("below 7", "7 to 9", "9 to 11", "11 and above")
LEAST_WOMEN = 10
"""Fewer women than this are no validation."""
MOST_FOR_RANKS = 3000
GREY_ZONE_G_DL = 0.5
"""Half-width of the zone round a cut-off in which the laboratory's own error decides (ours)."""

Array = NDArray[np.float64]
Progress = Callable[[str], None]


@dataclass(frozen=True, eq=False)
class HeldOut:
    """Readings of all pairs, each by a calibration that never saw the woman.

    Arrays (n,); ``accepted`` is False where the reader refuses the value or the
    colour, ``answer`` is one of the decision's answers, ``may_be_severe`` says
    that the decision refers her for severe anaemia.
    """

    pairs: Pairs
    hb_g_dl: Array
    low_g_dl: Array
    high_g_dl: Array
    sd_g_dl: Array
    accepted: NDArray[np.bool_]
    answer: NDArray[np.str_]
    may_be_severe: NDArray[np.bool_]
    models: tuple[str, ...]

    @property
    def covered(self) -> NDArray[np.bool_]:
        """Whether the interval holds the laboratory value."""
        lab = self.pairs.lab_g_dl
        return (self.low_g_dl <= lab) & (lab <= self.high_g_dl)

    def take(self, index: NDArray[np.intp]) -> HeldOut:
        """The readings at ``index``."""
        arrays = ("hb_g_dl", "low_g_dl", "high_g_dl", "sd_g_dl")
        flags = ("accepted", "answer", "may_be_severe")
        return HeldOut(
            pairs=self.pairs.take(index),
            models=self.models,
            **{name: getattr(self, name)[index] for name in (*arrays, *flags)},
        )


@dataclass(frozen=True)
class BandRow:
    """Error in one band of laboratory haemoglobin, g/dL; None with fewer than 2 readings."""

    name: str
    n_readings: int
    n_women: int
    bias: float | None
    sd: float | None
    rms: float | None


@dataclass(frozen=True)
class MethodRow:
    """Readings against one laboratory method; ``reference`` says it counts in all other tables."""

    method: str
    reference: bool
    n_readings: int
    n_women: int
    bias_g_dl: float
    rms_g_dl: float
    coverage: Proportion


@dataclass(frozen=True)
class UnseenRow:
    """Readings of a phone, light or lot that was left out of the fit, with its women."""

    part: str
    value: str
    n_readings: int
    bias_g_dl: float
    rms_g_dl: float
    coverage: Proportion


@dataclass(frozen=True)
class SeveralBlots:
    """Mean of two blots of a woman against one of them, under the same conditions; g/dL."""

    n_women: int
    rms_one: float
    rms_two: float
    sd_one: float
    sd_two: float


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
    deming: Line
    passing_bablok: Line
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


_WORDS = {
    Outcome.SEVERE: "severe",
    Outcome.ANAEMIC: "anaemic",
    Outcome.NOT_ANAEMIC: "not anaemic",
    Outcome.UNCERTAIN: "uncertain",
}


def hold_out(
    pairs: Pairs,
    splits: list[Split],
    make: Callable[[Pairs], Fit],
    protocol: Protocol,
) -> HeldOut:
    """Readings of the test part of every split by a calibration of its training part.

    The splits' test parts must not overlap; pairs in none of them are left out.
    """
    parts, order, models = [], [], []
    for train, test in splits:
        made = make(pairs.take(train))
        models.append(made.model)
        parts.append(_read_part(pairs.take(test), made.calibration, protocol))
        order.append(test)
    at = np.concatenate(order)
    if np.unique(at).size != at.size:
        raise ValueError("the splits' test parts overlap")
    back = np.argsort(at)
    joined = {key: np.concatenate([part[key] for part in parts])[back] for key in parts[0]}
    return HeldOut(pairs=pairs.take(at[back]), models=tuple(models), **joined)


def _read_part(pairs: Pairs, calibration: Calibration, protocol: Protocol) -> dict[str, NDArray]:
    found = pairs.estimates(calibration)
    read = found.final()
    low, high = read.interval(calibration.coverage)
    answers, severe = [], []
    for at in range(len(pairs)):
        decision = decide(read[at], protocol)
        answers.append(_WORDS[decision.outcome])
        severe.append(
            decision.outcome is Outcome.SEVERE or decision.question is Question.MAY_BE_SEVERE
        )
    return {
        "hb_g_dl": read.median,
        "low_g_dl": low,
        "high_g_dl": high,
        "sd_g_dl": read.sd,
        "accepted": found.readable,
        "answer": np.array(answers, dtype=str),
        "may_be_severe": np.array(severe, dtype=bool),
    }


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
    unseen = _unseen(pairs, base, fitted, protocol)
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
    given = Fit(calibration, "given calibration", (), None, (), recipe)
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
    cut_offs = _cut_offs(one)
    coverage = _coverage(one)
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
        methods=_methods(readings.take(np.flatnonzero(readings.accepted)), good, recipe),
        agreement=agreement,
        deming=deming(lab, one.hb_g_dl, _variance_ratio(one)),
        passing_bablok=_passing_bablok(one, recipe.seed),
        bands=_bands(accepted),
        cut_offs=cut_offs,
        rocs=tuple(found for t in edges if (found := roc(one.hb_g_dl, lab, t)) is not None),
        kappa=weighted_kappa(table),
        kappa_table=table,
        consequences=decided,
        repeatability=repeatability(
            accepted.hb_g_dl, accepted.pairs.level, accepted.pairs.condition
        ),
        several_blots=_several_blots(accepted),
        total_error=within_total_error(one.hb_g_dl, lab),
        coverage=coverage,
        unseen=unseen,
        criteria=verdict.criteria(agreement, cut_offs, coverage[0], decided, recipe),
        limits=verdict.limits(features, readings.pairs, fitted, synthetic),
    )


def _passing_bablok(one: HeldOut, seed: int) -> Line:
    """The line of at most `MOST_FOR_RANKS` women: it sorts the slopes of all pairs of them."""
    n = one.hb_g_dl.size
    kept = np.random.default_rng(seed).permutation(n)[:MOST_FOR_RANKS]
    return passing_bablok(one.pairs.lab_g_dl[kept], one.hb_g_dl[kept])


def _coverage(one: HeldOut) -> tuple[CoverageRow, ...]:
    bands = np.array(BAND_NAMES)[band(one.pairs.lab_g_dl, BAND_EDGES_G_DL)]
    parts = {
        "Hb band": bands,
        "phone": one.pairs.phone,
        "light": one.pairs.light,
        "lot": one.pairs.lot,
    }
    rows = coverage_by(one.covered, one.high_g_dl - one.low_g_dl, parts)
    order = {name: index for index, name in enumerate(BAND_NAMES)}
    first, *others = rows
    by_band = [row for row in others if row.part == "Hb band"]
    by_band.sort(key=lambda row: order[row.value])
    return (first, *by_band, *(row for row in others if row.part != "Hb band"))


def _several_blots(accepted: HeldOut) -> SeveralBlots | None:
    """What a second blot brings; None with fewer than `LEAST_WOMEN` women who have two."""
    pairs, ones, twos = accepted.pairs, [], []
    keys = np.array([f"{a}\x1f{b}" for a, b in zip(pairs.level, pairs.condition, strict=True)])
    seen: set[str] = set()
    for key in np.unique(keys):
        at = np.flatnonzero(keys == key)
        _, first = np.unique(pairs.blot[at], return_index=True)
        woman = str(pairs.subject[at[0]])
        if first.size < 2 or woman in seen:
            continue
        seen.add(woman)
        errors = (accepted.hb_g_dl - pairs.lab_g_dl)[at[first[:2]]]
        ones.append(errors[0])
        twos.append(errors.mean())
    if len(ones) < LEAST_WOMEN:
        return None
    one, two = np.array(ones), np.array(twos)
    return SeveralBlots(
        n_women=one.size,
        rms_one=float(np.sqrt(np.mean(one**2))),
        rms_two=float(np.sqrt(np.mean(two**2))),
        sd_one=float(one.std(ddof=1)),
        sd_two=float(two.std(ddof=1)),
    )


def _variance_ratio(one: HeldOut) -> float:
    """Error variance of the readings over that of the laboratory, by their own statements."""
    laboratory = float(np.mean(one.pairs.lab_sd_g_dl**2))
    return float(np.mean(one.sd_g_dl**2)) / max(laboratory, 1e-6)


def _refusals(features: Features) -> tuple[tuple[str, int], ...]:
    reasons = Counter(str(text).split(" (")[0] for text in features.refused["refusal"])
    return tuple(reasons.most_common())


def _bands(readings: HeldOut) -> tuple[BandRow, ...]:
    which = band(readings.pairs.lab_g_dl, BAND_EDGES_G_DL)
    error = readings.hb_g_dl - readings.pairs.lab_g_dl
    rows = []
    for index, name in enumerate(BAND_NAMES):
        own = error[which == index]
        enough = own.size > 1
        rows.append(
            BandRow(
                name=name,
                n_readings=own.size,
                n_women=np.unique(readings.pairs.subject[which == index]).size,
                bias=float(own.mean()) if enough else None,
                sd=float(own.std(ddof=1)) if enough else None,
                rms=float(np.sqrt(np.mean(own**2))) if enough else None,
            )
        )
    return tuple(rows)


def _methods(accepted: HeldOut, good: NDArray[np.bool_], recipe: Recipe) -> tuple[MethodRow, ...]:
    all_good = bool(good.all())
    rows = []
    for method in np.unique(accepted.pairs.method):
        own = accepted.take(np.flatnonzero(accepted.pairs.method == method))
        error = own.hb_g_dl - own.pairs.lab_g_dl
        one = own.take(one_per_group(own.pairs.subject, recipe.seed))
        rows.append(
            MethodRow(
                method=str(method),
                reference=all_good or method != LabMethod.ACID_HAEMATIN.value,
                n_readings=error.size,
                n_women=one.covered.size,
                bias_g_dl=float(error.mean()),
                rms_g_dl=float(np.sqrt(np.mean(error**2))),
                coverage=proportion(int(one.covered.sum()), one.covered.size),
            )
        )
    return tuple(rows)


def _cut_offs(one: HeldOut) -> tuple[tuple[str, CutOff], ...]:
    lab = one.pairs.lab_g_dl
    sent = one.answer != "not anaemic"
    rows = []
    for grey, words in ((0.0, ""), (GREY_ZONE_G_DL, ", outside the grey zone")):
        rows += [
            (f"value below 7{words}", cut_off(one.hb_g_dl < SEVERE_G_DL, lab, SEVERE_G_DL, grey)),
            (
                f"decision refers for severe{words}",
                cut_off(one.may_be_severe, lab, SEVERE_G_DL, grey),
            ),
            (
                f"value below 11{words}",
                cut_off(one.hb_g_dl < ANAEMIA_G_DL, lab, ANAEMIA_G_DL, grey),
            ),
            (f"decision asks to confirm{words}", cut_off(sent, lab, ANAEMIA_G_DL, grey)),
        ]
    return tuple(rows)


def _unseen(
    pairs: Pairs, base: Calibration | None, fitted: Fit, protocol: Protocol
) -> tuple[UnseenRow, ...]:
    def same_model(part: Pairs) -> Fit:
        return fit(part, base, fitted.recipe, model=fitted.model)

    rows = []
    for part in ("phone", "light", "lot"):
        splits = list(unseen_splits(pairs, part))
        if not splits:
            continue
        try:
            found = hold_out(pairs, splits, same_model, protocol)
        except TooFewPairsError:
            continue
        good = reference_rows(found.pairs, fitted.recipe.coverage)
        found = found.take(np.flatnonzero(found.accepted & good))
        labels = getattr(found.pairs, part)
        for value in np.unique(labels):
            own = found.take(np.flatnonzero(labels == value))
            error = own.hb_g_dl - own.pairs.lab_g_dl
            one = own.take(one_per_group(own.pairs.subject, fitted.recipe.seed))
            rows.append(
                UnseenRow(
                    part=part,
                    value=str(value),
                    n_readings=error.size,
                    bias_g_dl=float(error.mean()),
                    rms_g_dl=float(np.sqrt(np.mean(error**2))),
                    coverage=proportion(int(one.covered.sum()), one.covered.size),
                )
            )
    return tuple(rows)
