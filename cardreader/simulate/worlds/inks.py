"""Colorants of a world: absorbance of cyan, magenta, yellow and black at unit amount.

Three families, as colorants differ in kind and not only in position:

``dye``
    single smooth bands with side bands, as inkjet dyes.
``process``
    double-humped bands with steep long-wave edges, as the phthalocyanine,
    quinacridone or rhodamine, and diarylide pigments of process inks.
``broad``
    bands with soft edges on both sides and a pedestal, as toners.

Positions and widths are ranges about what textbooks draw for such colorants (from
memory); none is a measured product. The ranges are wide on purpose: what matters
here is that a shade printed with them is not a blot under another lamp.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from cardreader.simulate.blood import WAVELENGTHS_NM

Array = NDArray[np.float64]
FAMILIES = ("dye", "process", "broad")


def draw_colorants(rng: np.random.Generator, family: str) -> Array:
    """Absorbance at unit amount, shape (4, n), the largest of each about 1."""
    curves = {"dye": _dye, "process": _process, "broad": _broad}[family](rng)
    # Carbon black is nearly flat; some falls towards red, some is topped up with blue.
    slope = rng.uniform(-0.12, 0.10)
    black = 1.0 + slope * (WAVELENGTHS_NM - 550) / 180
    curves = [curve / curve.max() for curve in curves]
    return np.stack([*curves, black])


def _bump(peak: float, low: float, high: float | None = None) -> Array:
    width = np.where(peak > WAVELENGTHS_NM, low, low if high is None else high)
    return np.asarray(np.exp(-0.5 * ((WAVELENGTHS_NM - peak) / width) ** 2))


def _edge(at: float, soft: float) -> Array:
    """1 below ``at`` nm, falling to 0 above."""
    return np.asarray(1 / (1 + np.exp((WAVELENGTHS_NM - at) / soft)))


def _dye(rng: np.random.Generator) -> list[Array]:
    u = rng.uniform
    cyan = _bump(u(625, 665), u(45, 65)) + u(0.05, 0.2) * _bump(u(430, 460), 40)
    cyan += u(0.05, 0.2) * _bump(u(550, 575), 40)
    magenta = _bump(u(535, 560), u(28, 42)) + u(0.1, 0.5) * _bump(u(505, 525), u(20, 30))
    magenta += u(0.08, 0.25) * _bump(u(400, 430), 40)
    yellow = _bump(u(415, 445), u(30, 46)) + u(0.1, 0.5) * _bump(u(455, 475), u(18, 28))
    return [cyan, magenta, yellow]


def _process(rng: np.random.Generator) -> list[Array]:
    u = rng.uniform
    cyan = _bump(u(605, 630), u(32, 45), 30) + u(0.7, 1.0) * _bump(u(670, 700), u(28, 40))
    cyan += u(0.02, 0.12) * _edge(u(420, 450), 15)
    magenta = u(0.6, 1.0) * _bump(u(520, 536), u(24, 34), 18) + _bump(u(556, 574), 18, u(12, 20))
    magenta += u(0.06, 0.22) * _bump(u(390, 430), u(25, 45))
    yellow = _edge(u(478, 505), u(7, 15)) * (1 + u(-0.2, 0.2) * _bump(430, 30))
    return [cyan, magenta, yellow]


def _broad(rng: np.random.Generator) -> list[Array]:
    u = rng.uniform
    pedestal = u(0.02, 0.08, 3)
    cyan = (1 - _edge(u(560, 590), u(12, 22))) * (0.75 + 0.25 * _bump(u(620, 660), 40))
    magenta = (1 - _edge(u(480, 500), u(10, 18))) * _edge(u(585, 605), u(8, 16))
    yellow = _edge(u(488, 515), u(10, 20))
    return [c + p for c, p in zip((cyan, magenta, yellow), pedestal, strict=True)]
