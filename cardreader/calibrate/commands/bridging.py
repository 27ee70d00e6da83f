"""``cardreader study bridge``: a calibration tried on a new lot or phone, and one for it."""

from __future__ import annotations

import argparse
from dataclasses import replace
from typing import Any

from cardreader.calibrate import bridge as bridging
from cardreader.calibrate.commands.inputs import (
    about_of,
    features_of,
    must_be_free,
    must_be_new,
    study_of,
    with_past,
)
from cardreader.calibrate.pairs import Pairs
from cardreader.calibrate.provenance import LARGEST_SCORE
from cardreader.hb import container
from cardreader.terminal.exitcodes import ExitCode
from cardreader.terminal.failing import CommandError, writing
from cardreader.terminal.faults import say_line


def bridge(arguments: argparse.Namespace) -> ExitCode:
    """Test a calibration on a new lot or phone, and write one for it when asked."""
    old, past = with_past(arguments.calibration)
    study = study_of(arguments)
    if arguments.out is not None:
        must_be_free(arguments.out, replace=False)
    about = about_of(arguments, study, arguments.id)
    features = features_of(study, arguments)
    must_be_new(features, past)
    pairs = Pairs.of(features)
    if new_papers := sorted({p for p in pairs.paper.tolist() if old.is_another_paper(p)}):
        raise CommandError(
            ExitCode.BAD_DATA,
            f"calibration {old.id} never saw blotting paper {', '.join(new_papers)}: no bridge "
            "leads to another paper; fit again with these pairs among the others",
        )
    scores = list(past.conformity_scores)
    found = bridging.bridge(pairs, old, len(scores) or None, scores, arguments.margin)
    say_line(found.words)
    if arguments.out is None:
        return ExitCode.OK
    if found.verdict is bridging.Verdict.UNDECIDED:
        say_line(f"{arguments.out}: no calibration written.")
        return ExitCode.OK
    note: dict[str, Any] = {"bridge": found.words}
    if found.verdict is bridging.Verdict.HOLDS:
        new = bridging.with_lots(old, pairs)
        colours = {one.lot_id: one for one in (*old.lot_colours, *features.lot_colours)}
    else:
        changed = bridging.update(pairs, old)
        new = changed.calibration
        colours = {one.lot_id: one for one in features.lot_colours}
        note["update"] = {
            "offset_only": changed.offset_only,
            "intercept_g_dl": changed.intercept_g_dl,
            "slope": changed.slope,
            "rms_old_g_dl": changed.rms_old_g_dl,
            "rms_new_g_dl": changed.rms_new_g_dl,
        }
        scores = [min(score, LARGEST_SCORE) for score in changed.conformity_scores]
        say_line(
            f"Corrected: {changed.intercept_g_dl:+.2f} + {changed.slope:.3f} x old reading; RMS on "
            f"women left out {changed.rms_new_g_dl:.2f} g/dL, was {changed.rms_old_g_dl:.2f}."
        )
    if old.posterior is not None and {*colours} - {*old.lots}:
        new = replace(new, fading=None)  # how the other lot's cards look when fresh wasn't told
    # A calibration that merely holds rests on what it rested on before.
    unmeasured = about.synthetic or (
        found.verdict is bridging.Verdict.HOLDS and old.basis == "simulated"
    )
    new = replace(
        new,
        id=about.calibration_id,
        created=about.created.isoformat(),
        lot_colours=tuple(colours.values()),
        basis="simulated" if unmeasured else "measured",
        source=f"{old.id}, bridged by {about.title}: {found.n_women} women",
    )
    provenance = {
        "title": about.title,
        "created": about.created.isoformat(),
        "synthetic": about.synthetic,
        "study_sha256": study.sha256,
        "base": {"id": old.id, "sha256": old.sha256},
        "conformity_scores": scores,
        "photos_sha256": sorted({*past.photos_sha256, *features.rows["photo_sha256"]} - {""}),
        **note,
    }
    with writing(arguments.out):
        container.save(arguments.out, new, provenance)
    say_line(
        f"{arguments.out}: calibration {new.id} for lots {', '.join(new.lots) or 'of any number'}"
    )
    return ExitCode.OK
