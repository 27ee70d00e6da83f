"""Photos of a lot's cards -> the colours of its print, where no instrument measures them.

A lot known by its design alone misses it by more than lamps and phones do, and by the same
at every card. So what many photos leave over at a print alike is the print's, and what they
leave over each in its own way is lamp and phone. Every photo is corrected beside the colours
known so far (`correct`), and the median of what is left moves those colours.

What a 3x3 matrix and a tone curve can take up is not found: it is the same at every card read
beside these colours, so laboratory pairs teach it. The colours found are not what an instrument
would have measured, and stand for nothing but reading cards of this lot.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from cardreader.card import layout
from cardreader.card.lot import Lot
from cardreader.colour.cielab import delta_e_2000, xyz_to_lab
from cardreader.core.order import median
from cardreader.core.refusal import Refusal
from cardreader.read.banding import EVEN, Banding
from cardreader.read.correct import correct
from cardreader.read.sample import PatchSamples

Array = NDArray[np.float64]

ROUNDS = 2
"""The first is beside the design, where little is believed of phones; a third changes nothing."""
LEAST_PHOTOS = 10
"""Photos that gave a colour. 10, 20 and 40 of four phones read equally well."""
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


def print_colours(photos: Sequence[CardPhoto], lot: Lot) -> PrintColours:
    """Find a lot's colours from photos of its cards, starting from those it has.

    Raises
    ------
    TooFewPhotosError
        Fewer than `LEAST_PHOTOS` gave a colour.
    ValueError
        The lot was measured.
    """
    if lot.basis == "measured":
        raise ValueError(f"lot {lot.lot_id} is measured: no photo knows its colours better")
    for _ in range(ROUNDS):
        left = _left_over(photos, lot)
        if len(left) < LEAST_PHOTOS:
            raise TooFewPhotosError(
                f"{len(left)} photos gave a colour; at least {LEAST_PHOTOS} are needed"
            )
        known, lot = lot, _moved(lot, left)
    halves = [_moved(known, left[start::2]).lab for start in (0, 1)]
    return PrintColours(lot, len(left), float(delta_e_2000(*halves).mean()))


def _left_over(photos: Sequence[CardPhoto], lot: Lot) -> Array:
    """Log ratio of corrected to known XYZ of every shade, (n, 36, 3), of photos with a colour."""
    out = []
    for photo in photos:
        found = correct(photo.samples, lot, photo.banding)
        if not isinstance(found, Refusal):
            out.append(layout.by_shade(found.log_misfit).mean(axis=1))
    return np.array(out).reshape(-1, layout.N_SHADES, 3)


def _moved(lot: Lot, left: Array) -> Lot:
    shades = median(np.moveaxis(left, 0, -1))
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
