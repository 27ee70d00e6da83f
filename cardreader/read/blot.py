"""BlotRegion + ColourCorrection -> BlotColour: the blot's colour against blank paper."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

from cardreader.card.lot import Lot
from cardreader.colour.cielab import xyz_to_lab
from cardreader.core.refusal import Reason, Refusal
from cardreader.read.banding import EVEN, Banding
from cardreader.read.bay import refuse
from cardreader.read.locate import CardPose
from cardreader.read.photo import Photo
from cardreader.read.sample import CRUSHED_LINEAR
from cardreader.read.segment import BlotRegion, segment_blot
from cardreader.read.sheen import added_light, towards_white

MAX_UNEVENNESS = 0.10
MAX_PAPER_TINT = 10.0
"""Distance in a*, b*; lightness is left out since the light on the bay decides it."""

_DEPTH = np.array([0.0, 0.5, 0.5])
"""Of the depth of blood: both of green and blue, or of Y and Z."""


@dataclass(frozen=True)
class BlotColour:
    """A blot's corrected colour against blank paper.

    Attributes
    ----------
    log_ratio : (3,)
        ln(XYZ of blot / XYZ of paper), D50.
    covariance : (3, 3)
        Of ``log_ratio``, from pixels and from the correction's doubt about tone
        and glare.
    lab, paper_lab : (3,)
        CIELAB, D50, 2 degree observer.
    outline_mm : (K, 2)
        Outline on the card; empty where no picture was segmented.
    area_mm2 : float
    unevenness : float
        Robust standard deviation of half ln(Y Z) over the core.
    n_pixels : int
    reflection : bool
        Whether it drifts towards white as under a faint reflection, for which it is in doubt.
    """

    log_ratio: NDArray[np.float64]
    covariance: NDArray[np.float64]
    lab: NDArray[np.float64]
    paper_lab: NDArray[np.float64]
    outline_mm: NDArray[np.float64]
    area_mm2: float
    unevenness: float
    n_pixels: int
    reflection: bool = False


class Correction(Protocol):
    """What is asked of a colour correction."""

    def xyz(self, linear: ArrayLike, at_mm: ArrayLike) -> NDArray[np.float64]:
        """XYZ D50 (N, 3) of linear RGB (N, 3) seen at card points (N, 2)."""
        ...

    def best_xyz(self, linear: ArrayLike, at_mm: ArrayLike) -> NDArray[np.float64]:
        """The same, less what the card's prints of like colour are still off by."""
        ...

    def log_ratio_covariance(self, linear: ArrayLike, reference: ArrayLike) -> NDArray[np.float64]:
        """Covariance (3, 3) of the ln XYZ ratio of two colours, from the correction's doubt."""
        ...

    def reaches(self, linear: ArrayLike, at_mm: ArrayLike) -> bool:
        """Whether the card's shades of blood kept their colour as deep as a blot's (3,)."""
        ...

    def filled(self, linear: ArrayLike, at_mm: ArrayLike) -> Sequence[Correction]:
        """Equally likely corrections for a blot (3,) where that or shades as deep lost a channel.

        None where it can't be told what was lost.
        """
        ...


def measure_blot(
    photo: Photo, pose: CardPose, correction: Correction, lot: Lot, banding: Banding = EVEN
) -> BlotColour | Refusal:
    """Segment the blot and correct its colour.

    Refusals as ``segment_blot``, and PAPER_NOT_BLANK for paper of another tint
    than the lot's.
    """
    region = segment_blot(photo, pose, banding)
    return region if isinstance(region, Refusal) else region_colour(region, correction, lot)


