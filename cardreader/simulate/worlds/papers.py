"""Blotting papers of a world: white, cream, brightened, thin on a backing.

A paper is a scattering layer of finite strength over a backing: its power to
scatter, its own absorption, and the light that an optical brightener adds. White and
cream sheets are common practice for absorbent papers; brighteners are in most office
and some blotting papers; thin sheets are what is cut from tissues and filters.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cardreader.simulate.blood import WAVELENGTHS_NM, two_flux_k_over_s

Array = NDArray[np.float64]
KINDS = ("white", "cream", "brightened", "thin")
SHARES = (0.35, 0.25, 0.2, 0.2)


@dataclass(frozen=True, eq=False)
class Paper:
    """A blotting paper.

    Attributes
    ----------
    kind : str
    k_over_s : (n,) array
        Of the blank sheet, from its reflectance as an endless pile.
    scattering : (n,) array
        S times thickness: 3 shows much of what lies below, 12 hides it.
    backing : (n,) array
        Reflectance of what lies below.
    glow : float
        Radiance that the brightener adds at its peak under daylight, as a share of
        that of a white diffuser; `glow_shape` (n,) has its peak of 1 there.
    """

    kind: str
    k_over_s: Array
    scattering: Array
    backing: Array
    glow: float
    glow_shape: Array


def draw_paper(rng: np.random.Generator, kind: str | None = None) -> Paper:
    """Draw a paper, of a kind if given."""
    kind = kind or str(rng.choice(KINDS, p=SHARES))
    level = rng.uniform(0.80, 0.90)  # uncoated and unfilled: under coated card, over newsprint
    # Cream loses 8 to 25 % in the blue; white sheets up to 8 %.
    fall = rng.uniform(0.08, 0.25) if kind == "cream" else rng.uniform(0.01, 0.08)
    edge, soft = rng.uniform(430, 480), rng.uniform(18, 40)
    pile = level - fall / (1 + np.exp((WAVELENGTHS_NM - edge) / soft))
    strength = rng.uniform(2.0, 5.0) if kind == "thin" else rng.uniform(6.0, 16.0)
    fine = rng.uniform(0.0, 0.8)  # fibres scatter blue a little more
    # A thin one may lie on anything from a dark table to white card, a thick one hides it.
    under = rng.uniform(0.05, 0.9) if kind == "thin" else rng.uniform(0.3, 0.85)
    slope = rng.uniform(-0.3, 0.3) * (WAVELENGTHS_NM - 550) / 180
    return Paper(
        kind=kind,
        k_over_s=two_flux_k_over_s(pile),
        scattering=strength * (WAVELENGTHS_NM / 550.0) ** -fine,
        backing=np.clip(under * (1 + slope), 0.02, 0.95),
        # A brightened sheet has a radiance factor of up to 1.3 at 440 nm under D65.
        glow=rng.uniform(0.08, 0.40) if kind == "brightened" else rng.choice([0.0, 0.02]),
        glow_shape=_glow_shape(rng.uniform(433, 445)),
    )


def _glow_shape(peak_nm: float) -> Array:
    width = np.where(peak_nm > WAVELENGTHS_NM, 14.0, 30.0)
    return np.asarray(np.exp(-0.5 * ((WAVELENGTHS_NM - peak_nm) / width) ** 2))


def layer_reflectance(k_over_s: Array, scattering: Array, backing: Array) -> Array:
    """Kubelka's (1948) layer of finite strength over a backing, all (..., n)."""
    a = 1 + k_over_s
    b = np.sqrt(np.maximum(a * a - 1, 1e-12))
    coth = 1 / np.tanh(np.maximum(b * scattering, 1e-9))
    return np.asarray((1 - backing * (a - b * coth)) / (a - backing + b * coth))
