"""How the calibration came about: repeated readings, choice of the model, method."""

from __future__ import annotations

from collections.abc import Iterator

from cardreader.calibrate import figures
from cardreader.calibrate.breakdown import SeveralBlots
from cardreader.calibrate.document import Bullets, Figure, Section, Table, Text
from cardreader.calibrate.features import Features
from cardreader.calibrate.fit import GIVEN, SITE_MODEL, Fit
from cardreader.calibrate.pairs import Pairs
from cardreader.calibrate.repeatability import Repeatability
from cardreader.calibrate.report.words import plain
from cardreader.calibrate.unsigned import without_signature
from cardreader.calibrate.validate import Validation
from cardreader.calibrate.volume import VolumeScatter
from cardreader.hb.estimate import beside_fresh_cards


def repeatability(fitted: Fit, found: Validation) -> Section:
    """How far two readings of one woman lie apart."""
    rows = [
        *_same_conditions(found.repeatability),
        *_volume(fitted.volume),
        *_two_blots(found.several_blots),
        ("figure used by the reader", f"{fitted.calibration.volume_cv:.1%}"),
    ]
    return Section(
        "Repeating a reading",
        (
            Table(
                ("", "found"),
                tuple(rows),
                "As in ISO 5725: a level is a woman, a laboratory is a set of phone, light and "
                "operator. Two readings of one woman under the same conditions differ by more "
                "than r in 5 of 100 cases. Scatter of blood volume sets a floor that no image "
                "processing removes; n blots divide it by the root of n.",
                wide=True,
            ),
        ),
    )


def _same_conditions(found: Repeatability | None) -> list[tuple[str, str]]:
    if found is None:
        return [("repeatability", "no woman was read twice under the same conditions")]
    low, high = found.sd_ci
    rows = [
        ("repeatability sd", f"{found.sd_repeatability_g_dl:.2f} g/dL ({low:.2f} to {high:.2f})"),
        ("repeatability limit r", f"{found.limit_r_g_dl:.2f} g/dL"),
    ]
    if found.sd_reproducibility_g_dl is None or found.limit_R_g_dl is None:
        needed = "women read again under the same conditions and under others too"
        return [*rows, ("reproducibility", f"not known: it takes {needed}")]
    return [
        *rows,
        ("reproducibility sd", f"{found.sd_reproducibility_g_dl:.2f} g/dL"),
        ("reproducibility limit R", f"{found.limit_R_g_dl:.2f} g/dL"),
    ]


def _volume(found: VolumeScatter | None) -> list[tuple[str, str]]:
    if found is None:
        return []
    low, high = found.ci
    words = (
        f"{found.cv:.1%} (95 % within {low:.1%} to {high:.1%}; {found.prior_cv:.1%} believed "
        f"before); {found.n_two_blots} women with several blots, {found.n_same_blot} with a "
        "blot photographed again, under any conditions"
    )
    return [("scatter of blood volume between blots", words)]


def _two_blots(found: SeveralBlots | None) -> list[tuple[str, str]]:
    if found is None:
        return []
    words = f"RMS {found.rms_one:.2f} and {found.rms_two:.2f} g/dL ({found.n_women} women)"
    return [("error of one blot, of the mean of two", words)]


def model(features: Features, fitted: Fit) -> Section:
    """How the model was chosen, and its locus."""
    pairs = Pairs.of(features)
    fresh = beside_fresh_cards(features.measured(), fitted.calibration)
    locus = Figure(
        figures.locus_figure(
            pairs.lab_g_dl,
            without_signature(fresh, pairs.lab_g_dl, fitted.calibration),
            fitted.calibration,
        ),
        "Blots of the study, less what the card says of lamp and phone, and the fitted locus.",
    )
    if not fitted.scores:
        return Section("Model", (Text(_model_words(fitted)), locus))
    groupings = list(fitted.scores[0].by_grouping)
    rows = tuple(
        (
            score.model,
            *(plain(score.by_grouping[name]) for name in groupings),
            f"{score.rms_g_dl:.3f}",
        )
        for score in fitted.scores
    )
    return Section(
        "Choice of the model",
        (
            Table(
                ("Candidate", *(f"{name} left out" for name in groupings), "mean"),
                rows,
                f"Root mean square error, g/dL. Chosen: {fitted.model}, the best that the reader "
                "can use. In the validation the choice was made anew in every fold.",
            ),
            Figure(figures.model_figure(fitted.scores), "Error of every candidate."),
            locus,
        ),
    )


def _model_words(fitted: Fit) -> str:
    if fitted.model == SITE_MODEL:
        return (
            "What simulated worlds leave open of a site (the prior), narrowed by this study's "
            "pairs: no model was chosen among several. Photos unlike the others count little, "
            "none is dropped."
        )
    if fitted.model == GIVEN:
        return "The calibration was given: nothing was fitted to these women."
    return f"The model was asked for and not chosen: {fitted.model}."


def method(fitted: Fit) -> Section:
    """How the study was worked out."""
    return Section("How it was done", (Bullets(tuple(_steps(fitted))),))


_LABORATORY = "Uncertainty of the laboratory value: as stated in the table, or assumed by method"


def _steps(fitted: Fit) -> Iterator[str]:
    recipe = fitted.recipe
    if fitted.model == GIVEN:
        yield (
            "Every woman was read by the finished calibration; photos that had a part in it are "
            "refused. That no woman had one under other photos is for the study to see to."
        )
        yield f"{_LABORATORY}."
    else:
        left_out = "phones, lights and lots are left out too where the study has several"
        choosing = f"{recipe.inner_folds} inner folds choose; " if fitted.scores else ""
        yield (
            f"Cross-validation: in each of {recipe.folds} folds of women all is fitted again to "
            f"the others; {choosing}{left_out}."
        )
        yield (
            f"{_LABORATORY}; the fit moves each pair by the two variances, as in "
            "errors-in-variables regression."
        )
        yield _factor_words(fitted)
    yield f"Seed of every draw: {recipe.seed}."


def _factor_words(fitted: Fit) -> str:
    if fitted.conformity_scores and fitted.model == SITE_MODEL:
        return (
            "Intervals: the posterior's, stretched by what women left out in turn needed, every "
            "woman with the same weight: their mean and the prior's factor, drawn towards the "
            "cross-conformal exact rank by as much as their number says."
        )
    if fitted.conformity_scores:
        return (
            "Intervals: cross-conformal, normalised scores, every woman with the same weight, "
            "exact finite-sample rank."
        )
    return (
        "Intervals: the posterior's own. Fewer women than set a factor of their own move the "
        "prior's a little, so no rank promises their coverage."
    )
