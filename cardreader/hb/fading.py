"""Signature -> Fade: how far the card's colour inks have bleached, and what that does to a blot.

A bleached ramp answers to less blood than it was measured for, so every blot beside
it reads high. No single colour tells bleaching from a phone of duller colours, but
the pattern over all patches does: ink that bleaches takes an equal part of every
depth, a phone's matrix does not. The calibration says what each ink's bleaching
does to the signature and to a blot's colour; a linear estimate weighted by how
signatures scatter from lamp to lamp (generalised least squares: Aitken 1936, from
memory) finds the shares, and a prior keeps fresh cards fresh.

One number of the signature may be far outside what lamps and usual phones do: then it is a
phone's way with colour as likely as bleaching. A card is refused by all that it shows, but
off a blot comes only what such a number says within its usual limits.

A card whose black has bleached by the same share as its colours can't be told so:
that is exactly another contrast of the phone. Black must be carbon (docs/card.md).
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from cardreader.hb.filenumbers import plain

Array = NDArray[np.float64]

MOST_INKS = 3
_MOST_SHARE = 0.4
_CELLS = {1: 32, 2: 32, 3: 16}
"""Of each ink's shares, by the number of inks: three of 32 would take 30 times as long."""
_SHAPES = {
    "offset": ("f",),
    "gain": ("f", "s"),
    "scatter": ("f", "f"),
    "signature": ("f", "s"),
    "colour": ("f", 4, 3),
    "believed": (2, "s"),
}
_AT_ONCE = 200
"""Cards whose cells are held in memory together: 20 MB where there are three inks."""
ANY = 1e5
"""Limit of a number of the signature that is believed whatever it is."""


@dataclass(frozen=True, eq=False)
class Fade:
    """Share of each ink bleached away.

    ``share`` (..., f) from 0 to 1 and its ``covariance`` (..., f, f).
    """

    share: Array
    covariance: Array

    @property
    def largest(self) -> float:
        """The most bleached ink's share; of the most bleached card where there are several."""
        return float(self.share.max())


