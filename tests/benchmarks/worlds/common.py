"""What every judging world hands over: photos as patch means, and the lot that a site would have.

Only the card's layout, the reader's input types and CIE tables are shared with the
package: no spectrum, optics, camera or lamp of `cardreader.simulate`.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Protocol

import colour
import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from cardreader.card import layout
from cardreader.card.lot import Lot
from cardreader.read.sample import PatchSamples

Array = NDArray[np.float64]
NM: Array = np.arange(380.0, 731.0, 10.0)
AT_MM = np.array([(c.x_mm, c.y_mm) for c in layout.cells()])
_SHAPE = colour.SpectralShape(380, 730, 10)
_D50 = colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D50"]

_HB = np.array([
    (380, 109564, 145232), (390, 167748, 167780), (400, 266232, 223296), (410, 466840, 303956),
    (420, 480360, 407560), (430, 246072, 528600), (440, 102580, 413280), (450, 62816, 103292),
    (460, 44480, 23389), (470, 33209, 16156), (480, 26629, 14550), (490, 23684, 16684),
    (500, 20933, 20862), (510, 20035, 25774), (520, 24202, 31590), (530, 39957, 39036),
    (540, 53236, 46592), (550, 43016, 53412), (560, 32613, 53788), (570, 44496, 45072),
    (580, 50104, 37020), (590, 14401, 28324), (600, 3200, 14677), (610, 1506, 9444),
    (620, 942, 6510), (630, 610, 5149), (640, 442, 4345), (650, 368, 3750), (660, 320, 3227),
    (670, 294, 2795), (680, 278, 2408), (690, 276, 2052), (700, 290, 1794), (710, 314, 1540),
    (720, 348, 1326), (730, 390, 1102),
], float)  # fmt: skip
"""Molar extinction (1/(M cm), tetramer) of oxygenated and reduced haemoglobin every 10 nm:
a widely copied compilation, from memory and rounded."""

_MET = np.interp(
    NM,
    [380, 400, 406, 420, 440, 460, 480, 500, 520, 550, 577, 600, 630, 650, 680, 730],
    np.array([60, 140, 158, 90, 26, 12, 9, 9.4, 8.2, 5.6, 4.3, 3.7, 3.9, 2.2, 0.8, 0.2]) * 4000,
)


def blood_per_cm(hb_g_dl: float, so2: float, met: float) -> Array:
    """Absorption of whole blood, natural, 1/cm, at NM."""
    live = so2 * _HB[:, 1] + (1 - so2) * _HB[:, 2]
    return np.asarray(2.3026 * hb_g_dl * 10 / 64500 * ((1 - met) * live + met * _MET))


def illuminant(name: str) -> Array:
    """A CIE illuminant at NM, mean 1."""
    power = np.array(colour.SDS_ILLUMINANTS[name].copy().align(_SHAPE).values)
    return np.asarray(power / power.mean())


def _weights() -> Array:
    cmfs = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"].copy().align(_SHAPE).values
    weights = np.array(cmfs) * illuminant("D50")[:, None]
    return np.asarray(weights / weights[:, 1].sum())


WEIGHTS = _weights()
D50_TO_SRGB = np.array(
    [[3.1339, -1.6169, -0.4906], [-0.9788, 1.9161, 0.0335], [0.0719, -0.2290, 1.4052]]
)
"""XYZ under D50 to linear sRGB, rounded."""


def to_lab(reflectance: Array) -> Array:
    """CIELAB D50 of reflectance (..., 36)."""
    return np.array(colour.XYZ_to_Lab(reflectance @ WEIGHTS, _D50))


class Site(Protocol):
    """A judging world at one site."""

    name: str

    def lot(self, rng: np.random.Generator) -> Lot: ...

    def phone(self, rng: np.random.Generator) -> object: ...

    def lamp(self, rng: np.random.Generator) -> tuple[str, Array, float]: ...

    def photo(
        self,
        rng: np.random.Generator,
        hb_g_dl: float,
        volume: float,
        phone: object,
        lamp: tuple[str, Array, float],
    ) -> Photo: ...


@dataclass(frozen=True, eq=False)
class Photo:
    """Patch samples, and blot and blank paper in the middle of the bay."""

    samples: PatchSamples
    blot_rgb: Array
    paper_rgb: Array
    covariance: Array


def measured_lot(printed: Array, paper: Array, stock: Array, rng: np.random.Generator) -> Lot:
    """The lot by an instrument with a noise of 0.2 a CIELAB coordinate."""
    return Lot(
        number=7,
        expires=date.max,
        basis="measured",
        lab=to_lab(printed) + rng.normal(0, 0.2, (72, 3)),
        paper_lab=to_lab(np.minimum(paper, 1.0)),
        stock_lab=to_lab(stock),
        spectra=printed,
        wavelengths_nm=NM,
        paper_spectrum=paper,
        stock_spectrum=stock,
    )


def solve_shades(press, wanted: Array, most: float) -> Array:  # type: ignore[no-untyped-def]
    """Amounts (36, 4) for CIELAB (36, 3): ten greys of black, the rest of three colours."""
    out = np.zeros((36, 4))
    for i, goal in enumerate(wanted):
        free = [3] if i < 10 else [0, 1, 2]

        def miss(a: Array, free=free, goal=goal) -> Array:  # type: ignore[no-untyped-def]
            full = np.zeros(4)
            full[free] = a
            return (
                (to_lab(press(full)) - goal)[:1] if len(free) == 1 else to_lab(press(full)) - goal
            )

        start = np.full(len(free), 0.35 * most)
        out[i, free] = least_squares(miss, start, bounds=(0, most), max_nfev=40).x
    return out


def expose(
    rng: np.random.Generator,
    raw_patches: Array,
    raw_bay: Array,
    stock: Array,
    develop,  # type: ignore[no-untyped-def]
    glare_max: float,
    fall: float,
) -> Photo:
    """Light over the card, veil, processing and noise: what sampling would find.

    Raw colours are relative to a white-balanced stock of 1.
    """
    gain = rng.uniform(0.45, 0.82) * rng.lognormal(0, 0.03, 3)
    angle = rng.uniform(0, 2 * np.pi)
    u = (AT_MM - np.array(layout.CENTRE_MM)) / 42.8
    light = 1 + fall * (u @ np.array([np.cos(angle), np.sin(angle)])) - 0.3 * fall * (u**2).sum(1)
    veil = rng.uniform(0, glare_max) * stock

    def seen(raw: Array) -> Array:
        code = np.round(develop((raw + veil) * gain) * 4080) / 4080
        return np.asarray(colour.models.eotf_sRGB(code))

    patches, bay = seen(raw_patches * light[:, None]), seen(raw_bay)
    error = 2e-4 * np.sqrt(np.clip(patches, 1e-3, None))
    samples = PatchSamples(
        linear=patches + rng.normal(0, 1, patches.shape) * error,
        clipped_share=(patches >= 0.98).any(axis=1).astype(float),
    )
    return Photo(
        samples, bay[0], bay[1], np.diag((2e-4 * np.sqrt(np.clip(bay[0], 1e-4, None))) ** 2)
    )


def design_labs() -> Array:
    """CIELAB (36, 3) that the card's design asks for: what a print shop is handed."""
    from cardreader.card.lots import Lots
    from cardreader.core.shipped import shipped

    return np.asarray(Lots.load(shipped("lots"))[1].lab[::2])
