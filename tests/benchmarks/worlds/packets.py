"""Judging worlds of the second kind: Clapper-Yule print, blots of blood in packets.

Written apart from the simulator and from `streams`. Dots of ink lie on paper that
passes light to and fro under its surface (Clapper and Yule 1953). Blood dries in
packets round the fibres, so that the packets shade what lies in them (Duysens 1956:
flattening), in a slab by the diffusion approximation with partly reflecting
boundaries. Cameras are lobes of a beta distribution with a logarithmic tone curve;
lamps are Planck's, and lines and bands of Lorentz's shape.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cardreader.card.lot import Lot

from .common import (
    D50_TO_SRGB,
    NM,
    WEIGHTS,
    Photo,
    blood_per_cm,
    design_labs,
    expose,
    measured_lot,
    solve_shades,
)

Array = NDArray[np.float64]


def _lorentz(peak: float, width: float) -> Array:
    return np.asarray(1 / (1 + ((NM - peak) / width) ** 2))


def _logit(at: float, soft: float) -> Array:
    return np.asarray(1 / (1 + np.exp(-(NM - at) / soft)))


def diffuse(absorb: Array, scatter: Array, thick: float, below: float) -> Array:
    """Reflectance (36,) of a slab, diffusion approximation, from fluxes at its faces.

    ``absorb`` and ``scatter`` (36,) per unit of ``thick``; the upper face sends back
    45 % of the diffuse light that meets it from inside, the lower a share ``below``.
    """
    diffusion = 1 / (3 * (absorb + scatter))
    kappa = np.sqrt(absorb / diffusion)
    # phi = a e^(kz) + b e^(-kz); inward flux phi/4 - D phi'/2, outward phi/4 + D phi'/2.
    e = np.exp(np.minimum(kappa * thick, 60.0))
    up, down = 0.25 + diffusion * kappa / 2, 0.25 - diffusion * kappa / 2
    # Lower face: flux back up equals `below` times flux down.
    ratio = (below * down - up) * e / ((down - below * up) / e)  # b / a
    b_over_a = np.where(np.isfinite(ratio), ratio, -1e30)
    inward = down + b_over_a * up
    outward = up + b_over_a * down
    inside = outward / inward
    inner = 0.45
    return np.asarray((1 - inner) * inside / (1 - inner * inside))


@dataclass(frozen=True, eq=False)
class Handset:
    sensitivity: Array
    tone: float
    vivid: float
    error: Array


class PacketSite:
    """One site; ``variant`` chooses its materials."""

    def __init__(self, variant: int) -> None:
        self.name = f"packets {variant}"
        rng = np.random.default_rng([990202, variant])
        v = variant
        self.variant = v
        self.base = (0.93, 0.90, 0.92)[v] - (0.05, 0.12, 0.02)[v] * (1 - _logit(445, 22))
        m = (
            _lorentz(545, 38) + 0.3 * _lorentz(515, 25),
            0.8 * _lorentz(530, 22) + _lorentz(566, 18),
            _lorentz(555, 50),
        )[v]
        c = (_logit(585, 14), 0.8 * _lorentz(615, 35) + _lorentz(690, 45), _logit(600, 25))[v]
        y = (1 - _logit(495, 8), 1 - _logit(482, 16), 1 - _logit(470, 20) + 0.1)[v]
        k = np.ones_like(NM) * 1.9 - (0.0, 0.1, -0.1)[v] * (NM - 550) / 180
        self.solid = 10.0 ** -np.stack([0.62 * c, 0.62 * m, 0.58 * y, 0.5 * k])
        self.spread = rng.uniform(0.06, 0.16)
        ink = solve_shades(self.press, design_labs(), 1.0)
        self.ink = np.clip(np.repeat(ink, 2, axis=0) * rng.lognormal(0, 0.05, 4), 0, 1)
        self.blood_cm = (0.045, 0.085, 0.04)[v]
        self.packet_cm = (0.002, 0.005, 0.008)[v]
        self.thick = (6.0, 11.0, 3.5)[v]
        self.below = (0.6, 0.8, 0.3)[v]
        self.fibre = (0.006, 0.012, 0.008)[v] * (1 + (1.5, 5.0, 1.0)[v] * (1 - _logit(455, 25)))
        self.gloss = (0.015, 0.025, 0.008)[v]
        self.met = (0.02, 0.0, 0.06)[v]
        self.brightener = (0.0, 0.0, 0.3)[v]

    def press(self, dots: Array) -> Array:
        """Clapper-Yule reflectance (..., 36) of dots (..., 4)."""
        a = np.clip(np.asarray(dots, float), 0, 1)
        a = np.clip(a + self.spread * np.sin(np.pi * a), 0, 1)
        once = np.ones((*a.shape[:-1], len(NM)))
        twice = np.ones_like(once)
        for i in range(4):
            share = a[..., i, None]
            once = once * (1 - share + share * self.solid[i])
            twice = twice * (1 - share + share * self.solid[i] ** 2)
        surface, inner = 0.012, 0.5
        body = (1 - surface) * (1 - inner) * self.base * once**2 / (1 - inner * self.base * twice)
        return np.asarray(surface + body)

    @property
    def stock(self) -> Array:
        return self.press(np.zeros(4))

    def _blot(self, amount: float, so2: float, met: float) -> Array:
        whole = blood_per_cm(amount, so2, met)
        depth = np.maximum(whole * self.packet_cm, 1e-9)
        flattened = whole * (1 - np.exp(-depth)) / depth
        absorb = self.fibre + self.blood_cm * flattened / self.thick
        inside = diffuse(absorb, (NM / 550) ** -0.2, self.thick, self.below)
        return np.asarray(self.gloss + (1 - self.gloss) * inside)

    def lot(self, rng: np.random.Generator) -> Lot:
        paper = self._blot(0.0, 0.95, 0.0) + self.brightener * _lorentz(440, 20)
        return measured_lot(self.press(self.ink), np.clip(paper, 0, 1.4), self.stock, rng)

    def phone(self, rng: np.random.Generator) -> Handset:
        t = (NM - 380) / 350

        def lobe(peak: float, sharp: float) -> Array:
            p = (peak - 380) / 350
            a, b = 1 + sharp * p, 1 + sharp * (1 - p)
            shape = t ** (a - 1) * (1 - t) ** (b - 1)
            return np.asarray(shape / shape.max())

        s = np.stack(
            [
                lobe(rng.uniform(596, 614), rng.uniform(22, 34)),
                lobe(rng.uniform(526, 545), rng.uniform(20, 30)),
                lobe(rng.uniform(452, 468), rng.uniform(24, 38)),
            ],
            axis=1,
        )
        s = s @ (np.eye(3) + rng.uniform(0, 0.06, (3, 3)))
        return Handset(
            s, rng.uniform(3.0, 9.0), rng.uniform(0.95, 1.2), rng.normal(0, 0.02, (3, 3))
        )

    def lamp(self, rng: np.random.Generator) -> tuple[str, Array, float]:
        kind = str(rng.choice(["bulb", "sky", "white LED", "tube"]))
        u = rng.uniform
        if kind == "bulb":
            power = NM**-5.0 / np.expm1(1.4388e7 / (NM * u(2500, 3100)))
        elif kind == "sky":
            power = NM**-5.0 / np.expm1(1.4388e7 / (NM * u(4800, 8000)))
            power = power / power.mean() * (1 - 0.15 * _lorentz(385, 20))
        elif kind == "white LED":
            power = u(0.3, 1.2) * _lorentz(u(447, 458), 10) + np.exp(
                -(((NM - u(555, 600)) / 75) ** 2)
            )
        else:
            power = 0.3 * np.exp(-(((NM - 490) / 60) ** 2)) + np.exp(
                -(((NM - u(575, 600)) / 50) ** 2)
            )
            for nm, w in ((405, 0.2), (436, 0.7), (546, 0.6), (611, u(0, 1.0))):
                power = power + w * _lorentz(nm, 5)
        return kind, power / power.mean(), {"sky": 1.0, "tube": 0.4}.get(kind, 0.04)

    def photo(self, rng, hb_g_dl, volume, phone, lamp, left=1.0) -> Photo:  # type: ignore[no-untyped-def]
        _, power, ultraviolet = lamp
        ink = left * self.ink * rng.lognormal(0, 0.012, 4) * rng.lognormal(0, 0.008, (72, 4))
        so2, met = rng.uniform(0.88, 0.97), self.met * rng.uniform(0.4, 1.6)
        blank, blot = self._blot(0.0, so2, 0.0), self._blot(hb_g_dl * volume, so2, met)
        shine = self.brightener * ultraviolet * rng.uniform(0.7, 1.2) * _lorentz(440, 20)
        shine = shine / np.maximum(power, 0.05)
        weigh = phone.sensitivity * power[:, None]
        white = self.stock @ weigh
        matrix = _matrix(weigh, phone)

        def develop(raw: Array) -> Array:
            linear = np.clip(np.clip(raw, 0, 1) @ matrix.T, 0, 1)
            rolled = np.log1p(phone.tone * linear) / np.log1p(phone.tone)
            mixed = 0.4 * rolled + 0.6 * linear**0.75
            return np.asarray(np.clip(mixed, 0, 1) ** (1 / 1.7))

        bay = np.stack([blot + shine * 0.04 * blot / blank, blank + shine])
        return expose(
            rng, self.press(ink) @ weigh / white, bay @ weigh / white, np.ones(3), develop,
            0.02, rng.uniform(0, 0.22),
        )  # fmt: skip


def _matrix(weigh: Array, phone: Handset) -> Array:
    rng = np.random.default_rng(11)
    centre, width = rng.uniform(400, 700, (70, 1)), rng.uniform(40, 140, (70, 1))
    surfaces = 0.05 + rng.uniform(0.1, 0.8, (70, 1)) * np.exp(-(((NM - centre) / width) ** 2))
    raw = surfaces @ weigh / weigh.sum(axis=0)
    weights = WEIGHTS @ D50_TO_SRGB.T
    wanted = surfaces @ (weights / weights.sum(axis=0))
    fit = np.linalg.lstsq(raw, wanted, rcond=None)[0].T
    fit = fit / fit.sum(axis=1, keepdims=True)
    fit = 1 / 3 + phone.vivid * (fit - 1 / 3)
    return np.asarray(fit + phone.error - phone.error.mean(axis=1, keepdims=True))
