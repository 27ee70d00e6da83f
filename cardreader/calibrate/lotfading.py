"""What bleaching does to the cards of one lot, worked out from the lot's own measured colours.

Nobody knows the inks of a site. But light takes an equal share of every depth of an ink, so
where a bleached patch goes follows from the patch itself: along the line to the bare stock,

    ln XYZ' = ln XYZ_stock + (1 - share) (ln XYZ - ln XYZ_stock),

X and Y together for what absorbs red and green (cyan, magenta), Z for yellow; greys are of
black, which keeps. Plain cameras show such a card to the reader's own correction: that gives
what a share of 1 does to the card's signature and to the colour of a blot. How signatures
scatter between the phones and lamps of one site is known from simulated worlds, and where this
site's lie from its own pairs: a card is fresh if it looks as the pairs' cards did.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from cardreader.calibrate.bleaching import FRESH, TYPICAL_SHARE, believed
from cardreader.card import layout
from cardreader.card.layout import Kind
from cardreader.card.lot import Lot
from cardreader.colour.cielab import lab_to_xyz
from cardreader.core.files import write_atomic
from cardreader.core.refusal import Refusal
from cardreader.core.shipped import shipped
from cardreader.hb.calibration import Calibration
from cardreader.hb.fading import Fading
from cardreader.hb.filenumbers import from_triangle, must_be_covariance, to_triangle
from cardreader.hb.measured import N_SIGNATURE, Measured, signature
from cardreader.read.blot import blot_colour
from cardreader.read.chain import CHAIN
from cardreader.read.correct import ColourCorrection, correct
from cardreader.read.sample import PatchSamples

Array = NDArray[np.float64]

MAX_FADE = 0.08
"""Share beyond which a card is refused. What is seen of 20 % in all colours is about 11 %, of 8 %
about 4 %: inks are no filters, and the prior keeps fresh cards fresh."""
TAKEN_OFF = 0.65
"""Of what the plain cameras say a share does to a blot: directions are surer than lengths, and
with all of it blots beside cards bleached by 8 % were read 0.3 g/dL low. On eight simulated
worlds of seed 515001, where MAX_FADE was chosen as well."""
LEAST_PHOTOS = 5
CENTRE_PHOTOS = 4.0
"""The site's signatures are known by its phones and lamps, not by its photos: their middle is as
unsure as four photos of several hundred are."""
_CHANNELS = ((1.0, 1.0, 0.0), (0.0, 0.0, 1.0))
_SHARE, _RIDGE = 0.05, 0.02
_CAMERAS, _CAMERA_SD, _CAMERA_SEED = 6, 0.06, 3
_EXPOSURE, _BRIGHTEST, _DARKEST = 0.75, 0.97, 2e-3
_MOST_BLOTS = 12
_XYZ_TO_RGB: Array = np.array(
    [[3.1339, -1.6169, -0.4906], [-0.9788, 1.9161, 0.0335], [0.0719, -0.2290, 1.4052]]
)
"""XYZ under D50 to linear sRGB (IEC 61966-2-1, adapted to D50), rounded."""
_WHITE: Array = np.array([0.9642, 1.0, 0.8249])
_DIGITS = 6


def with_fading(prior: Calibration, lot: Lot, seen: Measured) -> Calibration:
    """A prior that tells bleached cards of a lot from those of the pairs, ``seen`` (n,).

    As it is where that can't be said: a lot that nobody measured or that was never printed,
    few photos, a prior without a posterior, with fading or with another signature.
    """
    known = lot.basis == "measured" and not lot.is_demonstration
    asks = prior.posterior is not None and prior.fading is None
    if not (known and asks) or len(seen) < LEAST_PHOTOS:
        return prior
    if len(prior.signature_mean) != N_SIGNATURE:
        return prior
    effects = [_effect(lot, power, _some_blots(seen)) for power in _CHANNELS]
    if any(effect is None for effect in effects):
        return prior
    change = np.stack([effect[0] for effect in effects if effect is not None])
    colour = np.stack([effect[1] for effect in effects if effect is not None])
    within = scatter_within_sites()
    weighted = np.linalg.solve(within + _RIDGE * np.diag(np.diag(within)), change.T)
    gain = np.linalg.solve(change @ weighted, weighted.T)
    scatter = gain @ within @ gain.T * (1 + CENTRE_PHOTOS / max(len(seen), CENTRE_PHOTOS))
    fading = Fading(
        offset=gain @ np.median(seen.signature, axis=0),
        gain=gain,
        scatter=(scatter + scatter.T) / 2,
        signature=change,
        colour=TAKEN_OFF * colour,
        fresh=FRESH,
        typical=TYPICAL_SHARE,
        believed=believed(prior.signature_mean, prior.signature_sd),
    )
    return replace(prior, fading=fading, max_fade=MAX_FADE)


def bleached(lot: Lot, share: ArrayLike) -> Array:
    """XYZ (72, 3) of a lot's patches with a share of each channel's depth gone; greys keep."""
    stock = lab_to_xyz(lot.stock_lab)
    coloured = np.array([cell.kind is not Kind.NEUTRAL for cell in layout.cells()])
    left = np.where(coloured[:, None], 1 - np.asarray(share, float), 1.0)
    return np.asarray(stock * (lot.xyz / stock) ** left)


def _some_blots(seen: Measured) -> Array:
    """Log ratios (m, 3) of the pairs' own blots, from the palest to the darkest."""
    order = np.argsort(seen.log_ratio[:, 1])
    at = np.linspace(0, len(order) - 1, min(_MOST_BLOTS, len(order))).round().astype(int)
    return np.asarray(seen.log_ratio[order[at]])


