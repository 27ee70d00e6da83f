"""What one photo or many measured: the blot's colour, its covariance and the card's signature.

These few numbers are all that judging needs: small enough to keep for years and to
judge again when a better calibration arrives. They mean what the measuring chain of
their day made them mean, so they carry its name.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from cardreader.card import layout
from cardreader.card.layout import Kind
from cardreader.colour.cielab import D50, lab_to_xyz
from cardreader.hb.filenumbers import plain
from cardreader.read.blot import BlotColour
from cardreader.read.chain import CHAIN
from cardreader.read.correct import ColourCorrection
from cardreader.read.vividness import N_PARAMETERS

Array = NDArray[np.float64]

COLOUR_COLUMNS = (
    *("log_ratio_x", "log_ratio_y", "log_ratio_z"),
    *("cov_xx", "cov_xy", "cov_xz", "cov_yy", "cov_yz", "cov_zz"),
)
"""First columns of a feature row; the card's signature, if any, follows."""

N_COLOUR = len(COLOUR_COLUMNS)
_ROW, _COLUMN = np.triu_indices(3)


_N_CARD = 2 * 3 + 3 * int(layout.shades_of_kind(Kind.CHROMATIC).sum())
PAPER_AT = slice(_N_CARD, _N_CARD + 3)
"""Where the blank paper's colour stands in a signature."""
N_SIGNATURE = PAPER_AT.stop + N_PARAMETERS
"""Numbers of a signature: level and slope of the ramp, chromatic shades, blank paper,
vividness."""
VIVIDNESS_AT = N_SIGNATURE - N_PARAMETERS
"""Where the phone's vividness stands in it."""
BRIGHTEST_AT = VIVIDNESS_AT + 1
"""Where its share towards the brightest channel stands, as hue-saturation-value has it."""


class OtherChainError(ValueError):
    """Numbers measured by another measuring chain than this; one line says what to do."""


@dataclass(frozen=True, eq=False)
class Measured:
    """Measurements of one photo, or of n photos.

    Attributes
    ----------
    log_ratio : (3,) or (n, 3) array
        ln(XYZ_blot / XYZ_paper), D50.
    covariance : (3, 3) or (n, 3, 3) array
        Of ``log_ratio``, from the photo.
    signature : (s,) or (n, s) array
        What the card's residuals say about lamp, phone and inks, see `signature`.
    """

    log_ratio: Array
    covariance: Array
    signature: Array

    def __post_init__(self) -> None:
        for name in ("log_ratio", "covariance", "signature"):
            object.__setattr__(self, name, np.asarray(getattr(self, name), float))
        rows = self.log_ratio.shape[:-1]
        if (
            len(rows) > 1
            or self.log_ratio.shape != (*rows, 3)
            or self.covariance.shape != (*rows, 3, 3)
            or self.signature.shape[:-1] != rows
        ):
            raise ValueError(
                f"shapes {self.log_ratio.shape}, {self.covariance.shape} and "
                f"{self.signature.shape} are no measurements"
            )

    @classmethod
    def stack(cls, parts: Sequence[Measured]) -> Measured:
        """Single measurements as many. ValueError for none."""
        if not parts:
            raise ValueError("no measurements to stack")
        return cls(
            np.stack([part.log_ratio for part in parts]),
            np.stack([part.covariance for part in parts]),
            np.stack([part.signature for part in parts]),
        )

    @property
    def many(self) -> Measured:
        """The same as (n, ...), one photo as n = 1."""
        if self.log_ratio.ndim == 2:
            return self
        return Measured(self.log_ratio[None], self.covariance[None], self.signature[None])

    def __len__(self) -> int:
        return len(self.many.log_ratio)

    def __getitem__(self, rows: int | slice | NDArray[np.bool_] | NDArray[np.intp]) -> Measured:
        """Some of many measurements."""
        return Measured(self.log_ratio[rows], self.covariance[rows], self.signature[rows])

    def rows(self) -> Array:
        """Feature rows (n, 9 + s): colour, covariance's upper triangle, signature."""
        many = self.many
        return np.hstack([many.log_ratio, many.covariance[:, _ROW, _COLUMN], many.signature])

    @classmethod
    def of_rows(cls, rows: ArrayLike) -> Measured:
        """Feature rows (n, 9 + s) back to what they are made of. ValueError for others."""
        values = np.asarray(rows, float)
        if values.ndim != 2 or values.shape[1] < N_COLOUR or not np.isfinite(values).all():
            raise ValueError(f"X must be (n, {N_COLOUR} + s) and finite, got {values.shape}")
        covariance = np.zeros((len(values), 3, 3))
        covariance[:, _ROW, _COLUMN] = values[:, 3:N_COLOUR]
        covariance[:, _COLUMN, _ROW] = values[:, 3:N_COLOUR]
        return cls(values[:, :3], covariance, values[:, N_COLOUR:])

    def as_json(self) -> dict[str, Any]:
        """One measurement as JSON values of nine digits, with the chain that measured it."""
        return {
            "chain": CHAIN,
            "covariance": plain(self.covariance[_ROW, _COLUMN]),
            "log_ratio": plain(self.log_ratio),
            "signature": plain(self.signature),
        }

    @classmethod
    def from_json(cls, content: dict[str, Any]) -> Measured:
        """One measurement as `as_json` gives it.

        Raises OtherChainError for another chain's, ValueError for what is no measurement.
        """
        if content.get("chain") != CHAIN:
            raise OtherChainError(
                f"measured by chain {content.get('chain')}, and this reader is chain {CHAIN}: "
                "read the photo anew"
            )
        try:
            row = np.array([*content["log_ratio"], *content["covariance"], *content["signature"]])
            return cls.of_rows(row.astype(float)[None])[0]
        except (KeyError, TypeError) as error:
            raise ValueError(f"no measurement: {error}") from None