@dataclass(frozen=True, eq=False)
class Fading:
    """What bleaching of f inks does under a calibration whose signatures have s numbers.

    Attributes
    ----------
    offset, gain : (f,), (f, s) arrays
        Estimate of the shares: ``gain @ signature - offset``.
    scatter : (f, f) array
        Covariance of that estimate over fresh cards in any light.
    signature : (f, s) array
        Change of the signature for a share of 1.
    colour : (f, 4, 3) array
        Change of a blot's log ratio for a share of 1: linear in the log ratio,
        with the constant first.
    fresh : float
        Prior probability that a card has not faded at all.
    typical : float
        Of one that has: scale of the exponential prior of the most bleached ink's
        share. Inks lie in the same light, so several bleached are no less likely
        than one.
    believed : (2, s) array
        Least and most of each number of the signature that `undone` goes by; any where nothing
        is said.
    taken_off : float
        Part of what is seen that `undone` takes off; the rest is doubt.
    """

    offset: Array
    gain: Array
    scatter: Array
    signature: Array
    colour: Array
    fresh: float
    typical: float
    believed: Array | None = None
    taken_off: float = 1.0

    def __post_init__(self) -> None:
        if self.believed is None:
            wide = np.full(np.shape(self.gain)[-1:], ANY)
            object.__setattr__(self, "believed", np.stack([-wide, wide]))
        sizes: dict[str, int] = {}
        for name, shape in _SHAPES.items():
            value = np.array(getattr(self, name), float)
            if value.ndim != len(shape):
                raise ValueError(f"fading {name} must have {len(shape)} dimensions")
            for axis, want in zip(value.shape, shape, strict=True):
                want = sizes.setdefault(want, axis) if isinstance(want, str) else want
                if axis != want:
                    raise ValueError(f"fading {name} has shape {value.shape}, not {shape}")
            if not (np.abs(value) < 1e6).all():
                raise ValueError(f"fading {name} holds a value that is not a usable number")
            value.setflags(write=False)
            object.__setattr__(self, name, value)
        if not 1 <= sizes["f"] <= MOST_INKS:
            raise ValueError(f"fading must be of 1 to {MOST_INKS} inks")
        symmetric = np.allclose(self.scatter, self.scatter.T, rtol=1e-6, atol=0)
        if not symmetric or np.any(np.linalg.eigvalsh(self.scatter) <= 1e-12):
            raise ValueError("fading scatter must be symmetric and positive definite")
        if self.believed is not None and np.any(self.believed[0] > self.believed[1]):
            raise ValueError("fading believed must hold the least first")
        if not 0 <= self.fresh < 1:
            raise ValueError("fading fresh must be at least 0 and below 1")
        if not 0.001 <= self.typical < 1:
            raise ValueError("fading typical must be at least 0.001 and below 1")
        if not 0 <= self.taken_off <= 1:
            raise ValueError("fading taken_off must be from 0 to 1")

    @property
    def n_signature(self) -> int:
        """Numbers in a signature."""
        return int(self.gain.shape[1])

    def seen(self, signature: ArrayLike) -> Fade:
        """Shares bleached on cards with these signatures (..., s)."""
        signatures = np.asarray(signature, float)
        if signatures.ndim > 1 and len(signatures) > _AT_ONCE:
            starts = range(0, len(signatures), _AT_ONCE)
            parts = [self.seen(signatures[start : start + _AT_ONCE]) for start in starts]
            return Fade(
                np.concatenate([part.share for part in parts]),
                np.concatenate([part.covariance for part in parts]),
            )
        found = signatures @ self.gain.T - self.offset
        miss = found[..., None, :] - self._shares
        log = -0.5 * np.einsum("...gi,...gi->...g", miss @ self._precision, miss)
        log += self._log_prior
        weight = np.exp(log - log.max(axis=-1, keepdims=True))
        weight /= weight.sum(axis=-1, keepdims=True)
        share = weight @ self._shares
        off = self._shares - share[..., None, :]
        return Fade(share, np.swapaxes(weight[..., None] * off, -1, -2) @ off)

    def undone(
        self, log_ratio: ArrayLike, covariance: ArrayLike, signature: ArrayLike
    ) -> tuple[Array, Array, Array]:
        """A blot's log ratio (..., 3), its covariance (..., 3, 3) and the card's signature
        (..., s) as beside a fresh card; what is not known of the bleaching, and what is left of it,
        widens the covariance.
        """
        assert self.believed is not None
        fade = self.seen(np.clip(np.asarray(signature, float), *self.believed))
        seen = np.asarray(log_ratio, float)
        terms = np.concatenate([np.ones_like(seen[..., :1]), seen], axis=-1)
        change = np.einsum("...t,ftk->...fk", terms, self.colour)
        share, left = self.taken_off * fade.share, (1 - self.taken_off) * fade.share
        doubt = fade.covariance + left[..., :, None] * left[..., None, :]
        return (
            seen - np.einsum("...f,...fk->...k", share, change),
            np.asarray(covariance, float)
            + np.einsum("...fk,...fg,...gl->...kl", change, doubt, change),
            np.asarray(signature, float) - share @ self.signature,
        )

    @cached_property
    def _precision(self) -> Array:
        return np.asarray(np.linalg.inv(self.scatter))

    @cached_property
    def _shares(self) -> Array:
        """Middles of the cells over which the posterior is summed, (g, f)."""
        edges = _edges(len(self.offset))
        return _combinations((edges[1:] + edges[:-1]) / 2, len(self.offset))

    @cached_property
    def _log_prior(self) -> Array:
        """Of each cell, (g,); the first holds the cards that have not faded."""
        n = len(self.offset)
        faded = np.log(_combinations(np.diff(_edges(n)), n)).sum(axis=1)
        faded -= self._shares.max(axis=1) / self.typical
        most = faded.max()
        total = most + np.log(np.exp(faded - most).sum())
        log = np.log1p(-self.fresh) + faded - total
        if self.fresh:
            log[0] = np.logaddexp(log[0], np.log(self.fresh))
        return np.asarray(log)

    def as_json(self) -> dict[str, Any]:
        """Plain lists and numbers; the class takes them back as keywords.

        Without what is as it is for most, so that a calibration of before keeps its hash.
        """
        content = {f.name: plain(getattr(self, f.name)) for f in fields(self)}
        if self.taken_off == Fading.taken_off:
            del content["taken_off"]
        return content


def _edges(inks: int) -> Array:
    """Shares between which the posterior is summed: closer where most cards are."""
    return np.asarray(_MOST_SHARE * np.linspace(0, 1, _CELLS[inks] + 1) ** 1.5)


def _combinations(values: Array, n: int) -> Array:
    """All combinations of n of the values (k,), shape (k**n, n)."""
    return np.stack(np.meshgrid(*[values] * n, indexing="ij"), axis=-1).reshape(-1, n)
