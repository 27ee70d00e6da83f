"""BlotColour + Calibration -> HbEstimate: the distribution of haemoglobin given one blot.

The blot's log colour relative to blank paper is compared with the calibration's
locus at every haemoglobin on a grid; a multivariate t density about the locus
(heavy tails: some photos stray) with a flat prior gives the distribution. Its
width is then scaled by the calibration's conformal factor and spread by the
scatter of blood volume. Parts of the uncertainty follow the law of propagation
(JCGM 100:2008, 5.1) along the locus.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from cardreader.card import layout
from cardreader.card.layout import Kind
from cardreader.core.refusal import Reason, Refusal
from cardreader.hb.calibration import Calibration
from cardreader.read.blot import BlotColour
from cardreader.read.correct import ColourCorrection

Array = NDArray[np.float64]

G_L_PER_G_DL = 10.0

MAX_STRANGENESS = 4.0
"""Distance of a card's signature from those of the calibration, whose mean is 1."""

MAX_FADE = 0.12
"""Share of a colour ink bleached away beyond which the ramp isn't the lot's any more."""

STRAY_WIDTH = 4.0
"""How many times as far a stray photo is taken to stray, see `Calibration.stray_share`."""


@dataclass(frozen=True, eq=False)
class HbEstimate:
    """Haemoglobin of one woman from one or several blots.

    Attributes
    ----------
    hb_g_dl : float
        Median of the distribution.
    interval_g_dl : (float, float)
        Central interval at ``level``.
    level : float
    sd_measurement_g_dl, sd_calibration_g_dl : float
        Standard uncertainty from this photo, and from what the calibration and the
        card's lot leave open.
    volume_floor_g_dl : float
        Standard uncertainty from blood volume, which no image processing removes.
    grid_g_dl, density : (g,) arrays
        The distribution; ``density`` sums to 1.
    distance2 : float
        Squared distance of the colour from the locus.
    n_blots : int
    """

    hb_g_dl: float
    interval_g_dl: tuple[float, float]
    level: float
    sd_measurement_g_dl: float
    sd_calibration_g_dl: float
    volume_floor_g_dl: float
    grid_g_dl: Array
    density: Array
    distance2: float
    n_blots: int = 1

    def p_below(self, threshold_g_dl: float) -> float:
        """Probability that haemoglobin is below a threshold in g/dL."""
        # As for quantiles: half of a cell's mass lies below its middle.
        below = np.cumsum(self.density) - self.density / 2
        return float(np.interp(threshold_g_dl, self.grid_g_dl, below, left=0.0, right=1.0))


def signature(correction: ColourCorrection) -> Array:
    """What the card's residuals say about lamp and phone, shape (42,).

    Log ratios of corrected to measured XYZ, averaged over each mirrored pair:
    a level and a slope along the ramp, then each chromatic patch.
    """
    measured = correction.lot.xyz
    ratio = layout.by_shade(np.log(np.maximum(correction.patch_xyz, 1e-4) / measured)).mean(axis=1)
    ramp = layout.shades_of_kind(Kind.RAMP)
    depth = layout.by_shade(np.log(measured[:, 1])).mean(axis=1)[ramp]
    design = np.stack([np.ones_like(depth), depth - depth.mean()], axis=1)
    along_ramp = np.linalg.lstsq(design, ratio[ramp], rcond=None)[0]
    chromatic = ratio[layout.shades_of_kind(Kind.CHROMATIC)]
    return np.concatenate([along_ramp.ravel(), chromatic.ravel()])


def estimate(
    blot: BlotColour, correction: ColourCorrection, calibration: Calibration
) -> HbEstimate | Refusal:
    """Estimate haemoglobin of a measured blot; refusals as `estimate_colour`."""
    return estimate_colour(
        blot.log_ratio,
        blot.covariance,
        signature(correction),
        calibration,
        print_sd=correction.lot.print_sd,
    )


