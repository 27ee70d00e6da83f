"""Blood in paper: four structurally different models of what light meets in a blot.

``opaque``
    blood through all of a pile that hides its backing (two-flux).
``sheet``
    blood through a sheet of finite strength over its backing.
``skin``
    blood in the upper part of the sheet, clean paper below.
``shadow``
    as ``sheet``, but the blood lies unevenly among the fibres: light passes places of
    little and of much blood (lognormal amounts), and a share of fibres stays bare.

What is common: the surface reflects before light enters; blood per area differs from
site to site by a log sd of 0.30, since sheets of 100 to 300 g/m2 are sold as
blotting paper (common practice, no source) and a drop spreads until the sheet is full.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.interpolate import PchipInterpolator

from cardreader.simulate.blood import (
    MOLAR_MASS_G_MOL,
    SOAK_CM,
    WAVELENGTHS_NM,
    absorption_per_cm,
    two_flux_reflectance,
)
from cardreader.simulate.worlds.papers import Paper, layer_reflectance

Array = NDArray[np.float64]
MODELS = ("opaque", "sheet", "skin", "shadow")
SOAK_LOG_SD = 0.30
_NODES, _WEIGHTS = np.polynomial.hermite_e.hermegauss(7)
_WEIGHTS = _WEIGHTS / _WEIGHTS.sum()

_MET_PER_HEME_MM = (
    (380, 55), (390, 90), (405, 160), (420, 80), (435, 28), (450, 14), (475, 8.8),
    (500, 9.2), (520, 8.0), (540, 6.4), (560, 4.6), (577, 4.2), (600, 3.6), (630, 3.8),
    (645, 2.6), (660, 1.6), (680, 0.7), (700, 0.4), (740, 0.2),
)  # fmt: skip
"""Methaemoglobin, acid form, per haem and mM cm: rounded, from memory of the classical
curves (bands at 405, 500 and 630 nm)."""


def methaemoglobin_per_cm(hb_g_dl: float) -> Array:
    """Absorption coefficient (n,), natural logarithm, were all haemoglobin met."""
    return np.asarray(np.log(10) * hb_g_dl * 10 / MOLAR_MASS_G_MOL * _met_per_tetramer())


@cache
def _met_per_tetramer() -> Array:
    nm, value = np.array(_MET_PER_HEME_MM).T
    return np.asarray(np.exp(PchipInterpolator(nm, np.log(value))(WAVELENGTHS_NM)) * 4000)


@dataclass(frozen=True, eq=False)
class BlotModel:
    """How blood lies in a site's paper.

    Attributes
    ----------
    model : str
    soak : float
        Blood per area and scattering against the demonstration world's.
    thickening : float
        Change of the log amount per log haemoglobin: thick blood spreads less.
    depth : float
        Share of the sheet that a ``skin`` fills.
    unevenness, bare : float
        Log sd of local amounts, and the share of bare fibres, of a ``shadow``.
    surface : float
        Light sent back before it enters.
    met, met_sd : float
        Share of methaemoglobin in dry blots, and its scatter from blot to blot.
    haematocrit_sd : float
        Relative scatter from woman to woman at the same haemoglobin.
    """

    model: str
    soak: float
    thickening: float
    depth: float
    unevenness: float
    bare: float
    surface: float
    met: float
    met_sd: float
    haematocrit_sd: float

    def reflectance(self, paper: Paper, hb_g_dl: ArrayLike, so2: float, met: float) -> Array:
        """Of a dry blot with this much haemoglobin and methaemoglobin, shape (n,), no glow.

        ``hb_g_dl`` may be (...); then (..., n). Haemoglobin of 0 is blank paper.
        """
        hb = np.asarray(hb_g_dl, float)
        amount = hb * np.power(np.maximum(hb, 0.1) / 10.0, self.thickening)
        fresh = absorption_per_cm(1.0, so2)
        mixed = (1 - met) * fresh + met * methaemoglobin_per_cm(1.0)
        blood = self.soak * SOAK_CM * amount[..., None] * mixed
        inside = self._inside(paper, blood)
        return np.asarray(self.surface + (1 - self.surface) * inside)

    def _inside(self, paper: Paper, blood: Array) -> Array:
        if self.model == "opaque":
            return two_flux_reflectance(paper.k_over_s + blood)
        if self.model == "sheet":
            return layer_reflectance(paper.k_over_s + blood, paper.scattering, paper.backing)
        if self.model == "skin":
            below = layer_reflectance(
                paper.k_over_s, paper.scattering * (1 - self.depth), paper.backing
            )
            return layer_reflectance(
                paper.k_over_s + blood / self.depth, paper.scattering * self.depth, below
            )
        local = np.exp(self.unevenness * _NODES - self.unevenness**2 / 2)
        seen = sum(
            weight
            * layer_reflectance(paper.k_over_s + blood * one, paper.scattering, paper.backing)
            for weight, one in zip(_WEIGHTS, local, strict=True)
        )
        blank = layer_reflectance(paper.k_over_s, paper.scattering, paper.backing)
        # Light crosses several fibres, so bare ones show only in part where blood is dense.
        return np.asarray((1 - self.bare) * seen + self.bare * np.sqrt(seen * blank))


def draw_blot_model(rng: np.random.Generator, model: str | None = None) -> BlotModel:
    """Draw how blood lies in a site's paper."""
    u = rng.uniform
    return BlotModel(
        model=model or str(rng.choice(MODELS)),
        soak=float(np.exp(rng.normal(0, SOAK_LOG_SD))),
        # Either way: thick blood spreads less, and a sheet that is full takes no more.
        thickening=float(rng.normal(0.0, 0.06)),
        depth=u(0.3, 0.8),  # a blot seen from behind is paler, and seldom not seen at all
        # From an even felt to coarse pulp; more bare fibres would show, and be refused as uneven.
        unevenness=u(0.2, 0.8),
        bare=u(0.0, 0.06),
        # A surface of index 1.5 sends back 4 %, and a matt one most of that away from the phone.
        surface=u(0.005, 0.035),
        met=float(rng.choice([u(0.0, 0.03), u(0.0, 0.15)])),  # read at once, or the same day
        met_sd=u(0.2, 0.5),  # as a share of met
        # Cells hold a little more or less haemoglobin (some per cent), which moves how far a drop
        # spreads by a part of that; nobody has measured which.
        haematocrit_sd=u(0.005, 0.015),
    )
