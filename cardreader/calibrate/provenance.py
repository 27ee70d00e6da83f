"""What later commands take from the record of where a calibration came from.

The rest of it is for people. These three are counted with, so they are held to
what `workflow.provenance` writes before anything rests on them.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from cardreader.hb.container import ContainerError, Problem

_SHA256 = re.compile(r"[0-9a-f]{64}")
LARGEST_CENTRE_G_DL = 10.0
LARGEST_SCORE = 1e6
"""Stands for an infinite one: no interval held the laboratory value. JSON has no infinity."""


@dataclass(frozen=True)
class Past:
    """Conformity scores and photo hashes of the study, and the centre for the drift watch.

    Empty, and 0 g/dL, where the record says nothing.
    """

    conformity_scores: tuple[float, ...] = ()
    photos_sha256: frozenset[str] = frozenset()
    drift_centre_g_dl: float = 0.0


def past_of(provenance: Mapping[str, Any]) -> Past:
    """What is counted with in a calibration's provenance; ContainerError when it can't be."""
    scores = provenance.get("conformity_scores") or []
    photos = provenance.get("photos_sha256") or []
    centre = provenance.get("drift_centre_g_dl") or 0.0
    if not isinstance(scores, list) or not all(_is_between(0, s, LARGEST_SCORE) for s in scores):
        raise _problem("conformity_scores")
    if not isinstance(photos, list) or not all(_is_hash(photo) for photo in photos):
        raise _problem("photos_sha256")
    if not _is_between(-LARGEST_CENTRE_G_DL, centre, LARGEST_CENTRE_G_DL):
        raise _problem("drift_centre_g_dl")
    return Past(tuple(map(float, scores)), frozenset(photos), float(centre))


def _is_between(low: float, value: object, high: float) -> bool:
    number = isinstance(value, int | float) and not isinstance(value, bool)
    return number and low <= value <= high  # type: ignore[operator]


def _is_hash(value: object) -> bool:
    return isinstance(value, str) and _SHA256.fullmatch(value) is not None


def _problem(name: str) -> ContainerError:
    return ContainerError(
        Problem.PROVENANCE,
        f"{name} in the calibration's provenance is damaged: take it from its author anew",
    )
