"""A study from its measurements to the calibration folder: fit, validation, report, provenance."""

from __future__ import annotations

import platform
import re
from collections import Counter
from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from datetime import date
from importlib.metadata import version
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from cardreader import __version__
from cardreader.calibrate.choosing import Recipe
from cardreader.calibrate.condition import UNLIKE_WEIGHT
from cardreader.calibrate.conformal import TooFewPairsError
from cardreader.calibrate.diagnostic import ANAEMIA_G_DL
from cardreader.calibrate.document import to_html, to_pdf
from cardreader.calibrate.drift import selected_centre
from cardreader.calibrate.features import Features
from cardreader.calibrate.fit import SITE_MODEL, Fit, fit
from cardreader.calibrate.outlook import Outlook, outlook
from cardreader.calibrate.pairs import Pairs
from cardreader.calibrate.provenance import LARGEST_SCORE
from cardreader.calibrate.report.whole import Heading, build
from cardreader.calibrate.sitefading import with_fading
from cardreader.calibrate.sitesittings import with_sittings
from cardreader.calibrate.validate import (
    LEAST_WOMEN,
    HeldOut,
    Validation,
    validate,
    validate_elsewhere,
)
from cardreader.calibrate.verdict import overall
from cardreader.decide.protocol import Protocol
from cardreader.hb import container
from cardreader.hb.calibration import Calibration

LEAST_WOMEN_OF_A_SITE = 5
"""Women behind a calibration. Of eight simulated sites, two studies each, with one laboratory
value that was another woman's, 90 % intervals held 40, 64, 82 and 93 % with 1, 2, 3 and 5
women; with 1 and 2 of them 89 and 25 values of 9 g/dL or less were called not anaemic, with 5
none."""

REPORT_HTML, REPORT_PDF, READINGS = "report.html", "report.pdf", "readings.csv"
_LIBRARIES = ("numpy", "scipy", "scikit-learn", "pandas", "statsmodels", "matplotlib")


@dataclass(frozen=True)
class About:
    """What a study says of itself.

    ``prevalence`` is that of the women to be screened, see `diagnostic.consequences`.
    """

    title: str
    study_sha256: str
    created: date
    synthetic: bool = False
    id: str = ""
    prevalence: dict[str, float] | None = None

    @property
    def calibration_id(self) -> str:
        """Given id, or one made of title and date."""
        slug = re.sub(r"[^a-z0-9]+", "-", self.title.lower()).strip("-")[:60] or "study"
        return self.id or f"{slug}-{self.created:%Y%m%d}"


def calibrate(
    features: Features,
    about: About,
    base: Calibration | None,
    protocol: Protocol,
    recipe: Recipe | None = None,
    model: str | None = None,
    progress: Callable[[str], None] = lambda words: None,
) -> tuple[Fit, Validation | None]:
    """Fit and validate; the calibration carries the study's name and basis.

    A prior can be conditioned on fewer women than a validation needs: then there is none.

    Raises
    ------
    TooFewPairsError
        Fewer than `LEAST_WOMEN_OF_A_SITE`, or too few women for another model.
    """
    n_women = features.used["subject"].nunique()
    if 0 < n_women < LEAST_WOMEN_OF_A_SITE:
        raise TooFewPairsError(
            f"{n_women} women with a readable photo are too few for a calibration: at least "
            f"{LEAST_WOMEN_OF_A_SITE}, since among fewer one wrong laboratory value would not "
            "show and would move all readings"
        )
    progress("fitting")
    base = base_for(features, base)
    fitted = fit(Pairs.of(features), base, recipe, model)
    women = features.used["subject"].nunique()
    kind = "synthetic" if about.synthetic else "laboratory"
    calibration = replace(
        on_papers_of_enough(fitted.calibration, features),
        id=about.calibration_id,
        created=about.created.isoformat(),
        # Nothing is called measured unless a laboratory measured it.
        basis="simulated" if about.synthetic else "measured",
        lot_colours=features.lot_colours,
        source=f"{about.title}: {fitted.calibration.n_pairs} photos of {women} women with "
        f"{kind} values",
    )
    fitted = replace(fitted, calibration=calibration)
    if fitted.model == SITE_MODEL and women < LEAST_WOMEN:
        return fitted, None
    try:
        return fitted, validate(
            features, fitted, base, protocol, about.prevalence, about.synthetic, progress
        )
    except TooFewPairsError:
        # Of some more women than a validation needs a few may give no value when left out.
        if fitted.model == SITE_MODEL and women < 2 * LEAST_WOMEN:
            return fitted, None
        raise


