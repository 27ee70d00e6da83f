"""Measured + Calibration -> the distribution of haemoglobin given each blot.

A blot's log colour relative to blank paper is compared with the calibration's locus
at every haemoglobin on a grid; a multivariate t density about the locus (heavy tails:
some photos stray) with a flat prior gives the distribution. Its width is then scaled by
the calibration's conformal factor, strays are mixed in, and the scatter of blood volume
spreads it. Parts of the uncertainty follow the law of propagation (JCGM 100:2008, 5.1)
along the locus. One photo and many go the same way.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from cardreader.core.refusal import Reason, Refusal
from cardreader.hb.calibration import Calibration
from cardreader.hb.distribution import HbDistribution
from cardreader.hb.located import Located, located
from cardreader.hb.measured import Measured
from cardreader.hb.ties import Ties

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

Side = Literal["below", "above"]

MAX_VIVIDNESS_SD = 2.0
"""How far from the calibration's phones a livelier or duller one is, in standard deviations,
when it and not the card's age is the likelier reason for colours as of a faded card."""

MOST_AT_ONCE = 1000
"""Photos whose distances are worked out together: memory for a study of any size."""


@dataclass(frozen=True, eq=False)
class HbEstimate:
    """Haemoglobin of one woman from one or several blots.

    Attributes
    ----------
    image : HbDistribution
        Before blood volume is spread over it: what the photos alone say.
    volume_cv : float
        Scatter of blood per area, which no image processing removes.
    level : float
        Coverage of ``interval_g_dl``.
    sd_measurement_g_dl, sd_calibration_g_dl : float
        Standard uncertainty from the photos, and from what the calibration and the
        card's lot leave open.
    distance2 : float
        Squared distance of the colour from the locus; the largest of several blots'.
    n_blots : int
    blots_disagree : bool
        Whether several blots lie further apart than blots of one woman do.
    taught_g_dl : (low, high) or None
        Between which the calibration's pairs lay; None where that isn't known.
    ties : Ties or None
        What tells how much another photo has in common with it; of one blot alone.
    """

    image: HbDistribution
    volume_cv: float
    level: float
    sd_measurement_g_dl: float
    sd_calibration_g_dl: float
    distance2: float = 0.0
    n_blots: int = 1
    blots_disagree: bool = False
    taught_g_dl: tuple[float, float] | None = None
    ties: Ties | None = None

    @cached_property
    def distribution(self) -> HbDistribution:
        """The distribution of her haemoglobin, blood volume and all."""
        return self.image.spread_in_proportion(self.volume_cv)

    @cached_property
    def hb_g_dl(self) -> float:
        """Median of the distribution."""
        return self.distribution.hb_g_dl

    @cached_property
    def interval_g_dl(self) -> tuple[float, float]:
        """Central interval at ``level``."""
        low, high = self.distribution.interval(self.level)
        return float(low), float(high)

    @property
    def volume_floor_g_dl(self) -> float:
        """Standard uncertainty from blood volume."""
        return self.volume_cv * self.hb_g_dl

    @property
    def beyond_pairs(self) -> Side | None:
        """On which side of all pairs of the calibration the value lies; None among them."""
        if self.taught_g_dl is None:
            return None
        low, high = self.taught_g_dl
        if self.hb_g_dl < low:
            return "below"
        return "above" if self.hb_g_dl > high else None

    def p_below(self, threshold_g_dl: float) -> float:
        """Probability that haemoglobin is below a threshold in g/dL."""
        return self.distribution.p_below(threshold_g_dl)


