"""How photos of one sitting differ at a site, whose phones and cards nobody drew.

By exposure, shade and noise, which are much the same anywhere: beside each of the priors shipped
lies what its worlds taught, and every site takes it over.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from cardreader.calibrate.sitefading import PRIOR_OF
from cardreader.calibrate.sittings import learn_sittings
from cardreader.core.files import write_atomic
from cardreader.core.shipped import shipped
from cardreader.hb.calibration import Calibration
from cardreader.hb.sittings import Sittings
from cardreader.read.chain import CHAIN
from cardreader.simulate.worlds.draws import draw_sittings

FILE = "sittings.json"
WORLDS, PHOTOS = 400, 4
"""Worlds, and sittings in each, that a prior learns from."""


def with_sittings(prior: Calibration) -> Calibration:
    """A prior with what its worlds taught, or those of measured lots where it is none of ours.

    As it is where it knows of its own, or has other signatures.
    """
    if prior.posterior is None or prior.sittings is not None:
        return prior
    ours = prior.id if prior.id in PRIOR_OF.values() else PRIOR_OF["measured"]
    learnt = world_sittings(ours)
    if learnt.n_signature != len(prior.signature_mean):
        return prior
    return replace(prior, sittings=learnt)


def draw_world_sittings(
    n_worlds: int, seed: int, workers: int = 1, drawn: Callable[[int], None] = lambda count: None
) -> list[Sittings]:
    """Learn it in worlds, each way that a lot is known (`draw_each_way`)."""
    learnt = []
    for one, two in draw_sittings(n_worlds, PHOTOS, seed, workers, drawn):
        within = one.measured.signature, two.measured.signature
        # The next sitting drawn in the same world is another one.
        next_one = np.flatnonzero(one.world[:-1] == one.world[1:])
        between = within[0][next_one], within[1][next_one + 1]
        learnt.append(learn_sittings(within, between))
    return learnt


def write_sittings(path: Path, sittings: Sittings, source: str) -> None:
    """Write what was learnt, and what it was drawn from."""
    content = {"schema": 1, "chain": CHAIN, "source": source, **sittings.as_json()}
    write_atomic(path, json.dumps(content, indent=1) + "\n")


@cache
def world_sittings(prior: str) -> Sittings:
    """What comes with a prior of the program. ValueError where it is of another chain."""
    content: dict[str, Any] = json.loads(shipped(prior, FILE).read_text("utf-8"))
    if content["chain"] != CHAIN:
        raise ValueError("what is known of sittings in worlds is of another measuring chain")
    return Sittings(*(content[name] for name in ("covariance", "near", "far")))