def base_for(features: Features, base: Calibration | None) -> Calibration | None:
    """The base as these photos are fitted with: told how photos of one sitting differ, and of
    one lot how its cards bleach."""
    if base is None:
        return None
    base = with_sittings(base)
    if len(features.lots) != 1:
        return base
    return with_fading(base, features.lots[0], features.measured())


def papers_of_few(features: Features) -> dict[str, int]:
    """Batches of paper with fewer than `LEAST_WOMEN_OF_A_SITE` women, and how many they have."""
    rows = features.used
    if "paper" not in rows:
        return {}
    women = rows[rows["paper"] != ""].groupby("paper")["subject"].nunique()
    return {str(batch): int(n) for batch, n in women.items() if n < LEAST_WOMEN_OF_A_SITE}


def on_papers_of_enough(calibration: Calibration, features: Features) -> Calibration:
    """The calibration without papers of few women: one wrong laboratory value is all they'd be
    read by.

    That with most pairs stays, as the site's own.
    """
    papers, seen = calibration.papers, calibration.seen_papers
    if papers is None:
        return calibration
    few = papers_of_few(features).keys() - {papers.batches[0]}
    at = [k for k, batch in enumerate(papers.batches) if batch not in few]
    batches = tuple(papers.batches[k] for k in at)
    known = tuple(one for one in papers.known if one.batch not in few)
    return replace(
        calibration,
        papers=replace(papers, batches=batches, known=known),
        seen_papers=None if seen is None else seen.of(at),
    )


def save(
    folder: Path,
    features: Features,
    about: About,
    base: Calibration | None,
    fitted: Fit,
    found: Validation | None,
    replace_old: bool = False,
) -> None:
    """Write the calibration folder with report, readings and provenance."""
    files = {} if found is None else report_files(features, about, fitted, found)
    container.save(
        folder,
        fitted.calibration,
        provenance(features, about, base, fitted, found),
        files,
        replace=replace_old,
    )


def report_files(
    features: Features, about: About, fitted: Fit, found: Validation
) -> dict[str, bytes]:
    """The report as page and PDF, and the held-out readings as a table."""
    heading = Heading(
        title=about.title,
        calibration_id=fitted.calibration.id,
        created=about.created.isoformat(),
        version=__version__,
        study_sha256=about.study_sha256,
        synthetic=about.synthetic,
    )
    document = build(heading, features, fitted, found)
    return {
        REPORT_HTML: to_html(document).encode(),
        REPORT_PDF: to_pdf(document),
        READINGS: _readings_csv(found.held_out).encode(),
    }


def external_report(
    features: Features, about: About, calibration: Calibration, protocol: Protocol
) -> tuple[dict[str, bytes], Validation]:
    """Report of a finished calibration on new women."""
    found, given = validate_elsewhere(
        features, calibration, protocol, about.prevalence, about.synthetic
    )
    return report_files(features, about, given, found), found