@dataclass(frozen=True, eq=False)
class Estimates:
    """What a calibration makes of n measurements, before conformal factor and volume.

    Attributes
    ----------
    calibration : Calibration
    measured : Measured
        Of n photos, as beside fresh cards.
    located : Located
        Along the locus.
    bleached : (n,) array
        Share of the most bleached ink that was taken off; 0 where nothing is known of it.
    """

    calibration: Calibration
    measured: Measured
    located: Located
    bleached: Array

    @cached_property
    def raw(self) -> HbDistribution:
        """The t density (n, g) about the locus."""
        return HbDistribution(self.calibration.grid_g_dl, self.located.density)

    @property
    def distance2(self) -> Array:
        """Squared distance (n,) of each colour from the locus."""
        return self.located.distance2

    @cached_property
    def sd_measurement_g_dl(self) -> Array:
        """Standard uncertainty (n,) from the photo alone."""
        photo, gain = self.measured.covariance, self.located.gain
        return np.asarray(np.sqrt(np.einsum("ni,nij,nj->n", gain, photo, gain)))

    def image(self, factor: ArrayLike | None = None) -> HbDistribution:
        """Distributions after stretching and strays; the calibration's own factor by default."""
        return self._own_image if factor is None else self._image(factor)

    @cached_property
    def _own_image(self) -> HbDistribution:
        return self._image(self.calibration.conformal_scale)

    @cached_property
    def doubt(self) -> Array:
        """Factor (n,) on the width of the intervals of strange cards, see `Calibration.doubt`."""
        return self.calibration.doubt(self.measured.signature)

    def _image(self, factor: ArrayLike) -> HbDistribution:
        model = self.calibration
        scaled = self.raw.stretched(np.asarray(factor, float) * self.doubt)
        if not model.stray_share:
            return scaled
        return scaled.mixed(model.stray_share, scaled.stretched(model.stray_width))

    def final(
        self, factor: ArrayLike | None = None, volume_cv: float | None = None
    ) -> HbDistribution:
        """Distributions as read: stretched, with strays, spread by blood volume."""
        cv = self.calibration.volume_cv if volume_cv is None else volume_cv
        return self.image(factor).spread_in_proportion(cv)

    @cached_property
    def readable(self) -> Mask:
        """Photos (n,) that the reader gives a value for: see `why_not`."""
        low, high = self.calibration.domain_g_dl
        hb = self.final().median
        near = self.distance2 <= self.calibration.max_distance2
        good = self.good_cards & self.good_papers
        return np.asarray(good & near & (low <= hb) & (hb <= high))

    @cached_property
    def good_cards(self) -> Mask:
        """Cards (n,) neither faded nor unlike those of the calibration."""
        strangeness = self.calibration.strangeness(self.measured.signature)
        like = strangeness <= self.calibration.max_strangeness
        return np.asarray(like & (self.bleached <= self.calibration.max_fade))

    @cached_property
    def good_papers(self) -> Mask:
        """Blotting papers (n,) that look like that of the calibration's pairs."""
        return self.calibration.paper_distance2(self.measured.signature) <= 1


def estimates(measured: Measured, calibration: Calibration, print_sd: ArrayLike = 0.0) -> Estimates:
    """Estimate from bare numbers, whatever they are worth.

    Parameters
    ----------
    measured : Measured
        Of one photo or of n.
    print_sd : broadcast to (n,)
        `Lot.print_sd` of each card: more or less ink than the design asks for moves all
        shades along the locus in proportion. It is common to all photos of a card, so
        it counts as a part of the calibration's doubt.
    """
    many = measured.many
    fading = calibration.fading
    fresh = beside_fresh_cards(many, calibration)
    sds = np.broadcast_to(np.asarray(print_sd, float), len(fresh))
    parts = [
        located(fresh[start : start + MOST_AT_ONCE], calibration, sds[start:][:MOST_AT_ONCE])
        for start in range(0, max(len(fresh), 1), MOST_AT_ONCE)
    ]
    gone = np.zeros((len(many), 1)) if fading is None else fading.seen(many.signature).share
    return Estimates(calibration, fresh, Located.stack(parts), gone.max(axis=-1))


def beside_fresh_cards(measured: Measured, calibration: Calibration) -> Measured:
    """The measurements with what looks like bleached inks taken off."""
    if calibration.fading is None:
        return measured
    numbers = measured.log_ratio, measured.covariance, measured.signature
    return Measured(*calibration.fading.undone(*numbers))


