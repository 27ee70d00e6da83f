"""Photos of a lot's cards -> the colours of its print, where no instrument measures them.

A lot known by its design alone misses it by more than lamps and phones do, and by the same
at every card. So what many photos leave over at a print alike is the print's, and what they
leave over each in its own way is lamp and phone. Every photo is corrected beside the design
(`correct`), and the median of what is left over is found.

What a tone curve, a rendering and a 3x3 matrix can take up is not left over; what that likely
was, prints of simulated worlds tell (`likelyprint`). Beside the likely print photos are corrected
once more, and what they still leave over is the last to move it. The colours are not what an
instrument would have measured, and stand for nothing but reading cards of this lot.
"""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from cardreader.card import layout
from cardreader.card.lot import Lot
from cardreader.colour.cielab import delta_e_2000, xyz_to_lab
from cardreader.core.refusal import Refusal
from cardreader.read.banding import EVEN, Banding
from cardreader.read.correct import ColourCorrection, correct
from cardreader.read.likelyprint import likely_print
from cardreader.read.sample import PatchSamples

Array = NDArray[np.float64]

LEAST_PHOTOS = 10
"""Photos that gave a colour. 10, 20 and 40 of four phones read equally well."""
BELIEVED = 0.9
"""Share of the photos with a colour beside the design that must have one beside the likely
print."""
LEAST_PHONES = 3
"""With fewer, what a phone does to colour is taken for the print's: worth saying."""


class TooFewPhotosError(ValueError):
    """Too few photos gave a colour."""


@dataclass(frozen=True)
class CardPhoto:
    """What one photo shows of its card."""

    samples: PatchSamples
    banding: Banding = EVEN


@dataclass(frozen=True, eq=False)
class PrintColours:
    """The colours found.

    Attributes
    ----------
    lot : Lot
        Basis "photographed".
    n_photos : int
        That gave a colour.
    halves_de00 : float
        CIEDE2000 between what two halves of the photos find, mean of the patches.
    """

    lot: Lot
    n_photos: int
    halves_de00: float


@dataclass(frozen=True, eq=False)
class PrintMisses:
    """What photos leave over at the shades beside a lot's colours, ln XYZ.

    ``of_photos`` (n, 36, 3), of the photos that gave a colour; NaN where a phone left nothing of a
    shade's.
    """

    of_photos: Array

    @property
    def median(self) -> Array:
        """Over the photos, (36, 3); 0 for a shade that none of them shows."""
        seen = np.isfinite(self.of_photos).any(axis=0)
        return np.asarray(np.nanmedian(np.where(seen, self.of_photos, 0.0), axis=0))

    def half(self, start: int) -> PrintMisses:
        """Every second photo."""
        return PrintMisses(self.of_photos[start::2])


def print_colours(photos: Sequence[CardPhoto], design: Lot) -> PrintColours:
    """Find a lot's colours from photos of its cards.

    Parameters
    ----------
    design : Lot
        Of the lot's number, with the colours that its print was asked for.

    Raises
    ------
    TooFewPhotosError
        Fewer than `LEAST_PHOTOS` gave a colour.
    ValueError
        The lot is known by more than its design.
    """
    if design.basis != "nominal":
        raise ValueError(f"lot {design.lot_id} is {design.basis}; photos are read beside a design")
    start, found = _nearer(photos, design)
    halves = [_moved(start, found.half(first).median).lab for first in (0, 1)]
    apart = float(delta_e_2000(*halves).mean())
    return PrintColours(_moved(start, found.median), len(found.of_photos), apart)


def _nearer(photos: Sequence[CardPhoto], design: Lot) -> tuple[Lot, PrintMisses]:
    """Colours nearer to the print than the design, and what photos leave over beside them.

    The likely print, unless it explains fewer photos than the design does: then the print is
    like none of those that the table knows, and only what photos left over is believed.
    """
    left = print_misses(photos, design)
    likely = _moved(design, likely_print()(left.median))
    with suppress(TooFewPhotosError):
        found = print_misses(photos, likely)
        if len(found.of_photos) >= BELIEVED * len(left.of_photos):
            return likely, found
    moved = _moved(design, left.median)
    return moved, print_misses(photos, moved)


def print_misses(photos: Sequence[CardPhoto], lot: Lot) -> PrintMisses:
    """What photos leave over at the prints beside a lot's colours.

    Raises TooFewPhotosError where fewer than `LEAST_PHOTOS` gave a colour.
    """
    out = []
    for photo in photos:
        found = correct(photo.samples, lot, photo.banding)
        if not isinstance(found, Refusal):
            out.append(_of_shades(found))
    if len(out) < LEAST_PHOTOS:
        raise TooFewPhotosError(
            f"{len(out)} photos gave a colour; at least {LEAST_PHOTOS} are needed"
        )
    return PrintMisses(np.array(out))


def _of_shades(found: ColourCorrection) -> Array:
    """Log ratio of corrected to known XYZ of every shade, (36, 3), of its prints that have a
    colour."""
    kept = layout.by_shade(np.where(found.samples.crushed, np.nan, 1.0))[..., None]
    both = layout.by_shade(found.log_misfit) * kept
    n_kept = np.isfinite(kept).sum(axis=1)
    return np.asarray(np.nansum(both, axis=1) / np.where(n_kept == 0, np.nan, n_kept))


def _moved(lot: Lot, shades: Array) -> Lot:
    """The lot with its shades moved by ln XYZ (36, 3)."""
    lab = xyz_to_lab(lot.xyz * np.exp(np.repeat(shades, 2, axis=0)))
    lab[:, 0] = np.minimum(lab[:, 0], 100.0)
    return replace(
        lot,
        lab=lab,
        basis="photographed",
        spectra=None,
        wavelengths_nm=None,
        paper_spectrum=None,
        stock_spectrum=None,
    )
