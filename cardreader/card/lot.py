"""What one printed lot of cards looks like: the colour of every patch, as measured.

Positions are the same for all cards (layout.py); colours are not, since every
print run differs. A lot is known by the number that its markers carry.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from functools import cached_property
from hashlib import sha256
from typing import Literal, get_args

import numpy as np
from numpy.typing import ArrayLike, NDArray

from cardreader.card import layout
from cardreader.colour.cielab import lab_to_xyz

Basis = Literal["measured", "photographed", "nominal"]
"""Whether the colours come from an instrument, were found from photos of the cards
(`cardreader.read.printcolours`) or are those the file asked for."""

NOMINAL_PRINT_SD = 0.03
"""Relative doubt about a shade's ln(XYZ / XYZ of paper) where only the design is known.

Our choice: nearly twice what simulated print runs show whose ink strengths
scatter by 3 % (0.015 to 0.019), since nothing is known about the printer.
"""

_MAX_AB = 160.0
_LEAST_XYZ = 1e-4
"""The darkest velvet sends back more; the reader takes logarithms of these."""

_MAX_TEXT = 200
_MAX_REFLECTANCE = 1.5
"""Above 1, since brightened paper may send back more than a white diffuser does."""


@dataclass(frozen=True, eq=False)
class Lot:
    """One printed lot of cards.

    Attributes
    ----------
    number : int
        Lot number, 0 .. 146**3 - 1, as the markers carry it.
    expires : date
        Last day on which cards of the lot may be read.
    basis : "measured", "photographed" or "nominal"
        Whether `lab` was measured on printed cards, found from photos of them or only asked for.
    lab : (72, 3) array
        CIELAB of the patches under D50 for the 2 degree observer, in the order
        of `layout.cells`.
    paper_lab, stock_lab : (3,) arrays
        The same for blank blotting paper and for the unprinted card.
    spectra : (72, n) array or None
        Reflectance factors (perfect diffuser = 1) of the patches at
        `wavelengths_nm`, shape (n,); `paper_spectrum` and `stock_spectrum`,
        shape (n,), go with them. All four are given, or none.
    created : date or None
        Day of the measurement, or of the design of a nominal lot.
    instrument, note : str
        One line each, plain ASCII without double quotes, as CGATS text asks.

    Arrays are stored read-only as float64. ValueError names what is wrong.
    """

    number: int
    expires: date
    basis: Basis
    lab: NDArray[np.float64]
    paper_lab: NDArray[np.float64]
    stock_lab: NDArray[np.float64]
    spectra: NDArray[np.float64] | None = None
    wavelengths_nm: NDArray[np.float64] | None = None
    instrument: str = ""
    note: str = ""
    created: date | None = None
    paper_spectrum: NDArray[np.float64] | None = None
    stock_spectrum: NDArray[np.float64] | None = None

    def __post_init__(self) -> None:
        layout.marker_ids(self.number)  # raises for a number that markers can't carry
        if self.basis not in get_args(Basis):
            raise ValueError(f"basis {self.basis!r} is none of {', '.join(get_args(Basis))}")
        if self.created is not None and self.created > self.expires:
            raise ValueError(f"lot expires on {self.expires}, before it was made")
        for name in ("instrument", "note"):
            _check_text(name, getattr(self, name))
        for name, shape in (("lab", (_N_CELLS, 3)), ("paper_lab", (3,)), ("stock_lab", (3,))):
            object.__setattr__(self, name, _checked_lab(name, getattr(self, name), shape))
        self._check_spectra()

    def _check_spectra(self) -> None:
        given = [getattr(self, name) is not None for name in _SPECTRAL]
        if not any(given):
            return
        if not all(given):
            raise ValueError(f"a lot has all of {', '.join(_SPECTRAL)}, or none")
        nm = _frozen("wavelengths_nm", self.wavelengths_nm)
        if nm.ndim != 1 or nm.size < 2 or np.any(np.diff(nm) <= 0):
            raise ValueError("wavelengths_nm must rise and have shape (n,), n >= 2")
        object.__setattr__(self, "wavelengths_nm", nm)
        for name, shape in (
            ("spectra", (_N_CELLS, nm.size)),
            ("paper_spectrum", (nm.size,)),
            ("stock_spectrum", (nm.size,)),
        ):
            values = _frozen(name, getattr(self, name), shape)
            if np.any(values < 0) or np.any(values > _MAX_REFLECTANCE):
                raise ValueError(f"{name} has reflectances outside 0..{_MAX_REFLECTANCE}")
            object.__setattr__(self, name, values)

    @property
    def lot_id(self) -> str:
        """Lot number as printed on the card and written in every reading."""
        return f"{self.number:06d}"

    @property
    def print_sd(self) -> float:
        """Relative doubt about the shades that a measurement would have taken away."""
        return NOMINAL_PRINT_SD if self.basis == "nominal" else 0.0

    @property
    def is_demonstration(self) -> bool:
        """Whether no such card was ever printed: its colours come from a simulation."""
        return self.instrument.startswith("simulated")

    def is_expired(self, today: date) -> bool:
        """Whether cards of this lot may no longer be read on the day given."""
        return today > self.expires

    @cached_property
    def fingerprint(self) -> str:
        """Of its basis and its patches' colours: what a photo was measured beside."""
        return fingerprint(self.basis, self.lab)

    @cached_property
    def xyz(self) -> NDArray[np.float64]:
        """XYZ of the patches under D50 for the 2 degree observer, (72, 3), diffuser Y = 1."""
        return lab_to_xyz(self.lab)


def fingerprint(basis: Basis, lab: ArrayLike) -> str:
    """Sixteen hexadecimal digits of the patches' CIELAB (72, 3), to a hundredth, and the basis."""
    hundredths = np.rint(100 * np.asarray(lab, float)).astype("<i4")
    return sha256(basis.encode() + hundredths.tobytes()).hexdigest()[:16]


_N_CELLS = len(layout.cells())
_SPECTRAL = ("spectra", "wavelengths_nm", "paper_spectrum", "stock_spectrum")


def _frozen(
    name: str, values: ArrayLike | None, shape: tuple[int, ...] | None = None
) -> NDArray[np.float64]:
    array = np.array(values, np.float64)
    if shape is not None and array.shape != shape:
        raise ValueError(f"{name} has shape {array.shape}, not {shape}")
    if not np.all(np.isfinite(array)):
        raise ValueError(f"{name} has values that are not finite")
    array.setflags(write=False)
    return array


def _checked_lab(name: str, values: ArrayLike, shape: tuple[int, ...]) -> NDArray[np.float64]:
    lab = _frozen(name, values, shape)
    if np.any(lab[..., 0] < 0) or np.any(lab[..., 0] > 100):
        raise ValueError(f"{name} has L* outside 0..100")
    if np.any(np.abs(lab[..., 1:]) > _MAX_AB):
        raise ValueError(f"{name} has a* or b* beyond {_MAX_AB:g}")
    if np.any(lab_to_xyz(lab) < _LEAST_XYZ):
        raise ValueError(f"{name} has a colour more vivid or darker than any surface's")
    return lab


def _check_text(name: str, text: str) -> None:
    if len(text) > _MAX_TEXT:
        raise ValueError(f"{name} is longer than {_MAX_TEXT} characters")
    if not (text.isascii() and (text == "" or text.isprintable())) or '"' in text:
        raise ValueError(f"{name} must be one line of plain ASCII without double quotes")
