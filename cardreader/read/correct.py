"""PatchSamples -> ColourCorrection: from one phone's numbers to CIE colour.

Prints that are spoiled are told from their twins and replaced first. Then three steps,
in the order the light took backwards: what the phone did to colour after its tone curve
is undone (`vividness`); the neutral scale undoes what it did to brightness, and the
light over the card (`light`); all patches together give a matrix from there to XYZ
under D50 (`matrix`), weighted towards the shades of blood. What the fit leaves over at
the patches is kept: it gates the photo (`correctable`), feeds the uncertainty (`ramp`), and is
taken off colours near them (`leftover`).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray

from cardreader.card import layout
from cardreader.card.layout import Kind
from cardreader.card.lot import Lot
from cardreader.colour.cielab import delta_e_2000, xyz_to_lab
from cardreader.core.order import median
from cardreader.core.refusal import Refusal
from cardreader.read.banding import DEPTH_IN_LIGHT, EVEN, Banding
from cardreader.read.correctable import colours_lost, tolerance, why_not
from cardreader.read.lampmisfit import lamp_misfit
from cardreader.read.leftover import Leftover
from cardreader.read.light import EPSILON, LightModel
from cardreader.read.lightfit import fit_light
from cardreader.read.lostchannel import FilledCorrection, filled_corrections
from cardreader.read.matrix import fit_matrix
from cardreader.read.ramp import RampTrend
from cardreader.read.sample import SAMPLED_MM, PatchSamples
from cardreader.read.spoiled import (
    mended,
    spoiled_prints,
    suspect_pairs,
    too_many,
    what_lies_on_them,
)
from cardreader.read.twins import compare_twins
from cardreader.read.vividness import (
    PLAIN,
    SPREAD,
    SPREAD_BY_DESIGN,
    Vividness,
    fit_vividness,
)

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

_RAMP = layout.of_kind(Kind.RAMP)
_ALL = np.ones(layout.N_PATCHES, bool)

_RAMP_WEIGHT = 2.0
"""A shade of blood counts double in the matrix."""
_CLIPPED_LOSES = 0.99
"""Of its weight: a clipped patch has lost its colour."""
_CLIPPED_GREY = 0.1
"""Share of clipped pixels from which a grey says nothing of the tone curve any more."""
_LEAST_GREYS = 12


@dataclass(frozen=True, eq=False)
class ColourCorrection:
    """How to get from nominal RGB anywhere on this card to XYZ.

    Attributes
    ----------
    light : LightModel
    matrix : (3, 3) array
        Reflectance-like RGB to XYZ under D50.
    samples : PatchSamples
    lot : Lot
    vividness : Vividness
        Undone before all else.
    """

    light: LightModel
    matrix: Array
    samples: PatchSamples
    lot: Lot
    vividness: Vividness = PLAIN

    def xyz(self, linear: ArrayLike, at_mm: ArrayLike) -> Array:
        """XYZ under D50 (N, 3), perfect diffuser Y = 1, of nominal RGB (N, 3) at (N, 2) mm."""
        plain = self.vividness.undone(linear)
        return np.asarray(self.light.reflectance(plain, at_mm) @ self.matrix.T)

    def best_xyz(self, linear: ArrayLike, at_mm: ArrayLike) -> Array:
        """Like `xyz`, less what prints of like colour are still off by."""
        return self.leftover.taken_off(self.xyz(linear, at_mm))

    def reaches(self, linear: ArrayLike, at_mm: ArrayLike) -> bool:
        """Whether the card's shades of blood kept their colour as deep as a blot's (3,)."""
        crushed = self.samples.crushed
        if not crushed[_RAMP].any():
            return True
        deepest = self.patch_xyz[_RAMP & ~crushed, 1].min()
        seen = self.xyz(np.reshape(linear, (1, 3)), np.reshape(at_mm, (1, 2)))[0, 1]
        return bool(seen >= deepest)

    def filled(self, linear: ArrayLike, at_mm: ArrayLike) -> tuple[FilledCorrection, ...]:
        """For a blot (3,) that `reaches` says no to, or that lost a channel: see `lostchannel`."""
        return filled_corrections(self, np.asarray(linear, float), np.asarray(at_mm, float))

    @cached_property
    def leftover(self) -> Leftover:
        """What the correction is still off by, over colour."""
        return Leftover(self.patch_xyz, self.lot.xyz, self.sound)

    @cached_property
    def ramp_trend(self) -> RampTrend:
        """How well the shades of blood foretell each other."""
        return RampTrend(
            seen=self.patch_xyz[_RAMP],
            measured=self.lot.xyz[_RAMP],
            sound=self.sound[_RAMP],
            tolerance=tolerance(self.lot),
        )

    @cached_property
    def sound(self) -> Array:
        """Share (72,) of each print's colour that the phone's range kept, never quite 0."""
        return _sound(self.samples)

    def log_ratio_covariance(self, linear: ArrayLike, reference: ArrayLike) -> Array:
        """Of ln(XYZ / XYZ of reference), (3, 3), from tone, glare and self-check.

        Both colours (3,), nominal RGB, are seen at one place, so the field of light
        cancels.
        """
        rgb = np.stack([np.asarray(linear, float), np.asarray(reference, float)])
        return self.light_covariance(self.vividness.undone(rgb)) + self.ramp_trend.covariance

    def light_covariance(self, plain: Array) -> Array:
        """Of the ln ratio of two XYZ, (3, 3), from tone and glare; ``plain`` (2, 3) is their
        nominal RGB once the phone's rendering of colour is undone.
        """
        by_rgb = self.matrix * np.exp(self.light.log_brightness(plain))[:, None, :]
        by_log_rgb = by_rgb / np.maximum(by_rgb.sum(axis=-1, keepdims=True), EPSILON)
        return self.light.ratio_covariance(plain[0], plain[1], by_log_rgb)

    @cached_property
    def patch_xyz(self) -> Array:
        """Corrected XYZ of the 72 patches, shape (72, 3)."""
        return self.xyz(self.samples.linear, layout.centres_mm())

    @cached_property
    def log_misfit(self) -> Array:
        """Log ratio of corrected to measured XYZ of each patch, shape (72, 3)."""
        return np.asarray(np.log(np.maximum(self.patch_xyz, EPSILON) / self.lot.xyz))

    def miss(self, keep: Mask) -> Array:
        """How far (72,) each patch is off in ln XYZ; a shade of blood, from those kept."""
        ratio = self.log_misfit.copy()
        ratio[_RAMP] -= median(ratio[_RAMP & keep].T)
        return np.asarray(np.linalg.norm(ratio, axis=1))

    @property
    def spoiled_prints(self) -> tuple[str, ...]:
        """Names of the prints for which their twin stands in."""
        cells = layout.cells()
        return tuple(cells[i].name for i in np.flatnonzero(self.samples.spoiled))

    @cached_property
    def residual_de00(self) -> Array:
        """CIEDE2000 between corrected and measured colour of each patch, shape (72,)."""
        seen = xyz_to_lab(np.maximum(self.patch_xyz, 0))
        return delta_e_2000(seen, self.lot.lab)


def correct(samples: PatchSamples, lot: Lot, banding: Banding = EVEN) -> ColourCorrection | Refusal:
    """Fit the correction of one photo, or refuse when the card's colours don't come out.

    Spoiled prints are left out first, see `spoiled`. Refusals: SHADOW_EDGE,
    GLARE_ON_PATCHES, CARD_SOILED, COLOUR_NOT_CORRECTABLE.
    """
    lost = colours_lost(samples)
    if lost is not None:
        return lost
    clean = _without_spoiled(samples, lot, banding)
    if isinstance(clean, Refusal):
        return clean
    correction = _fit(clean, lot, _ALL, banding)
    refusal = why_not(
        correction.light,
        correction.samples,
        correction.residual_de00,
        correction.ramp_trend.left_out_rms,
        tolerance(lot),
    )
    return correction if refusal is None else refusal


def _fit(samples: PatchSamples, lot: Lot, keep: Mask, banding: Banding) -> ColourCorrection:
    at_mm = layout.centres_mm()
    weight = np.where(_RAMP, _RAMP_WEIGHT, 1.0) * _sound(samples)
    greys = _greys_that_tell(samples, keep)
    light = fit_light(samples.linear, lot, greys, banding, roughly=True)
    lamps, spread = lamp_misfit()[keep], SPREAD
    if lot.basis == "nominal":
        # By how much its prints miss their design would be taken for lamps and phones.
        lamps, spread = lamps[..., :0], SPREAD_BY_DESIGN
    vividness = fit_vividness(
        *(samples.linear[keep], light, at_mm[keep], lot.xyz[keep], weight[keep], lamps), spread
    )
    plain = vividness.undone(samples.linear)
    # Greys that aren't quite grey, as white balance leaves them, moved a little with the rest.
    light = fit_light(plain, lot, greys, banding, near=light)
    seen = light.reflectance(plain, at_mm)
    matrix = fit_matrix(seen[keep], lot.xyz[keep], weight[keep])
    return ColourCorrection(light, matrix, samples, lot, vividness)


def _sound(samples: PatchSamples) -> Array:
    lost = np.where(samples.crushed, 1.0, samples.clipped_share)
    return np.asarray(1.0 - _CLIPPED_LOSES * lost)


def _greys_that_tell(samples: PatchSamples, keep: Mask) -> Mask:
    """Neutral prints (72,) to fit the light to: not the clipped ones, if the rest suffice."""
    neutral = keep & layout.of_kind(Kind.NEUTRAL)
    open_ended = neutral & (samples.clipped_share <= _CLIPPED_GREY)
    return open_ended if open_ended.sum() >= _LEAST_GREYS else neutral


def _without_spoiled(samples: PatchSamples, lot: Lot, banding: Banding) -> PatchSamples | Refusal:
    # A pair may lie in a bright and a dark band; it is compared in even light.
    bands = np.exp(DEPTH_IN_LIGHT * banding.log_light(layout.centres_mm(), SAMPLED_MM))
    even = replace(samples, linear=samples.linear / bands)
    twins = compare_twins(even.linear)
    suspect = suspect_pairs(twins, lot)
    if not suspect.any():
        return samples
    if too_many(suspect):
        return what_lies_on_them(even.linear, twins, suspect)
    keep = ~np.repeat(suspect, 2)
    spoiled = spoiled_prints(_fit(samples, lot, keep, banding).miss(keep), suspect)
    if isinstance(spoiled, Refusal):
        return spoiled
    made = mended(even, spoiled, twins)
    return replace(made, linear=made.linear * bands)