def region_colour(region: BlotRegion, correction: Correction, lot: Lot) -> BlotColour | Refusal:
    """Correct the colour of a blot found.

    Refusals as `too_deep` where what was lost can't be told, BLOT_UNEVEN for a core of several
    colours, and PAPER_NOT_BLANK for paper of another tint.
    """
    likely: Sequence[Correction] = (correction,)
    deep = too_deep(region.linear, region.centre_mm, correction)
    if deep is not None:
        likely = correction.filled(region.linear, region.centre_mm)
        if not likely:
            return deep
    middle = likely[len(likely) // 2]
    by_rgb = _log_jacobian(region.linear, region.centre_mm, middle)
    unevenness = _unevenness(region, by_rgb)
    if unevenness > MAX_UNEVENNESS:
        return refuse(
            Reason.BLOT_UNEVEN, f"spread of {unevenness:.3f} over the core > {MAX_UNEVENNESS:g}"
        )
    made = _as_one(
        [_coloured(region, one, unevenness, by_rgb if one is middle else None) for one in likely]
    )
    tint = float(np.linalg.norm((made.paper_lab - lot.paper_lab)[1:]))
    if tint > MAX_PAPER_TINT:
        return refuse(
            Reason.PAPER_NOT_BLANK,
            f"paper's a*, b* {tint:.1f} from the lot's blank paper > {MAX_PAPER_TINT:.0f}",
        )
    # A lost channel is wide in doubt already, and drifts as whatever was left of it.
    return made if deep is not None else _with_added_light(made, region, by_rgb, lot)


def _with_added_light(
    blot: BlotColour, region: BlotRegion, by_rgb: NDArray[np.float64], lot: Lot
) -> BlotColour:
    """A blot's colour in doubt towards white, as far as a faint reflection may lie on it."""
    if region.drift is None:
        return blot
    added = added_light(region.drift.carried(by_rgb * region.linear), blot.log_ratio, lot)
    if not added.seen:
        return blot
    off = added.doubt * towards_white(blot.log_ratio)
    return replace(blot, covariance=blot.covariance + np.outer(off, off), reflection=True)


def _coloured(
    region: BlotRegion,
    correction: Correction,
    unevenness: float,
    by_rgb: NDArray[np.float64] | None,
) -> BlotColour:
    return blot_colour(
        region.linear,
        region.paper_linear,
        region.covariance,
        region.centre_mm,
        correction,
        paper_covariance=region.paper_covariance,
        by_rgb=by_rgb,
        outline_mm=region.outline_mm,
        area_mm2=region.area_mm2,
        unevenness=unevenness,
        n_pixels=region.n_pixels,
    )


def _as_one(likely: Sequence[BlotColour]) -> BlotColour:
    """Equally likely colours as one: the middle one, with the mean and covariance of all."""
    middle = likely[len(likely) // 2]
    if len(likely) == 1:
        return middle
    ratios = np.stack([one.log_ratio for one in likely])
    apart = ratios - ratios.mean(axis=0)
    return replace(
        middle,
        log_ratio=ratios.mean(axis=0),
        covariance=middle.covariance + apart.T @ apart / len(likely),
    )


def too_deep(region_rgb: ArrayLike, centre_mm: ArrayLike, correction: Correction) -> Refusal | None:
    """COLOUR_NOT_CORRECTABLE for a blot of which, or of shades as deep, a channel is lost."""
    rgb = np.asarray(region_rgb, float)
    if rgb.min() >= CRUSHED_LINEAR and correction.reaches(rgb, centre_mm):
        return None
    return Refusal(
        Reason.COLOUR_NOT_CORRECTABLE,
        "blot",
        f"the phone left nothing of a channel at the blot ({rgb.min():.4f}; limit "
        f"{CRUSHED_LINEAR}) or at shades as deep",
    )


def blot_colour(
    region_rgb: ArrayLike,
    paper_rgb: ArrayLike,
    covariance: ArrayLike,
    centre_mm: ArrayLike,
    correction: Correction,
    *,
    paper_covariance: ArrayLike | None = None,
    by_rgb: NDArray[np.float64] | None = None,
    outline_mm: ArrayLike = (),
    area_mm2: float = 0.0,
    unevenness: float = 0.0,
    n_pixels: int = 0,
) -> BlotColour:
    """Corrected colour of a blot from its and the paper's linear RGB; needs no picture.

    Parameters
    ----------
    region_rgb, paper_rgb : (3,)
        Linear RGB of blot and blank paper in the same light.
    covariance, paper_covariance : (3, 3)
        Of the two; None leaves the paper without error.
    by_rgb : (3, 3), optional
        Derivative of the blot's ln XYZ by its linear RGB, where the caller has it already.
    centre_mm : (2,)
        Where on the card that light falls.
    correction : Correction
    """
    rgb = np.stack([np.asarray(region_rgb, float), np.asarray(paper_rgb, float)])
    if rgb.shape != (2, 3):
        raise ValueError(f"colours of shape {rgb.shape[1:]}, not (3,)")
    at = np.broadcast_to(np.asarray(centre_mm, float), (2, 2))
    xyz = np.maximum(correction.best_xyz(rgb, at), 1e-4)
    if by_rgb is None:
        by_rgb = _log_jacobian(rgb[0], at[0], correction)
    blot_covariance = _carried(covariance, by_rgb)
    if paper_covariance is not None:
        blot_covariance += _carried(paper_covariance, _log_jacobian(rgb[1], at[1], correction))
    blot_covariance += correction.log_ratio_covariance(rgb[0], rgb[1])
    lab = xyz_to_lab(xyz)
    return BlotColour(
        log_ratio=np.log(xyz[0] / xyz[1]),
        covariance=blot_covariance,
        lab=lab[0],
        paper_lab=lab[1],
        outline_mm=np.asarray(outline_mm, float).reshape(-1, 2),
        area_mm2=area_mm2,
        unevenness=unevenness,
        n_pixels=n_pixels,
    )


def _unevenness(region: BlotRegion, by_rgb: NDArray[np.float64]) -> float:
    """Spread of a core's depth once the phone's rendering is undone.

    A lively phone leaves little of a channel in deep red, and spreads what it leaves:
    in the file's own values an even blot comes out four times as uneven as it is.
    """
    slope = by_rgb * region.linear
    was = float(_DEPTH @ region.texture @ _DEPTH)
    now = float(_DEPTH @ slope @ region.texture @ slope.T @ _DEPTH)
    return region.unevenness * math.sqrt(now / was) if was > 0 else 0.0


def _carried(covariance: ArrayLike, jacobian: NDArray[np.float64]) -> NDArray[np.float64]:
    """The covariance of a linear RGB carried to ln XYZ, (3, 3)."""
    return np.asarray(jacobian @ np.asarray(covariance, float) @ jacobian.T)


def _log_jacobian(
    rgb: NDArray[np.float64], at_mm: NDArray[np.float64], correction: Correction
) -> NDArray[np.float64]:
    """Of ln XYZ by linear RGB, (3, 3), by central differences."""
    step = np.maximum(np.abs(rgb), 1e-3) * 1e-3
    points = np.concatenate([rgb + np.diag(step), rgb - np.diag(step)])
    log_xyz = np.log(np.maximum(correction.xyz(points, np.tile(at_mm, (6, 1))), 1e-4))
    return np.asarray(((log_xyz[:3] - log_xyz[3:]) / (2 * step[:, None])).T)