def estimate_colour(
    log_ratio: ArrayLike,
    photo_covariance: ArrayLike,
    signature: ArrayLike,
    calibration: Calibration,
    print_sd: float = 0.0,
) -> HbEstimate | Refusal:
    """Estimate from the numbers of a photo, or refuse a colour that no fresh blot has.

    Parameters as `estimate_from`. Refusals: CARD_FADED, COLOUR_NOT_CORRECTABLE (a
    card unlike those of the calibration), NOT_BLOOD_COLOUR (off the locus),
    OUT_OF_RANGE (at an end of it).
    """
    if calibration.fading is not None:
        bleached = calibration.fading.seen(signature).largest
        if bleached > MAX_FADE:
            return Refusal(
                Reason.CARD_FADED,
                "estimate",
                f"about {bleached:.0%} of a colour ink has faded > {MAX_FADE:.0%}",
            )
    log_ratio, photo_covariance, signature = _beside_a_fresh_card(
        log_ratio, photo_covariance, signature, calibration
    )
    strangeness = calibration.strangeness(signature)
    if strangeness > MAX_STRANGENESS:
        return Refusal(
            Reason.COLOUR_NOT_CORRECTABLE,
            "estimate",
            f"the card's colours are unlike any in the calibration: {strangeness:.1f} "
            f"> {MAX_STRANGENESS:g}",
        )
    result = _estimate(log_ratio, photo_covariance, signature, calibration, print_sd)
    if result.distance2 > calibration.max_distance2:
        return Refusal(
            Reason.NOT_BLOOD_COLOUR,
            "estimate",
            f"squared distance from the blood colours {result.distance2:.1f} "
            f"> {calibration.max_distance2:.1f}",
        )
    low, high = calibration.domain_g_dl
    if not low <= result.hb_g_dl <= high:
        return Refusal(
            Reason.OUT_OF_RANGE,
            "estimate",
            f"nearest haemoglobin {result.hb_g_dl:.1f} g/dL, range {low:g} to {high:g}",
        )
    return result


def estimate_from(
    log_ratio: ArrayLike,
    photo_covariance: ArrayLike,
    signature: ArrayLike,
    calibration: Calibration,
    print_sd: float = 0.0,
) -> HbEstimate:
    """Estimate from bare numbers, whatever they are worth.

    Parameters
    ----------
    log_ratio : (3,) array_like
        ln(XYZ_blot / XYZ_paper).
    photo_covariance : (3, 3) array_like
        Of ``log_ratio``, from this photo.
    signature : (s,) array_like
        See `signature`.
    print_sd : float
        `Lot.print_sd` of the card: more or less ink than the design asks for
        moves all shades along the locus in proportion. It is common to all
        photos of a card, so it counts as a part of the calibration's doubt.
    """
    fresh = _beside_a_fresh_card(log_ratio, photo_covariance, signature, calibration)
    return _estimate(*fresh, calibration, print_sd)


def _beside_a_fresh_card(
    log_ratio: ArrayLike, covariance: ArrayLike, signature: ArrayLike, calibration: Calibration
) -> tuple[Array, Array, Array]:
    if calibration.fading is not None:
        return calibration.fading.undone(log_ratio, covariance, signature)
    return (
        np.asarray(log_ratio, np.float64),
        np.asarray(covariance, np.float64),
        np.asarray(signature, np.float64),
    )


def _estimate(
    log_ratio: Array, photo: Array, signature: Array, calibration: Calibration, print_sd: float
) -> HbEstimate:
    grid = calibration.grid_g_dl
    locus = calibration.expected(signature)
    covariance = calibration.grid_covariance * calibration.doubt(signature) ** 2 + photo
    covariance += print_sd**2 * locus[:, :, None] * locus[:, None, :]
    inverse = np.asarray(np.linalg.inv(covariance), np.float64)
    miss = log_ratio - locus
    distance2 = np.einsum("gi,gij,gj->g", miss, inverse, miss)
    nearest = int(np.argmin(distance2))
    density = _t_density(distance2, covariance, calibration.tail)
    density = _rescale(grid, density, calibration.conformal_scale)
    strays = calibration.stray_share
    density = (1 - strays) * density + strays * _rescale(grid, density, STRAY_WIDTH)
    image_sd = _sd(grid, density)
    measured = _measurement_sd(locus, grid, inverse, photo, nearest)
    measured = min(measured * calibration.conformal_scale, image_sd)
    return _summary(
        grid,
        _spread(grid, density, calibration.volume_cv),
        level=calibration.coverage,
        measurement=measured,
        calibration=float(np.sqrt(max(image_sd**2 - measured**2, 0.0))),
        volume_cv=calibration.volume_cv,
        distance2=float(distance2[nearest]),
    )