def estimate(measured: Measured, calibration: Calibration, print_sd: float = 0.0) -> HbEstimate:
    """Estimate one woman's haemoglobin from one photo, whatever it is worth."""
    return _single(estimates(measured, calibration, print_sd))


def _single(found: Estimates) -> HbEstimate:
    model = found.calibration
    image = found.image()[0]
    whole = float(image.sd)
    factor = model.conformal_scale * float(found.doubt[0])
    own = min(float(found.sd_measurement_g_dl[0]) * factor, whole)
    return HbEstimate(
        image=image,
        volume_cv=model.volume_cv,
        level=model.coverage,
        sd_measurement_g_dl=own,
        sd_calibration_g_dl=float(np.sqrt(max(whole**2 - own**2, 0.0))),
        distance2=float(found.distance2[0]),
        taught_g_dl=(float(model.taught_g_dl[0]), float(model.taught_g_dl[1]))
        if model.taught_g_dl.size
        else None,
        ties=_ties(found),
    )


def _ties(found: Estimates) -> Ties:
    """Of the first photo."""
    model, lies, signature = found.calibration, found.located, found.measured.signature[0]
    scale = float(lies.scale_g_dl[0])
    return Ties(
        signature=signature,
        axis=float(model.axis_at(model.grid_g_dl[lies.nearest[0]])),
        z=model.counted(signature),
        gain=lies.gain[0] / scale,
        ink=float(lies.ink_g_dl[0]) / scale,
        posterior=model.posterior,
    )


def read_hb(
    measured: Measured, calibration: Calibration, print_sd: float = 0.0
) -> HbEstimate | Refusal:
    """Estimate from one photo, or refuse a card or colour that no fresh blot has.

    Refusals: CARD_FADED, COLOUR_NOT_CORRECTABLE (a card unlike those of the
    calibration), PAPER_UNLIKE, NOT_BLOOD_COLOUR (off the locus), OUT_OF_RANGE (at an end of it).
    """
    found = estimates(measured, calibration, print_sd)
    refusal = why_not(found)
    return _single(found) if refusal is None else refusal


def why_not(found: Estimates) -> Refusal | None:
    """Why the first photo gets no value; None if it does."""
    model = found.calibration
    bleached = float(found.bleached[0])
    if bleached > model.max_fade:
        if abs(model.vividness_sd(found.measured[0])) > MAX_VIVIDNESS_SD:
            return _refuse(
                Reason.COLOUR_NOT_CORRECTABLE,
                "colours as of a faded card, by a phone that changes colour more than most",
            )
        return _refuse(
            Reason.CARD_FADED,
            f"about {bleached:.0%} of a colour ink has faded > {model.max_fade:.0%}",
        )
    strangeness = float(model.strangeness(found.measured.signature[0]))
    if strangeness > model.max_strangeness:
        return _refuse(
            Reason.COLOUR_NOT_CORRECTABLE,
            f"the card's colours are unlike any in the calibration: {strangeness:.1f} "
            f"> {model.max_strangeness:g}",
        )
    if not found.good_papers[0]:
        off = float(model.paper_distance2(found.measured.signature[0]))
        return _refuse(
            Reason.PAPER_UNLIKE,
            f"squared distance from the calibration's blotting paper {off:.1f} times its limit",
        )
    if found.distance2[0] > model.max_distance2:
        return _refuse(
            Reason.NOT_BLOOD_COLOUR,
            f"squared distance from the blood colours {found.distance2[0]:.1f} "
            f"> {model.max_distance2:.1f}",
        )
    hb, (low, high) = float(found.final().median[0]), model.domain_g_dl
    if not low <= hb <= high:
        return _refuse(
            Reason.OUT_OF_RANGE,
            f"nearest haemoglobin {hb:.1f} g/dL, range {low:g} to {high:g}",
        )
    return None


def _refuse(reason: Reason, detail: str) -> Refusal:
    return Refusal(reason, "estimate", detail)
