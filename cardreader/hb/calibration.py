"""What a calibration's numbers come to: where blots of each haemoglobin lie, and how surely.

A calibration is a locus: where in log colour relative to blank paper the blot
of each haemoglobin lies, how far single photos stray from it, and how the
card's own residuals (its *signature*: they tell one lamp or phone from another)
shift it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from cardreader.card.lot import Lot
from cardreader.core.pchip import pchip
from cardreader.hb.calibrationnumbers import (
    STRANGE,
    USUAL_STRANGENESS,
    CalibrationError,
    CalibrationNumbers,
)
from cardreader.hb.distribution import GRID_STEP_G_DL
from cardreader.hb.lotcolours import LotColours
from cardreader.hb.measured import VIVIDNESS_AT, Measured, with_vividness_clipped
from cardreader.hb.paper import UNNAMED
from cardreader.hb.posterior import Posterior
from cardreader.read.chain import CHAIN

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Calibration(CalibrationNumbers):
    """A fitted calibration: its numbers, and what they say of a card and a haemoglobin."""

    def __post_init__(self) -> None:
        super().__post_init__()
        if self.papers is None or self.posterior is None:
            return
        # What can't be read with must show when it is loaded, not beside the first photo.
        for paper in self.papers.known:
            try:
                self.papers.on_known(paper, self.weights(), self.posterior)
            except ValueError as error:
                raise CalibrationError(f"paper {paper.batch}: {error}") from None

    @cached_property
    def grid_g_dl(self) -> Array:
        """Haemoglobin grid on which distributions are kept, by 0.05 g/dL, shape (g,)."""
        low, high = self.knots_hb_g_dl[[0, -1]]
        return np.linspace(low, high, round((high - low) / GRID_STEP_G_DL) + 1)

    @cached_property
    def grid_locus(self) -> Array:
        """Locus on the grid, shape (g, 3)."""
        return pchip(self.knots_hb_g_dl, self.locus, self.grid_g_dl)

    @cached_property
    def grid_covariance(self) -> Array:
        """Covariance on the grid, shape (g, 3, 3)."""
        flat = self.covariance.reshape(-1, 9)
        columns = [np.interp(self.grid_g_dl, self.knots_hb_g_dl, c) for c in flat.T]
        return np.stack(columns, axis=1).reshape(-1, 3, 3)

    def expected(self, signature: ArrayLike) -> Array:
        """Locus on the grid for cards with these signatures (..., s), shape (..., g, 3)."""
        shift, slope = self.signature_terms(signature)
        axis = self.axis_at(self.grid_g_dl)[:, None]
        return np.asarray(self.grid_locus + shift[..., None, :] + axis * slope[..., None, :])

    def spread(self, signature: ArrayLike) -> Array:
        """What is not known of the site, as covariance (..., g, 3, 3) of the locus on the grid."""
        z = self.counted(signature)
        if self.posterior is None:
            return np.zeros((*z.shape[:-1], len(self.grid_g_dl), 3, 3))
        axis = self.axis_at(self.grid_g_dl)
        rows = [self.posterior.spread(axis, row) for row in z.reshape(-1, z.shape[-1])]
        return np.reshape(rows, (*z.shape[:-1], len(axis), 3, 3))

    def is_another_paper(self, batch: str) -> bool:
        """Whether a batch of blotting paper is named, and none that the pairs had."""
        return bool(batch) and self.papers is not None and batch not in self.papers.batches

    def paper_taken(self, batch: str) -> str:
        """The batch that a blot is taken to be on where none is said; empty where one is, or
        where the pairs named none."""
        if batch or self.papers is None or UNNAMED in self.papers.batches:
            return ""
        return self.papers.batches[0]

    def on_paper(self, batch: str) -> Calibration:
        """The calibration for blots on a batch of paper: wider where it taught nothing."""
        if self.is_another_paper(batch):
            return self._on_another_paper
        return self._on_known_papers.get(batch or UNNAMED, self)

    @cached_property
    def _on_known_papers(self) -> dict[str, Calibration]:
        """Of the batches but the first that have a locus of their own."""
        if self.papers is None or self.posterior is None:
            return {}
        weights, papers, seen = self.weights(), self.papers, self.seen_papers
        return {
            paper.batch: self.with_weights(
                *papers.on_known(paper, weights, self.posterior),
                seen_papers=None if seen is None else seen.on(batch),
            )
            for batch, paper in enumerate(papers.known, start=1)
        }

    @cached_property
    def _on_another_paper(self) -> Calibration:
        if self.papers is None or self.posterior is None:
            return self
        moved = self.papers.on_another(self.weights(), self.posterior)
        return self.with_weights(*moved, seen_papers=None)

    def covariance_at(self, hb_g_dl: ArrayLike) -> Array:
        """Scatter of photos (n, 3, 3) at haemoglobin (n,)."""
        hb = np.asarray(hb_g_dl, float)
        columns = [np.interp(hb, self.knots_hb_g_dl, c) for c in self.covariance.reshape(-1, 9).T]
        return np.stack(columns, axis=1).reshape(-1, 3, 3)

    def weights(self) -> Array:
        """Mean of the site's weights (p, 3), in the posterior's order. ValueError without one."""
        if self.posterior is None:
            raise ValueError("a calibration without a posterior has no weights")
        powers = self.signature_axis[:, None] ** np.arange(self.posterior.degree + 1)
        bends = np.linalg.lstsq(powers, self.locus, rcond=None)[0]
        return np.vstack([bends, self.signature_shift, self.signature_slope])

    def with_weights(self, weights: ArrayLike, posterior: Posterior, **others: Any) -> Calibration:
        """The calibration with other weights (p, 3), their posterior, and other fields besides."""
        given = np.asarray(weights, float)
        k = posterior.degree + 1
        bends, shift, slope = np.split(given, [k, k + posterior.n_signature])
        powers = self.signature_axis[:, None] ** np.arange(k)
        fields_ = {"locus": powers @ bends, "signature_shift": shift, "signature_slope": slope}
        return replace(self, **fields_, posterior=posterior, **others)

    def signature_terms(self, signature: ArrayLike) -> tuple[Array, Array]:
        """Shift and slope (..., 3) of the locus for signatures (..., s): shift + axis * slope."""
        z = self.counted(signature)
        return z @ self.signature_shift, z @ self.signature_slope

    def axis_at(self, hb_g_dl: ArrayLike) -> Array:
        """How the slope term varies along the locus, at haemoglobin (...)."""
        at = np.interp(np.asarray(hb_g_dl, float), self.knots_hb_g_dl, self.signature_axis)
        return np.asarray(at)

    def doubt(self, signature: ArrayLike) -> Array:
        """Factor (...) >= 1 on the width of the interval for signatures (..., s).

        1 for cards like those of the fit; it rises for stranger ones, and no further
        beyond `STRANGE`. At a site it rises with the distance from the cards of its pairs.
        """
        rise = (self.strangeness(signature) - USUAL_STRANGENESS) / (STRANGE - USUAL_STRANGENESS)
        strange = 1.0 + self.signature_doubt * np.clip(rise, 0.0, 1.0)
        if self.seen_cards is None:
            return np.asarray(strange)
        z = self.standardised(signature)
        return np.asarray(strange * self.seen_cards.factor(z, self.signature_precision))

    def strangeness(self, signature: ArrayLike) -> Array:
        """Squared distance (...) of signatures (..., s) from those of the fit, whose mean is 1.

        0 where the calibration does not know their scatter.
        """
        seen = self._of_this_size(signature)
        return self._distance2((seen - self.signature_mean) / self.signature_sd)

    def paper_distance2(self, signature: ArrayLike) -> Array:
        """Squared distance (...) of blank paper from that of the pairs, its limit being 1; 0
        where that isn't known."""
        seen = np.asarray(signature, float)
        if self.seen_papers is None:
            return np.zeros(seen.shape[:-1])
        return self.seen_papers.distance2(seen) / self.seen_papers.most

    def vividness_sd(self, measured: Measured) -> float:
        """How much livelier (above 0) or duller one photo's phone is than those of the fit."""
        seen = (measured.signature - self.signature_mean) / self.signature_sd
        return float(seen[VIVIDNESS_AT])

    def _distance2(self, z: Array) -> Array:
        if not self.signature_precision.size:
            return np.zeros(z.shape[:-1])
        z = z - self.signature_centre if self.signature_centre.size else z
        squares = np.einsum("...i,ij,...j->...", z, self.signature_precision, z)
        return np.asarray(squares / z.shape[-1])

    def counted(self, signature: ArrayLike) -> Array:
        """Signatures (..., s) in standard units, as far as they move the locus."""
        return with_vividness_clipped(self.standardised(signature), self.vividness_clip)

    def standardised(self, signature: ArrayLike) -> Array:
        """Signatures (..., s) in standard units, clipped."""
        z = (self._of_this_size(signature) - self.signature_mean) / self.signature_sd
        return np.clip(z, -self.signature_clip, self.signature_clip)

    def _of_this_size(self, signature: ArrayLike) -> Array:
        """The signatures, or nothing of them where the calibration asks for none."""
        return np.asarray(signature, float)[..., : len(self.signature_mean)]

    def must_be_of_this_chain(self) -> None:
        """CalibrationError if it was fitted to the numbers of another measuring chain."""
        if self.chain != CHAIN:
            raise CalibrationError(
                f"calibration {self.id} was fitted to measuring chain {self.chain}, this reader "
                f"is chain {CHAIN}: fit it again from its photos"
            )

    def fits(self, lot_id: str) -> bool:
        """Whether it may be used with cards of a lot."""
        return not self.lots or lot_id in self.lots

    def gives_values_for(self, lot_id: str) -> bool:
        """Whether cards of a lot get a value by it: without laboratory pairs no real ones do.

        A simulated calibration reads the lots that it names, which are demonstrations.
        """
        if self.basis == "measured":
            return self.fits(lot_id)
        return self.n_pairs > 0 and lot_id in self.lots

    def colours_of(self, lot_id: str) -> LotColours | None:
        """Those of a lot that its pairs were read beside; None where it doesn't say."""
        return next((one for one in self.lot_colours if one.lot_id == lot_id), None)

    def unlike(self, lot: Lot) -> str:
        """In what a lot's colours are other than those its pairs were read beside; empty if in
        nothing, or where that isn't known.

        Beside others the same print gives other numbers, which it never saw: in a simulated
        place that learnt by the design, those beside the measured print were read 3.4 g/dL
        too low.
        """
        known = self.colours_of(lot.lot_id)
        if known is not None:
            return known.unlike(lot)
        by_design = lot.lot_id in self.lots_by_design and lot.basis != "nominal"
        return f"known by its design then, {lot.basis} now" if by_design else ""
