"""Judging worlds of the first kind: cellular Neugebauer print, blots by doubling four streams.

Written apart from the simulator. The blot is a slab of scatterers with blood among
them, solved by the doubling method for four directions a hemisphere and isotropic
scattering (van de Hulst 1980), on a Lambertian ground, under a rough surface.
Cameras are sums of Gaussians with a saturation step after the tone curve, lamps are
the CIE's tables.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cardreader.card.lot import Lot

from .common import (
    NM,
    Photo,
    blood_per_cm,
    design_labs,
    expose,
    illuminant,
    measured_lot,
    solve_shades,
)

Array = NDArray[np.float64]
_MU, _W = np.polynomial.legendre.leggauss(4)
_MU, _W = (_MU + 1) / 2, _W / 2
LAMPS = ("A", "D50", "D65", "D75", "FL1", "FL2", "FL3", "FL4", "FL7", "FL8", "FL9", "FL10",
         "FL11", "FL12", "LED-B1", "LED-B2", "LED-B3", "LED-B4", "LED-B5", "LED-V1")  # fmt: skip


def slab(scatter: Array, absorb: Array, ground: float) -> Array:
    """Diffuse reflectance (36,) of a slab of optical depths (36,) on a Lambertian ground."""
    depth = scatter + absorb
    albedo = scatter / depth
    thin = depth / 2**14
    one = np.eye(4)
    share = (thin * albedo / 2)[:, None, None] * (_W[None, None, :] / _MU[None, :, None])
    r = share
    t = one - (thin[:, None, None] / _MU[None, :, None]) * one + share
    for _ in range(14):
        inner = np.linalg.inv(one - r @ r)
        r, t = r + t @ r @ inner @ t, t @ inner @ t
    floor = np.broadcast_to(ground * 2 * (_MU * _W)[None, :], (4, 4))
    whole = r + t @ floor @ np.linalg.inv(one - r @ floor) @ t
    return np.asarray((whole.sum(axis=-1) * (2 * _MU * _W)).sum(axis=-1))


def _g(peak: float, width: float) -> Array:
    return np.asarray(np.exp(-0.5 * ((NM - peak) / width) ** 2))


@dataclass(frozen=True, eq=False)
class Phone:
    sensitivity: Array
    saturation: float
    contrast: float
    tilt: Array


class StreamSite:
    """One site; ``variant`` chooses its materials."""

    def __init__(self, variant: int) -> None:
        self.name = f"streams {variant}"
        rng = np.random.default_rng([880101, variant])
        self.variant = variant
        self.stock = 0.88 - 0.06 * (1 - 1 / (1 + np.exp((430 - NM) / 14)))
        self._inks(rng)
        ink = solve_shades(self.press, design_labs(), 1.0)
        ink = np.repeat(ink, 2, axis=0) * rng.lognormal(0, 0.04, 4)
        self.ink = np.clip(ink, 0, 1)
        self.scatter_depth = (9.0, 5.0, 3.2)[variant]
        self.blood_cm = (0.120, 0.085, 0.060)[variant]
        self.ground = (0.7, 0.5, 0.15)[variant]
        self.glow = (0.0, 0.22, 0.0)[variant]
        self.paper_absorb = (0.05, 0.04, 0.09)[variant] * (1 + 2.5 * np.exp(-(NM - 380) / 60))
        self.rough = (0.02, 0.012, 0.03)[variant]
        self.met = (0.01, 0.04, 0.09)[variant]

    def _inks(self, rng: np.random.Generator) -> None:
        v = self.variant
        magenta = (
            0.9 * _g(534, 20) + 1.0 * _g(567, 15) + 0.25 * _g(495, 25) + 0.1 * _g(390, 30),
            1.0 * _g(548, 32) + 0.3 * _g(400, 40),
            0.8 * _g(520, 26) + 1.0 * _g(560, 22) + 0.15 * _g(420, 40),
        )[v]
        cyan = (0.9 * _g(612, 38) + _g(680, 34), _g(640, 60) + 0.15 * _g(560, 30), _g(660, 70))[v]
        yellow = 1 / (1 + np.exp((NM - (492, 480, 505)[v]) / (9, 14, 18)[v]))
        self.density = np.stack([1.35 * cyan, 1.3 * magenta, 1.15 * yellow, 1.6 - 0 * NM])
        self.gain = rng.uniform(0.08, 0.2, 4)
        # Cells: the middle dot of each ink is a primary of its own, a little lighter than mixed.
        levels = np.array([0.0, 0.5, 1.0])
        lighter = rng.uniform(0.85, 1.0)
        self.primary = np.empty((3, 3, 3, 3, len(NM)))
        for i in np.ndindex(3, 3, 3, 3):
            amount = levels[list(i)]
            solid = (amount == 0.5).any()
            d = (amount * self.density.T).sum(axis=1) * (lighter if solid else 1.0)
            self.primary[i] = 0.012 + (self.stock - 0.012) * 10.0**-d

    def press(self, amount: Array) -> Array:
        """Reflectance (..., 36) of dots (..., 4): multilinear within cells, n of 2."""
        a = np.clip(np.asarray(amount, float), 0, 1)
        a = np.clip(a + 4 * self.gain * a * (1 - a) * (0.5 + 0.5 * a), 0, 1)
        cell = np.minimum((a * 2).astype(int), 1)
        f = a * 2 - cell
        out = np.zeros((*a.shape[:-1], len(NM)))
        for corner in np.ndindex(2, 2, 2, 2):
            w = np.prod(np.where(np.array(corner) == 1, f, 1 - f), axis=-1)
            at = tuple(np.moveaxis(cell + np.array(corner), -1, 0))
            out += w[..., None] * np.sqrt(self.primary[at])
        return np.asarray(out**2)

    def lot(self, rng: np.random.Generator) -> Lot:
        paper = self._blot(0.0, 0.95, 0.0) + self.glow * _g(438, 18)
        return measured_lot(self.press(self.ink), paper, self.stock, rng)

    def _blot(self, amount: float, so2: float, met: float) -> Array:
        absorb = self.paper_absorb + self.blood_cm * blood_per_cm(amount, so2, met)
        scatter = self.scatter_depth * (NM / 550) ** -0.4
        inside = slab(scatter, absorb, self.ground)
        return np.asarray(self.rough + (1 - self.rough) * inside)

    def phone(self, rng: np.random.Generator) -> Phone:
        r = 0.95 * _g(rng.normal(605, 9), rng.uniform(26, 40)) + 0.1 * _g(540, 30)
        g = _g(rng.normal(533, 8), rng.uniform(32, 44)) + 0.05 * _g(610, 40)
        b = _g(rng.normal(462, 8), rng.uniform(24, 34)) + 0.04 * _g(540, 40)
        cut = 1 / (1 + np.exp((NM - rng.uniform(645, 672)) / 9))
        return Phone(
            np.stack([r, g, b], axis=1) * cut[:, None],
            rng.uniform(-0.05, 0.25),
            rng.uniform(0.0, 0.2),
            rng.normal(0, 0.02, (3, 3)),
        )

    def lamp(self, rng: np.random.Generator) -> tuple[str, Array, float]:
        name = str(rng.choice(LAMPS))
        ultraviolet = 1.0 if name[0] == "D" else 0.4 if name[:2] == "FL" else 0.03
        return name, illuminant(name), ultraviolet

    def photo(self, rng, hb_g_dl, volume, phone, lamp, left=1.0) -> Photo:  # type: ignore[no-untyped-def]
        _, power, ultraviolet = lamp
        ink = left * self.ink * rng.lognormal(0, 0.01, 4) * rng.lognormal(0, 0.01, (72, 4))
        met = self.met * rng.uniform(0.5, 1.5)
        so2 = rng.uniform(0.9, 0.98)
        blank = self._blot(0.0, so2, 0.0)
        blot = self._blot(hb_g_dl * volume, so2, met)
        shine = (
            self.glow * ultraviolet * rng.uniform(0.6, 1.3) * _g(438, 18) / np.maximum(power, 0.05)
        )
        weigh = phone.sensitivity * power[:, None]
        white = self.stock @ weigh
        matrix = self._matrix(weigh) + phone.tilt - phone.tilt.mean(axis=1, keepdims=True)

        def develop(raw: Array) -> Array:
            linear = np.clip(np.clip(raw, 0, 1) @ matrix.T, 0, 1)
            code = np.where(linear < 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)
            code = code + phone.contrast * (code - 0.5) * code * (1 - code)
            grey = code @ np.array([0.3, 0.59, 0.11])
            return np.asarray(
                np.clip(grey[..., None] + (1 + phone.saturation) * (code - grey[..., None]), 0, 1)
            )

        bay = np.stack([blot + shine * 0.05 * blot / blank, blank + shine])
        return expose(
            rng, self.press(ink) @ weigh / white, bay @ weigh / white, np.ones(3), develop,
            0.015, rng.uniform(0, 0.2),
        )  # fmt: skip

    def _matrix(self, weigh: Array) -> Array:
        rng = np.random.default_rng(5)
        knots = rng.uniform(0.03, 0.9, (60, 6))
        surfaces = np.array([np.interp(NM, np.linspace(380, 730, 6), k) for k in knots])
        raw = surfaces @ weigh / (np.ones(len(NM)) @ weigh)
        wanted = surfaces @ _SRGB
        fit = np.linalg.lstsq(raw, wanted, rcond=None)[0].T
        return np.asarray(fit / fit.sum(axis=1, keepdims=True))


def _srgb_weights() -> Array:
    from .common import D50_TO_SRGB, WEIGHTS

    weights = WEIGHTS @ D50_TO_SRGB.T
    return np.asarray(weights / weights.sum(axis=0))


_SRGB = _srgb_weights()