def _effect(lot: Lot, power: ArrayLike, blots: Array) -> tuple[Array, Array] | None:
    """Of a share of 1: change of the signature (s,), and (4, 3) of a blot's log ratio."""
    faded = bleached(lot, _SHARE * np.asarray(power, float))
    paper = lab_to_xyz(lot.paper_lab)
    signatures, changes, ratios = [], [], []
    for camera in _cameras():
        fresh, old = (_shown(xyz, camera, lot) for xyz in (lot.xyz, faded))
        if fresh is None or old is None:
            continue
        signatures.append((signature(old) - signature(fresh)) / _SHARE)
        for blot in paper * np.exp(blots):
            if _exposed(blot, camera).min() < _DARKEST:
                continue
            spot, bare = _exposed(np.stack([blot, paper]), camera)
            beside = [
                blot_colour(spot, bare, 1e-8 * np.eye(3), layout.CENTRE_MM, one).log_ratio
                for one in (fresh, old)
            ]
            changes.append((beside[1] - beside[0]) / _SHARE)
            ratios.append(beside[1])
    if len(ratios) < 4:
        return None
    terms = np.column_stack([np.ones(len(ratios)), ratios])
    # A slope that few blots tell is drawn to nothing.
    ridge = 0.01 * len(terms) * np.diag([0.0, 1.0, 1.0, 1.0])
    linear = np.linalg.solve(terms.T @ terms + ridge, terms.T @ np.array(changes))
    return np.mean(signatures, axis=0), linear


def _cameras() -> Iterator[Array]:
    """Matrices (3, 3) from XYZ to a phone's linear RGB, each a little off another way."""
    rng = np.random.default_rng(_CAMERA_SEED)
    for _ in range(_CAMERAS):
        mixing = np.eye(3) + rng.normal(0, _CAMERA_SD, (3, 3))
        yield mixing / mixing.sum(axis=1, keepdims=True) @ _XYZ_TO_RGB


def _exposed(xyz: Array, camera: Array) -> Array:
    rgb = _EXPOSURE * (xyz @ camera.T) / (camera @ _WHITE)
    return np.clip(rgb, 1e-4, _BRIGHTEST)


def _shown(xyz: Array, camera: Array, lot: Lot) -> ColourCorrection | None:
    """What the reader's correction makes of a card with these patches, taken for the lot's."""
    samples = PatchSamples(linear=_exposed(xyz, camera), clipped_share=np.zeros(len(xyz)))
    found = correct(samples, lot)
    return None if isinstance(found, Refusal) else found


# --- how signatures scatter at one site -------------------------------------------------


def within_sites(signatures: Array, site: NDArray[np.intp]) -> Array:
    """Covariance (s, s) of signatures (n, s) within sites (n,), pooled over them."""
    numbers, index = np.unique(site, return_inverse=True)
    count = np.bincount(index).astype(float)
    mean = np.stack([np.bincount(index, column) / count for column in signatures.T], axis=1)
    own = signatures - mean[index]
    return np.asarray(own.T @ own / (len(own) - len(numbers)))


def write_scatter(path: Path, scatter: Array, source: str) -> None:
    """Write the scatter (s, s) within sites, and what it was drawn from."""
    content = {
        "schema": 1,
        "chain": CHAIN,
        "source": source,
        "signature_covariance": to_triangle(scatter, _DIGITS),
    }
    write_atomic(path, json.dumps(content, indent=1) + "\n")


@cache
def scatter_within_sites() -> Array:
    """That which comes with the program, (s, s). ValueError where it is of another chain."""
    content: dict[str, Any] = json.loads(shipped("worlds", "within.json").read_text("utf-8"))
    scatter = from_triangle(np.array(content["signature_covariance"]), "signature_covariance")
    if content["chain"] != CHAIN or len(scatter) != N_SIGNATURE:
        raise ValueError("the scatter of signatures within sites is of another measuring chain")
    must_be_covariance(scatter, "signature_covariance")
    scatter.setflags(write=False)
    return scatter
