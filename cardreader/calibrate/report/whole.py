"""The whole report: its head, and its sections in order."""

from __future__ import annotations

from dataclasses import dataclass

from cardreader.calibrate.document import Document
from cardreader.calibrate.features import Features
from cardreader.calibrate.fit import Fit
from cardreader.calibrate.report import accounts, decisions, errors, intervals, making
from cardreader.calibrate.validate import Validation


@dataclass(frozen=True)
class Heading:
    """What identifies the report."""

    title: str
    calibration_id: str
    created: str
    version: str
    study_sha256: str
    synthetic: bool


def build(heading: Heading, features: Features, fitted: Fit, found: Validation) -> Document:
    """The whole report."""
    banner = "SYNTHETIC DATA: no blood was measured, no photo was made" if heading.synthetic else ""
    women = len(set(found.held_out.pairs.subject.tolist()))
    return Document(
        title=heading.title,
        subtitle="Calibration and validation report. Every reading shown is of a woman whom the "
        "calibration that read her had not seen.",
        banner=banner,
        foot=f"{heading.calibration_id}, cardreader {heading.version}, {heading.created}. "
        "Screening only.",
        facts=(
            ("Calibration", heading.calibration_id),
            ("Made", heading.created),
            ("Women", f"{women} with a readable photo, {len(found.held_out.pairs)} photos"),
            ("Laboratory", _methods_words(found)),
            ("Model", fitted.model),
            ("Study table, SHA-256", heading.study_sha256),
        ),
        sections=(
            accounts.verdict(found),
            accounts.every_row(features, found),
            errors.agreement(found),
            errors.regression(found),
            errors.along_the_scale(found),
            decisions.cut_offs(found),
            decisions.consequences(found),
            intervals.promises(fitted, found),
            *intervals.unseen(fitted, found),
            making.repeatability(fitted, found),
            making.model(features, fitted),
            making.method(fitted),
            *accounts.refused_list(features),
        ),
    )


def _methods_words(found: Validation) -> str:
    return ", ".join(f"{row.method}: {row.n_women} women" for row in found.methods)
