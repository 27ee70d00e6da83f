"""Where things are on the card: one fixed layout, in millimetres.

The card is ID-1 sized (ISO/IEC 7810: 85.60 x 53.98 mm). Coordinates are
millimetres from the upper left corner of the upright card, x to the right,
y down. Cells stand on a 15 x 9 grid around a square window, the bay, in which
the blotting paper lies.

Everything is printed in point-mirrored pairs about the middle of the bay, so
that a linear gradient of light cancels there when the two of a pair are
averaged. The neutral scale rings the bay with every level on all four sides;
shades of blood come next; chromatic patches stand outermost.

Each corner carries a marker of the AprilTag 36h11 family as OpenCV ships it.
The identity of a marker says which corner it is (``id // 146``) and holds one
digit of the lot number (``id % 146``): three digits and one check digit.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from enum import StrEnum
from functools import cache
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

_T = TypeVar("_T", bound=np.generic)

WIDTH_MM = 85.60
HEIGHT_MM = 53.98
COLUMNS = 15
ROWS = 9
PITCH_MM = 5.4
PATCH_MM = 4.6
MARKER_MM = 8.8
BAY_MM = 25.0
"""Side of the printed frame of the bay; inside it only blotting paper is seen."""

CENTRE_MM = (WIDTH_MM / 2, HEIGHT_MM / 2)

MARKER_BASE = 146
"""Four corners of 146 identities each fit the 587 of the marker family."""

_WEIGHTS = (7, 11, 13)
"""Prime to 146 = 2 * 73, so any one misread digit changes the sum."""
_CHECK_SHIFT = 29
"""The check digit of lot 0; not 0, so that digits all 0 are no lot."""

RAMP_HB_G_DL = (3.0, 4.2, 5.3, 6.2, 6.8, 7.4, 8.2, 9.2, 10.1, 10.8, 11.4, 12.4, 14.2, 17.0)
"""Our own steps: closest where a decision turns, at 7 and 11 g/dL."""

NEUTRAL_L = (93.0, 78.0, 62.0, 44.0, 26.0)
"""CIE lightness asked of the five neutral levels, lightest first."""


class Kind(StrEnum):
    """What a printed patch is for."""

    NEUTRAL = "neutral"
    RAMP = "ramp"
    CHROMATIC = "chromatic"


@dataclass(frozen=True)
class Cell:
    """One printed patch.

    ``name`` is the shade's name with ``a`` or ``b`` for the first and second of
    the mirrored pair ("R05a"); ``shade`` is the name they share ("R05");
    ``x_mm`` and ``y_mm`` are the centre; ``hb_g_dl`` is set on the ramp only.
    """

    name: str
    shade: str
    kind: Kind
    x_mm: float
    y_mm: float
    hb_g_dl: float | None = None


# (row, column) of the first of each pair; the second is its point reflection.
_NEUTRAL_LEFT = tuple(zip((3, 1, 5, 2, 4), ((r, 4) for r in range(2, 7)), strict=True))
_NEUTRAL_TOP = tuple(zip((2, 4, 1, 5, 3), ((1, c) for c in range(5, 10)), strict=True))
_RAMP_AT = (
    *((r, 3) for r in range(2, 7)),
    *((r, 2) for r in range(6, 1, -1)),
    (1, 3),
    (1, 4),
    (1, 10),
    (1, 11),
)
_CHROMATIC_AT = (
    *((r, 1) for r in range(2, 7)),
    *((r, 0) for r in range(6, 1, -1)),
    (1, 2),
    (1, 12),
)


def cell_centre_mm(row: int, column: int) -> tuple[float, float]:
    """Centre (x, y) in mm of a grid cell."""
    x0, y0 = CENTRE_MM
    return (
        x0 + (column - (COLUMNS - 1) / 2) * PITCH_MM,
        y0 + (row - (ROWS - 1) / 2) * PITCH_MM,
    )


def _pair(
    shade: str, kind: Kind, at: tuple[int, int], hb_g_dl: float | None = None
) -> tuple[Cell, Cell]:
    x, y = cell_centre_mm(*at)
    return (
        Cell(f"{shade}a", shade, kind, x, y, hb_g_dl),
        Cell(f"{shade}b", shade, kind, WIDTH_MM - x, HEIGHT_MM - y, hb_g_dl),
    )


@cache
def cells() -> tuple[Cell, ...]:
    """All 72 printed patches, ordered neutral, ramp, chromatic; pairs adjacent.

    Neutral level ``k`` (1 lightest) is ``Nk1`` left/right and ``Nk2`` above/below
    the bay: four prints of each level.
    """
    out: list[Cell] = []
    for side, ring in ((1, _NEUTRAL_LEFT), (2, _NEUTRAL_TOP)):
        for level, at in sorted(ring):
            out += _pair(f"N{level}{side}", Kind.NEUTRAL, at)
    for i, (at, hb) in enumerate(zip(_RAMP_AT, RAMP_HB_G_DL, strict=True), 1):
        out += _pair(f"R{i:02d}", Kind.RAMP, at, hb)
    for i, at in enumerate(_CHROMATIC_AT, 1):
        out += _pair(f"C{i:02d}", Kind.CHROMATIC, at)
    return tuple(out)


N_PATCHES = 72
N_SHADES = 36
"""Each shade is printed twice."""


@cache
def centres_mm() -> NDArray[np.float64]:
    """Centres of all patches, shape (72, 2)."""
    return _frozen(np.array([(cell.x_mm, cell.y_mm) for cell in cells()]))


@cache
def of_kind(*kinds: Kind) -> NDArray[np.bool_]:
    """Which patches are of one of the kinds, shape (72,)."""
    return _frozen(np.array([cell.kind in kinds for cell in cells()]))


@cache
def shades_of_kind(*kinds: Kind) -> NDArray[np.bool_]:
    """Which shades are of one of the kinds, shape (36,)."""
    return _frozen(of_kind(*kinds)[0::2].copy())


def by_shade(values: NDArray[_T]) -> NDArray[_T]:
    """Values of all patches, (72, ...), as the two prints of each shade, (36, 2, ...)."""
    return values.reshape(N_SHADES, 2, *values.shape[1:])


def _frozen(values: NDArray[_T]) -> NDArray[_T]:
    values.setflags(write=False)
    return values


def bay_corners_mm() -> NDArray[np.float64]:
    """Corners of the bay, shape (4, 2), clockwise from the upper left."""
    return _square(CENTRE_MM, BAY_MM)


def marker_corners_mm() -> NDArray[np.float64]:
    """Outer corners of the four markers' black squares, shape (4, 4, 2).

    Markers run clockwise from the card's upper left; the corners of each run
    clockwise from its own upper left, the order in which OpenCV reports them.
    """
    at = ((0.5, 0.5), (0.5, COLUMNS - 1.5), (ROWS - 1.5, COLUMNS - 1.5), (ROWS - 1.5, 0.5))
    x0, y0 = CENTRE_MM
    centres = [
        (x0 + (c - (COLUMNS - 1) / 2) * PITCH_MM, y0 + (r - (ROWS - 1) / 2) * PITCH_MM)
        for r, c in at
    ]
    return np.stack([_square(c, MARKER_MM) for c in centres])


def _square(centre: tuple[float, float], side: float) -> NDArray[np.float64]:
    h = side / 2
    x, y = centre
    return np.array([(x - h, y - h), (x + h, y - h), (x + h, y + h), (x - h, y + h)])


def marker_ids(lot_number: int) -> tuple[int, int, int, int]:
    """Identities of the four markers, clockwise from upper left, for a lot.

    Raises ValueError for a number outside 0 .. 146**3 - 1.
    """
    if not 0 <= lot_number < MARKER_BASE**3:
        raise ValueError(f"lot number {lot_number} outside 0..{MARKER_BASE**3 - 1}")
    rest, d0 = divmod(lot_number, MARKER_BASE)
    d2, d1 = divmod(rest, MARKER_BASE)
    digits = (d0, d1, d2, _check_digit(d0, d1, d2))
    i0, i1, i2, i3 = (corner * MARKER_BASE + d for corner, d in enumerate(digits))
    return i0, i1, i2, i3


def lot_number(ids: tuple[int, int, int, int]) -> int | None:
    """Lot number read from the four markers, or None when the check digit fails."""
    if [i // MARKER_BASE for i in ids] != [0, 1, 2, 3]:
        return None
    d0, d1, d2, check = (i % MARKER_BASE for i in ids)
    if check != _check_digit(d0, d1, d2):
        return None
    return d0 + MARKER_BASE * (d1 + MARKER_BASE * d2)


def fourth_id(three: Collection[int]) -> int:
    """The identity that makes a lot number with those of three different corners.

    Raises ValueError for identities that aren't of three different corners.
    """
    digits = dict(divmod(i, MARKER_BASE) for i in three)
    missing = {0, 1, 2, 3} - set(digits)
    if len(three) != 3 or len(missing) != 1:
        raise ValueError(f"identities {sorted(three)} aren't of three corners")
    corner = missing.pop()
    if corner == 3:
        return 3 * MARKER_BASE + _check_digit(digits[0], digits[1], digits[2])
    rest = digits[3] - _check_digit(*(digits.get(c, 0) for c in range(3)))
    return corner * MARKER_BASE + rest * pow(_WEIGHTS[corner], -1, MARKER_BASE) % MARKER_BASE


def _check_digit(d0: int, d1: int, d2: int) -> int:
    w0, w1, w2 = _WEIGHTS
    return (w0 * d0 + w1 * d1 + w2 * d2 + _CHECK_SHIFT) % MARKER_BASE
