"""How colorant becomes colour on the card: three structurally different print models.

``transparent``
    inks as filters over the stock, passed twice (Beer-Lambert): inkjet dyes.
``scattering``
    colorants mixed into a layer that scatters itself: K/S adds (Kubelka-Munk 1931,
    two-constant), with a gloss and internal reflection (Saunderson 1942): thick toner.
``halftone``
    dots of solid ink: sixteen Neugebauer primaries weighted by Demichel's shares,
    mixed as R^(1/n) (Yule and Nielsen 1951), the dots grown: offset, laser.

Each takes amounts (..., 4) of cyan, magenta, yellow, black and gives reflectance
(..., n). ``most`` is the largest amount that a press can lay.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import ArrayLike, NDArray

from cardreader.simulate.blood import WAVELENGTHS_NM, two_flux_k_over_s, two_flux_reflectance

Array = NDArray[np.float64]
MODELS = ("transparent", "scattering", "halftone")
_OFF_ON = np.array(list(product((0, 1), repeat=4)), float)


@dataclass(frozen=True, eq=False)
class Press:
    """One press with its inks on one stock."""

    model: str
    stock: Array
    reflectance: Callable[[Array], Array]
    most: float

    def __call__(self, amount: ArrayLike) -> Array:
        """Reflectance (..., n) of amounts (..., 4)."""
        return self.reflectance(np.asarray(amount, float))


def draw_press(rng: np.random.Generator, model: str, colorants: Array) -> Press:
    """A press of a model with these colorants (4, n)."""
    stock = draw_stock(rng)
    # A matt surface sends back 0.5 to 2.5 % before light enters; a glossy card would be refused.
    surface = rng.uniform(0.005, 0.025)
    if model == "transparent":

        def laid(amount: Array) -> Array:
            inside = 10.0 ** -(amount @ colorants)
            return np.asarray(surface + (stock - surface) * inside)

        return Press(model, stock, laid, 3.0)
    if model == "scattering":
        return Press(model, stock, _scattering(rng, stock, colorants, surface), 12.0)
    return Press(model, stock, _halftone(rng, stock, colorants, surface), 1.0)


def draw_stock(rng: np.random.Generator) -> Array:
    """Unprinted matt card: 0.82 to 0.92, falling towards blue by 2 to 10 %."""
    level, fall = rng.uniform(0.82, 0.92), rng.uniform(0.02, 0.10)
    edge, soft = rng.uniform(415, 450), rng.uniform(10, 25)
    return np.asarray(level - fall / (1 + np.exp((WAVELENGTHS_NM - edge) / soft)))


def _scattering(
    rng: np.random.Generator, stock: Array, colorants: Array, surface: float
) -> Callable[[Array], Array]:
    inner = rng.uniform(0.2, 0.5)  # of diffuse light met from inside; 0.6 for a smooth binder
    base = two_flux_k_over_s(_saunderson_inverse(stock, surface, inner))
    scatter = rng.uniform(0.0, 0.08, 4) * np.array([1, 1, 2, 0.2])

    def laid(amount: Array) -> Array:
        absorbed = base + amount @ colorants
        q = absorbed / (1 + (amount @ scatter)[..., None])
        return _saunderson(two_flux_reflectance(q), surface, inner)

    return laid


def _saunderson(inside: Array, surface: float, inner: float) -> Array:
    return np.asarray(surface + (1 - surface) * (1 - inner) * inside / (1 - inner * inside))


def _saunderson_inverse(seen: Array, surface: float, inner: float) -> Array:
    inside = seen - surface
    return np.asarray(inside / ((1 - surface) * (1 - inner) + inner * inside))


def _halftone(
    rng: np.random.Generator, stock: Array, colorants: Array, surface: float
) -> Callable[[Array], Array]:
    n = rng.uniform(1.4, 3.0)  # 1: light leaves where it entered; 2: it spreads fully
    gain = rng.uniform(0.05, 0.22)  # growth of a 50 % dot; 0.1 to 0.2 on uncoated stock
    solid = rng.uniform(1.1, 1.6, 4) * np.array([1, 1, 1, 1.15])  # density of solid ink
    trap = rng.uniform(0.8, 1.0)  # a second ink takes less on a first
    layers = _OFF_ON.sum(axis=1, keepdims=True)
    laid_on = _OFF_ON * solid * np.where(layers > 1, trap, 1.0)
    primaries = surface + (stock - surface) * 10.0 ** -(laid_on @ colorants)
    root = primaries ** (1 / n)

    def laid(amount: Array) -> Array:
        dot = np.clip(amount, 0, 1)
        dot = dot + 4 * gain * dot * (1 - dot)
        shares = np.prod(np.where(_OFF_ON == 1, dot[..., None, :], 1 - dot[..., None, :]), axis=-1)
        return np.asarray((shares @ root) ** n)

    return laid