def _readings_csv(held: HeldOut) -> str:
    """Held-out readings; women numbered anew, since a calibration folder travels further."""
    pairs = held.pairs
    _, number = np.unique(pairs.subject, return_inverse=True)
    frame = pd.DataFrame(
        {
            "woman": number + 1,
            "lab_g_dl": pairs.lab_g_dl.round(3),
            "lab_sd_g_dl": pairs.lab_sd_g_dl.round(3),
            "lab_method": pairs.method,
            "phone": pairs.phone,
            "light": pairs.light,
            "lot": pairs.lot,
            "reading_g_dl": held.hb_g_dl.round(3),
            "low_g_dl": held.low_g_dl.round(3),
            "high_g_dl": held.high_g_dl.round(3),
            "sd_g_dl": held.sd_g_dl.round(3),
            "accepted": held.accepted,
            "answer": held.answer,
        }
    )
    return frame.to_csv(index=False, lineterminator="\n")


def outlook_of(features: Features, fitted: Fit) -> Outlook | None:
    """The width to expect, now and with more pairs; None for models without a posterior."""
    pairs = Pairs.of(features)
    if fitted.calibration.posterior is None or not len(pairs):
        return None
    return outlook(fitted.calibration, pairs.at_site)


def provenance(
    features: Features,
    about: About,
    base: Calibration | None,
    fitted: Fit,
    found: Validation | None,
) -> dict[str, Any]:
    """Where a calibration comes from, as JSON."""
    shared = _origin(features, about, base, fitted)
    if found is None:
        return shared
    held = found.held_out
    kept = held.accepted
    try:
        centre: float | None = selected_centre(
            held.hb_g_dl[kept], held.pairs.lab_g_dl[kept], ANAEMIA_G_DL
        )
    except ValueError:
        centre = None
    return shared | {
        "rows": {
            "table": found.n_table,
            "faulty": found.n_faulty,
            "refused": len(features.refused),
            "not_accepted": found.n_not_accepted,
            "women": found.n_women,
            "women_unread": found.n_women_unread,
        },
        "drift_centre_g_dl": centre,
        "drift_confirmed_below_g_dl": ANAEMIA_G_DL,
        "verdict": overall(found.criteria),
        "criteria": [asdict(criterion) for criterion in found.criteria],
    }


def _unlike_rows(features: Features, fitted: Fit) -> list[int]:
    """Rows of the table, from 1, whose photos are unlike the others and counted little."""
    if not len(fitted.weight):
        return []
    return [int(row) for row in features.used["row"][fitted.weight < UNLIKE_WEIGHT]]


def _origin(
    features: Features, about: About, base: Calibration | None, fitted: Fit
) -> dict[str, Any]:
    """What is known of a calibration's origin without a validation."""
    photos = sorted(value for value in features.used["photo_sha256"] if value)
    ahead = outlook_of(features, fitted)
    return {
        "title": about.title,
        "created": about.created.isoformat(),
        "synthetic": about.synthetic,
        "study_sha256": about.study_sha256,
        "photos_sha256": photos,
        "base": None if base is None else {"id": base.id, "sha256": base.sha256},
        "recipe": asdict(fitted.recipe),
        "model": fitted.model,
        "models": [asdict(score) for score in fitted.scores],
        "volume": None if fitted.volume is None else asdict(fitted.volume),
        "women": int(features.used["subject"].nunique()),
        "refusals": dict(Counter(str(t).split(" (")[0] for t in features.refused["refusal"])),
        "taught_g_dl": [float(end) for end in fitted.calibration.taught_g_dl],
        "outlook": None if ahead is None else ahead.as_json(),
        "papers": list(given.batches) if (given := fitted.calibration.papers) else [],
        "weights": [round(float(weight), 3) for weight in fitted.weight],
        "tells_fading": fitted.calibration.fading is not None,
        "unlike_rows": _unlike_rows(features, fitted),
        "conformity_scores": [min(s, LARGEST_SCORE) for s in fitted.conformity_scores],
        "software": {
            "cardreader": __version__,
            "python": platform.python_version(),
            **{name: version(name) for name in _LIBRARIES},
        },
    }
