"""``cardreader study fit``: a calibration from a study, and in words what it lacks."""

from __future__ import annotations

import argparse

from cardreader.calibrate import workflow
from cardreader.calibrate.choosing import Recipe
from cardreader.calibrate.commands.inputs import (
    about_of,
    features_of,
    must_be_free,
    older_at,
    prior_for,
    protocol_of,
    study_of,
)
from cardreader.calibrate.compared import compared
from cardreader.calibrate.condition import UNLIKE_WEIGHT
from cardreader.calibrate.diagnostic import ANAEMIA_G_DL, SEVERE_G_DL
from cardreader.calibrate.features import Features
from cardreader.calibrate.fit import SITE_MODEL, Fit
from cardreader.calibrate.models import candidates
from cardreader.calibrate.sitefading import LEAST_PHOTOS
from cardreader.calibrate.study import Study
from cardreader.calibrate.verdict import criteria_words, overall
from cardreader.card.lots import Lots
from cardreader.core.oneline import reason
from cardreader.core.rowfaults import MOST_TOLD
from cardreader.terminal.exitcodes import ExitCode
from cardreader.terminal.failing import CommandError, writing
from cardreader.terminal.faults import say_line
from cardreader.terminal.readeroptions import calibration_of, lots_of

WOMEN_TO_TEACH = 3
"""With fewer at an end of the range it is as good as untaught: one may be a slip."""


def fit(arguments: argparse.Namespace) -> ExitCode:
    """Make a calibration from a study."""
    study = study_of(arguments)
    lots = lots_of(arguments)
    base = calibration_of(arguments.base or prior_for(study, lots))
    names = [name for name, model in candidates(base).items() if model.deployable]
    if base.posterior is not None:
        names.insert(0, SITE_MODEL)
    if arguments.model is not None and arguments.model not in names:
        raise CommandError(ExitCode.USAGE, f"--model is one of: {', '.join(names)}")
    must_be_free(arguments.out, arguments.replace)
    about = about_of(arguments, study, arguments.id)
    protocol = protocol_of(arguments.protocol)
    before = older_at(arguments.out) if arguments.replace else None
    features = features_of(study, arguments)
    recipe = Recipe(coverage=arguments.coverage, folds=arguments.folds, seed=arguments.seed)
    fitted, found = workflow.calibrate(
        features, about, base, protocol, recipe, arguments.model, arguments.progress.note
    )
    arguments.progress.note("report")
    with writing(arguments.out):
        workflow.save(arguments.out, features, about, base, fitted, found, arguments.replace)
    arguments.progress.end()
    if before is not None:
        older, past = before
        try:
            changed = compared(features, older, past.photos_sha256, fitted.calibration, protocol)
            say_line(changed.words)
        except ValueError as error:
            say_line(f"What changed from {older.id} can't be told: {reason(error)}")
    _say_weights(features, fitted)
    if (ahead := workflow.outlook_of(features, fitted)) is not None:
        say_line(ahead.words)
    for batch, women in workflow.papers_of_few(features).items():
        if fitted.calibration.is_another_paper(batch):
            say_line(
                f"Blotting paper {batch}: too few women ({women}; at least "
                f"{workflow.LEAST_WOMEN_OF_A_SITE}), so photos on it get no value yet."
            )
    if few := untaught(features):
        say_line(few)
    if by_design := known_by_design(study, lots):
        say_line(by_design)
    if fitted.model == SITE_MODEL and fitted.calibration.fading is None:
        say_line(
            f"Faded cards are not told from fresh ones: that takes {LEAST_PHOTOS} photos or more, "
            "all of one printed lot. Keep cards in the dark."
        )
    if found is None:
        say_line(
            f"{arguments.out}: calibration {fitted.calibration.id}, model {fitted.model}\n"
            "Too few women for a validation: what they leave open is in the width of its "
            "readings. Screening only."
        )
        return ExitCode.OK
    say_line(
        f"{arguments.out}: calibration {fitted.calibration.id}, model {fitted.model}\n"
        f"{overall(found.criteria)}\n{criteria_words(found.criteria)}\n"
        f"Report: {arguments.out / workflow.REPORT_HTML}. Screening only."
    )
    return ExitCode.OK


def untaught(features: Features) -> str:
    """Where hardly a pair says how dark blots are, though women there will be read."""
    lab, subject = features.used["lab_g_dl"], features.used["subject"]
    ends = (
        (lab < SEVERE_G_DL, f"below {lab.min():.1f}", f"below {SEVERE_G_DL:g}"),
        (lab >= ANAEMIA_G_DL, f"above {lab.max():.1f}", f"of {ANAEMIA_G_DL:g} or more"),
    )
    parts = []
    for there, beyond_all, at_the_end in ends:
        women = subject[there].nunique()
        if not women:
            parts.append(f"none {beyond_all} g/dL")
        elif women < WOMEN_TO_TEACH:
            parts.append(f"only {'one' if women == 1 else women} {at_the_end} g/dL")
    if not parts:
        return ""
    return (
        f"Of women's laboratory values there are {' and '.join(parts)}: readings there rest on "
        "simulated worlds and can be off by more than their intervals say."
    )


def known_by_design(study: Study, lots: Lots) -> str:
    """That photos tell more of a print than its design does, before more is built on it."""
    used = set(study.rows["lot"])
    names = [
        lot.lot_id
        for lot in lots.values()
        if lot.lot_id in used and lot.basis == "nominal" and not lot.is_demonstration
    ]
    if not names:
        return ""
    return (
        f"Known by its design alone: lot {', '.join(names)}. Colours found from photos of "
        "its cards, this study's too, read better: `cardreader card-colours PHOTOS --out "
        "FILE`, then fit again from the photos."
    )


def _say_weights(features: Features, fitted: Fit) -> None:
    """Photos unlike the others, which the fit has let count little; none is dropped."""
    unlike = fitted.weight < UNLIKE_WEIGHT
    if not unlike.any():
        return
    names = features.used["photo"][unlike].astype(str).tolist()
    more = len(names) - MOST_TOLD
    told = "photo is unlike the others and counts"
    if len(names) > 1:
        told = "photos are unlike the others and count"
    say_line(
        f"{len(names)} {told} little (look whether blot, woman and laboratory value belong "
        "together, and whether all lay on one paper): "
        + ", ".join(names[:MOST_TOLD])
        + (f" and {more} more" if more > 0 else "")
    )