def with_vividness_clipped(z: Array, clip: float) -> Array:
    """Standardised signatures (..., s) with the phone's vividness within +-clip."""
    before, vividness = np.split(z, [VIVIDNESS_AT], axis=-1)
    return np.concatenate([before, np.clip(vividness, -clip, clip)], axis=-1)


def measured(blot: BlotColour, correction: ColourCorrection) -> Measured:
    """The numbers of one photo that judging needs."""
    return Measured(blot.log_ratio, blot.covariance, signature(correction, blot))


def signature(correction: ColourCorrection, blot: BlotColour) -> Array:
    """What card and blank paper say about lamp and phone, shape (48,).

    Log ratios of corrected to measured XYZ, averaged over the prints of a shade: a
    level and a slope along the ramp, then each chromatic patch. Then the colour of the
    blank paper: of a brightened one it tells how much ultraviolet the lamp has. Then the
    parameters of the phone's vividness: fitted to the same prints, they took up part of what a lamp
    leaves there, and without them that part would be lost.
    """
    ratio = layout.by_shade(correction.log_misfit).mean(axis=1)
    ramp = layout.shades_of_kind(Kind.RAMP)
    depth = layout.by_shade(np.log(correction.lot.xyz[:, 1])).mean(axis=1)[ramp]
    design = np.stack([np.ones_like(depth), depth - depth.mean()], axis=1)
    kept = ~layout.by_shade(correction.samples.crushed)[ramp].any(axis=1)
    along_ramp = np.linalg.lstsq(design[kept], ratio[ramp][kept], rcond=None)[0]
    chromatic = ratio[layout.shades_of_kind(Kind.CHROMATIC)]
    vividness = correction.vividness.parameters
    parts = along_ramp.ravel(), chromatic.ravel(), _paper_colour(blot.paper_lab), vividness
    return np.concatenate(parts)


def _paper_colour(lab: Array) -> Array:
    """ln of X/Y, Y and Z/Y (3,) of blank paper against the perfect diffuser, from CIELAB (3,)."""
    x, y, z = np.log(lab_to_xyz(lab) / D50)
    return np.array([x - y, y, z - y])
