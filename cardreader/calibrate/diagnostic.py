"""How well a cut-off is called: sensitivity, predictive values, ROC, kappa, consequences.

Wilson intervals and the weighted kappa come from statsmodels, the ROC from
scikit-learn; only the bookkeeping is ours.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import stats
from sklearn import metrics
from statsmodels.stats.inter_rater import cohens_kappa

from cardreader.calibrate.proportion import Proportion, proportion

Interval = tuple[float, float]
SEVERE_G_DL, ANAEMIA_G_DL = 7.0, 11.0
"""Cut-offs that reports are made at: common practice in pregnancy (see the protocols)."""


@dataclass(frozen=True)
class CutOff:
    """A reading below the cut-off against a laboratory value below it.

    ``excluded`` counts the pairs left out since their laboratory value lies in
    the grey zone, where the laboratory's own error decides the side.
    """

    threshold_g_dl: float
    grey_zone_g_dl: float
    excluded: int
    sensitivity: Proportion
    specificity: Proportion
    positive_value: Proportion
    negative_value: Proportion


def cut_off(
    positive: ArrayLike,
    lab_g_dl: ArrayLike,
    threshold_g_dl: float,
    grey_zone_g_dl: float = 0.0,
    confidence: float = 0.95,
) -> CutOff:
    """Count right and wrong calls at one threshold.

    Parameters
    ----------
    positive : (n,) array_like of bool
        The test calls the subject below the threshold (or refers her).
    lab_g_dl : (n,) array_like
        Laboratory value; below the threshold is diseased. One reading a
        subject: Wilson intervals count independent subjects.
    grey_zone_g_dl : float
        Half-width of the zone round the threshold that is left out, >= 0.
    """
    called = np.asarray(positive, dtype=bool)
    lab = np.asarray(lab_g_dl, dtype=float)
    if called.shape != lab.shape or called.ndim != 1:
        raise ValueError("positive and lab_g_dl must be (n,) and of one length")
    if grey_zone_g_dl < 0:
        raise ValueError(f"grey_zone_g_dl must not be negative, got {grey_zone_g_dl}")
    kept = np.abs(lab - threshold_g_dl) >= grey_zone_g_dl
    called, diseased = called[kept], lab[kept] < threshold_g_dl
    hit, miss = int(np.sum(called & diseased)), int(np.sum(~called & diseased))
    alarm, clear = int(np.sum(called & ~diseased)), int(np.sum(~called & ~diseased))
    return CutOff(
        threshold_g_dl=threshold_g_dl,
        grey_zone_g_dl=grey_zone_g_dl,
        excluded=int(np.sum(~kept)),
        sensitivity=proportion(hit, hit + miss, confidence),
        specificity=proportion(clear, clear + alarm, confidence),
        positive_value=proportion(hit, hit + alarm, confidence),
        negative_value=proportion(clear, clear + miss, confidence),
    )


@dataclass(frozen=True, eq=False)
class Roc:
    """Receiver operating characteristic of "low reading means low laboratory value".

    ``false_positive`` and ``true_positive`` are (k,) rates; ``area_ci`` is
    DeLong's interval (DeLong, DeLong, Clarke-Pearson, Biometrics 1988; 44: 837-845).
    """

    threshold_g_dl: float
    n_positive: int
    n_negative: int
    false_positive: NDArray[np.float64]
    true_positive: NDArray[np.float64]
    area: float
    area_ci: Interval


def roc(
    hb_g_dl: ArrayLike, lab_g_dl: ArrayLike, threshold_g_dl: float, confidence: float = 0.95
) -> Roc | None:
    """ROC at one laboratory threshold; None where one side has fewer than 2 subjects."""
    score = -np.asarray(hb_g_dl, dtype=float)
    diseased = np.asarray(lab_g_dl, dtype=float) < threshold_g_dl
    cases, controls = score[diseased], score[~diseased]
    if cases.size < 2 or controls.size < 2:
        return None
    false_positive, true_positive, _ = metrics.roc_curve(diseased, score)
    wins = (cases[:, None] > controls).astype(float) + 0.5 * (cases[:, None] == controls)
    area = float(wins.mean())
    variance = wins.mean(axis=1).var(ddof=1) / cases.size
    variance += wins.mean(axis=0).var(ddof=1) / controls.size
    half = float(stats.norm.ppf((1 + confidence) / 2) * np.sqrt(variance))
    return Roc(
        threshold_g_dl=threshold_g_dl,
        n_positive=cases.size,
        n_negative=controls.size,
        false_positive=false_positive,
        true_positive=true_positive,
        area=area,
        area_ci=(max(0.0, area - half), min(1.0, area + half)),
    )


@dataclass(frozen=True)
class Kappa:
    """Weighted kappa with its interval (Fleiss, Cohen, Everitt 1969 standard error)."""

    value: float
    ci: Interval
    weights: str


def band(hb_g_dl: ArrayLike, edges_g_dl: ArrayLike) -> NDArray[np.intp]:
    """Band index of each value: 0 below the first edge, up to ``len(edges)``.

    A value on an edge belongs to the band above it, as cut-offs are written ("< 7").
    """
    return np.digitize(np.asarray(hb_g_dl, dtype=float), np.asarray(edges_g_dl, dtype=float))


def weighted_kappa(table: ArrayLike, weights: str = "quadratic") -> Kappa | None:
    """Agreement on ordered bands beyond chance.

    Parameters
    ----------
    table : (k, k) array_like
        Counts, reading by laboratory.
    weights : {"linear", "quadratic"}
        How fast a disagreement counts more as bands lie further apart.

    Returns
    -------
    Kappa or None
        None where all counts share one band, so that chance agreement is complete.
    """
    counts = np.asarray(table, dtype=float)
    if counts.ndim != 2 or counts.shape[0] != counts.shape[1]:
        raise ValueError(f"table must be square, got {counts.shape}")
    if weights not in ("linear", "quadratic"):
        raise ValueError(f"weights must be 'linear' or 'quadratic', got {weights!r}")
    rows, columns = counts.sum(axis=1), counts.sum(axis=0)
    if max(rows.max(), columns.max()) == counts.sum():
        return None
    result = cohens_kappa(counts, wt=weights)
    return Kappa(float(result.kappa), (float(result.kappa_low), float(result.kappa_upp)), weights)


@dataclass(frozen=True)
class Consequence:
    """What one combination of true state and answer would mean.

    ``per_thousand`` is weighted to the prevalences asked for, not to those of the study.
    """

    truth: str
    answer: str
    count: int
    per_thousand: float | None
    meaning: str
    harmful: bool


MEANING: dict[tuple[str, str], tuple[str, bool]] = {
    ("severe", "severe"): ("Sent for urgent confirmation, rightly.", False),
    ("severe", "anaemic"): ("Referred, but without the urgency that her state asks for.", True),
    ("severe", "uncertain"): ("Sent for confirmation; found if she goes.", False),
    ("severe", "not anaemic"): ("Missed: the error this tool must not make.", True),
    ("anaemic", "severe"): ("Sent urgently, though her state allows more time.", False),
    ("anaemic", "anaemic"): ("Referred for confirmation, rightly.", False),
    ("anaemic", "uncertain"): ("Sent for confirmation; found if she goes.", False),
    ("anaemic", "not anaemic"): ("Missed until the next test.", True),
    ("not anaemic", "severe"): ("Frightened and sent for nothing.", True),
    ("not anaemic", "anaemic"): ("Sent for a confirmation that she does not need.", False),
    ("not anaemic", "uncertain"): ("Sent for a confirmation that she does not need.", False),
    ("not anaemic", "not anaemic"): ("Reassured, rightly.", False),
}

TRUTHS = ("severe", "anaemic", "not anaemic")
ANSWERS = ("severe", "anaemic", "uncertain", "not anaemic")


def consequences(
    lab_g_dl: ArrayLike,
    answers: ArrayLike,
    severe_g_dl: float = 7.0,
    anaemia_g_dl: float = 11.0,
    prevalence: dict[str, float] | None = None,
) -> tuple[Consequence, ...]:
    """Decision-consequence table: every truth against every answer.

    Parameters
    ----------
    lab_g_dl : (n,) array_like
        Laboratory values, one a subject.
    answers : (n,) array_like of str
        One of `ANSWERS` a subject.
    prevalence : dict, optional
        Share of each of `TRUTHS` in the people to be screened (sums to 1). None
        takes the study's own shares.
    """
    truth = np.array(TRUTHS)[band(lab_g_dl, [severe_g_dl, anaemia_g_dl])]
    answer = np.asarray(answers).astype(str)
    if answer.shape != truth.shape or not set(answer) <= set(ANSWERS):
        raise ValueError(f"answers must be (n,) and among {ANSWERS}")
    if prevalence is not None and (
        set(prevalence) != set(TRUTHS) or abs(sum(prevalence.values()) - 1) > 1e-6
    ):
        raise ValueError(f"prevalence needs {TRUTHS} and must sum to 1")
    rows = []
    for state in TRUTHS:
        total = int(np.sum(truth == state))
        share = prevalence[state] if prevalence else (total / truth.size if truth.size else 0.0)
        for reply in ANSWERS:
            count = int(np.sum((truth == state) & (answer == reply)))
            meaning, harmful = MEANING[state, reply]
            per_thousand = 1000 * share * count / total if total else None
            rows.append(Consequence(state, reply, count, per_thousand, meaning, harmful))
    return tuple(rows)


@dataclass(frozen=True)
class TotalError:
    """Share of readings within a total-error limit of the laboratory value."""

    name: str
    source: str
    within: Proportion


TOTAL_ERROR_LIMITS: tuple[tuple[str, str, float, float], ...] = (
    (
        "4 % of the laboratory value",
        "42 CFR 493.941, haemoglobin proficiency testing since 2025 (figure from memory)",
        0.04,
        0.0,
    ),
    (
        "7 % of the laboratory value",
        "42 CFR 493.941, haemoglobin proficiency testing until 2024 (figure from memory)",
        0.07,
        0.0,
    ),
    ("1.0 g/dL", "common practice, no source", 0.0, 1.0),
)
"""(name, source, relative limit, absolute limit in g/dL); the larger of the two counts."""


def within_total_error(
    hb_g_dl: ArrayLike, lab_g_dl: ArrayLike, confidence: float = 0.95
) -> tuple[TotalError, ...]:
    """Share of readings within each of `TOTAL_ERROR_LIMITS`."""
    hb, lab = np.asarray(hb_g_dl, dtype=float), np.asarray(lab_g_dl, dtype=float)
    return tuple(
        TotalError(
            name,
            source,
            proportion(
                int(np.sum(np.abs(hb - lab) <= np.maximum(relative * lab, absolute))),
                hb.size,
                confidence,
            ),
        )
        for name, source, relative, absolute in TOTAL_ERROR_LIMITS
    )