def combine(estimates: Sequence[HbEstimate], calibration: Calibration) -> HbEstimate:
    """One estimate from several blots of the same woman.

    Measurement and volume scatter differ from blot to blot and average out;
    what the calibration leaves open is common to all and does not. The mean of
    the blots carries sqrt(calibration^2 + (measurement^2 + volume^2) / n).
    Blots further apart than their own scatter explains widen it (Birge ratio).
    Raises ValueError for no estimates.
    """
    if not estimates:
        raise ValueError("nothing to combine")
    if len(estimates) == 1:
        return estimates[0]
    n = len(estimates)
    centre = float(np.mean([e.hb_g_dl for e in estimates]))
    own2 = np.array([e.sd_measurement_g_dl**2 + e.volume_floor_g_dl**2 for e in estimates])
    common = max(e.sd_calibration_g_dl for e in estimates)
    spread2 = sum((e.hb_g_dl - centre) ** 2 for e in estimates) / (n - 1)
    # Photos differ in what is called calibration here too, so its square counts as expected.
    birge2 = max(1.0, spread2 / float(own2.mean() + common**2))
    sd = float(np.sqrt((common**2 + own2.mean() / n) * birge2))
    grid = estimates[0].grid_g_dl
    density = np.exp(-0.5 * ((grid - centre) / sd) ** 2)
    return _summary(
        grid,
        density / density.sum(),
        level=estimates[0].level,
        measurement=float(np.sqrt(np.mean([e.sd_measurement_g_dl**2 for e in estimates]) / n)),
        calibration=common * float(np.sqrt(birge2)),
        volume_cv=calibration.volume_cv / np.sqrt(n),
        distance2=max(e.distance2 for e in estimates),
        n_blots=n,
    )


def _t_density(distance2: Array, covariance: Array, tail: float) -> Array:
    log = -0.5 * (tail + 3) * np.log1p(distance2 / tail)
    log -= 0.5 * np.linalg.slogdet(covariance)[1]
    density = np.exp(log - log.max())
    return np.asarray(density / density.sum())


def _quantile(grid: Array, density: Array, p: float) -> float:
    below = np.cumsum(density)
    # Density sits in cells; half a cell back puts the edge where the mass is.
    return float(np.interp(p, below - density / 2, grid))


def _sd(grid: Array, density: Array) -> float:
    mean = density @ grid
    return float(np.sqrt(density @ (grid - mean) ** 2))


def _rescale(grid: Array, density: Array, factor: float) -> Array:
    """Stretch a distribution about its median."""
    median = _quantile(grid, density, 0.5)
    stretched = np.interp(median + (grid - median) / factor, grid, density)
    return np.asarray(stretched / stretched.sum())


def _spread(grid: Array, density: Array, cv: float) -> Array:
    """Spread by normal scatter of standard deviation cv * Hb: volume and Hb enter as a product."""
    if cv == 0:
        return density
    out = _volume_kernel(grid.tobytes(), cv) @ density
    return np.asarray(out / out.sum())


@lru_cache(maxsize=16)
def _volume_kernel(grid: bytes, cv: float) -> Array:
    """Where the scatter takes the density of each grid point, (g, g); columns add up to 1.

    Kept: it is the same for all readings under one calibration.
    """
    at = np.frombuffer(grid)
    width = np.maximum(cv * at, 1e-3)
    kernel = np.exp(-0.5 * ((at[:, None] - at) / width) ** 2) / width
    return np.asarray(kernel / kernel.sum(axis=0))


def _measurement_sd(locus: Array, grid: Array, inverse: Array, photo: Array, at: int) -> float:
    slope = np.gradient(locus, grid, axis=0)[at]
    gain = inverse[at] @ slope / (slope @ inverse[at] @ slope)
    return float(np.sqrt(gain @ photo @ gain))


def _summary(
    grid: Array,
    density: Array,
    *,
    level: float,
    measurement: float,
    calibration: float,
    volume_cv: float,
    distance2: float,
    n_blots: int = 1,
) -> HbEstimate:
    tail = (1 - level) / 2
    median = _quantile(grid, density, 0.5)
    return HbEstimate(
        hb_g_dl=median,
        interval_g_dl=(_quantile(grid, density, tail), _quantile(grid, density, 1 - tail)),
        level=level,
        sd_measurement_g_dl=measurement,
        sd_calibration_g_dl=calibration,
        volume_floor_g_dl=volume_cv * median,
        grid_g_dl=grid,
        density=density,
        distance2=distance2,
        n_blots=n_blots,
    )
