"""Held-out readings in parts: by level, method, cut-off, condition, and of several blots."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cardreader.calibrate.choosing import Recipe
from cardreader.calibrate.conformal import TooFewPairsError, one_per_group
from cardreader.calibrate.coverage import CoverageRow, coverage_by
from cardreader.calibrate.diagnostic import ANAEMIA_G_DL, SEVERE_G_DL, CutOff, band, cut_off
from cardreader.calibrate.fit import Fit, fit, reference_rows
from cardreader.calibrate.heldout import HeldOut, hold_out
from cardreader.calibrate.pairs import Pairs
from cardreader.calibrate.proportion import Proportion, proportion
from cardreader.calibrate.splits import unseen_splits
from cardreader.calibrate.studycolumns import LabMethod
from cardreader.decide.protocol import Protocol
from cardreader.hb.calibration import Calibration
from cardreader.hb.paper import UNNAMED

BAND_EDGES_G_DL = (SEVERE_G_DL, 9.0, ANAEMIA_G_DL)
BAND_NAMES = ("below 7", "7 to 9", "9 to 11", "11 and above")
LEAST_WOMEN = 10
"""Fewer women than this are no validation."""
GREY_ZONE_G_DL = 0.5
"""Half-width of the zone round a cut-off in which the laboratory's own error decides (ours)."""


@dataclass(frozen=True)
class BandRow:
    """Error in one band of laboratory haemoglobin, g/dL; None with fewer than 2 readings."""

    name: str
    n_readings: int
    n_women: int
    bias: float | None
    sd: float | None
    rms: float | None


@dataclass(frozen=True)
class MethodRow:
    """Readings against one laboratory method; ``reference`` says it counts in all other tables."""

    method: str
    reference: bool
    n_readings: int
    n_women: int
    bias_g_dl: float
    rms_g_dl: float
    coverage: Proportion


@dataclass(frozen=True)
class UnseenRow:
    """Readings of a phone, light or lot that was left out of the fit, with its women."""

    part: str
    value: str
    n_readings: int
    bias_g_dl: float
    rms_g_dl: float
    coverage: Proportion


@dataclass(frozen=True)
class SeveralBlots:
    """Mean of two blots of a woman against one of them, under the same conditions; g/dL."""

    n_women: int
    rms_one: float
    rms_two: float
    sd_one: float
    sd_two: float


def coverage_rows(one: HeldOut) -> tuple[CoverageRow, ...]:
    """Coverage of all, then by level, phone, light and lot, and by paper if there are several."""
    bands = np.array(BAND_NAMES)[band(one.pairs.lab_g_dl, BAND_EDGES_G_DL)]
    parts = {
        "Hb band": bands,
        "phone": one.pairs.phone,
        "light": one.pairs.light,
        "lot": one.pairs.lot,
    }
    if np.unique(one.pairs.paper).size > 1:
        parts["paper"] = np.where(one.pairs.paper == "", UNNAMED, one.pairs.paper)
    rows = coverage_by(one.covered, one.high_g_dl - one.low_g_dl, parts)
    order = {name: index for index, name in enumerate(BAND_NAMES)}
    first, *others = rows
    by_band = [row for row in others if row.part == "Hb band"]
    by_band.sort(key=lambda row: order[row.value])
    return (first, *by_band, *(row for row in others if row.part != "Hb band"))


def several_blots(accepted: HeldOut) -> SeveralBlots | None:
    """What a second blot brings; None with fewer than `LEAST_WOMEN` women who have two."""
    pairs, ones, twos = accepted.pairs, [], []
    keys = np.array([f"{a}\x1f{b}" for a, b in zip(pairs.level, pairs.condition, strict=True)])
    seen: set[str] = set()
    for key in np.unique(keys):
        at = np.flatnonzero(keys == key)
        _, first = np.unique(pairs.blot[at], return_index=True)
        woman = str(pairs.subject[at[0]])
        if first.size < 2 or woman in seen:
            continue
        seen.add(woman)
        errors = (accepted.hb_g_dl - pairs.lab_g_dl)[at[first[:2]]]
        ones.append(errors[0])
        twos.append(errors.mean())
    if len(ones) < LEAST_WOMEN:
        return None
    one, two = np.array(ones), np.array(twos)
    return SeveralBlots(
        n_women=one.size,
        rms_one=float(np.sqrt(np.mean(one**2))),
        rms_two=float(np.sqrt(np.mean(two**2))),
        sd_one=float(one.std(ddof=1)),
        sd_two=float(two.std(ddof=1)),
    )


def band_rows(readings: HeldOut) -> tuple[BandRow, ...]:
    """Errors by band of the laboratory value."""
    which = band(readings.pairs.lab_g_dl, BAND_EDGES_G_DL)
    error = readings.hb_g_dl - readings.pairs.lab_g_dl
    rows = []
    for index, name in enumerate(BAND_NAMES):
        own = error[which == index]
        enough = own.size > 1
        rows.append(
            BandRow(
                name=name,
                n_readings=own.size,
                n_women=np.unique(readings.pairs.subject[which == index]).size,
                bias=float(own.mean()) if enough else None,
                sd=float(own.std(ddof=1)) if enough else None,
                rms=float(np.sqrt(np.mean(own**2))) if enough else None,
            )
        )
    return tuple(rows)


def method_rows(
    accepted: HeldOut, good: NDArray[np.bool_], recipe: Recipe
) -> tuple[MethodRow, ...]:
    """Errors by laboratory method; ``good`` says which pairs count in other tables."""
    rows = []
    for method in np.unique(accepted.pairs.method):
        own = accepted.take(np.flatnonzero(accepted.pairs.method == method))
        bias, rms, held = _bias_rms_coverage(own, recipe.seed)
        rows.append(
            MethodRow(
                method=str(method),
                reference=bool(good.all()) or method != LabMethod.ACID_HAEMATIN.value,
                n_readings=len(own.pairs),
                n_women=held.total,
                bias_g_dl=bias,
                rms_g_dl=rms,
                coverage=held,
            )
        )
    return tuple(rows)


def _bias_rms_coverage(own: HeldOut, seed: int) -> tuple[float, float, Proportion]:
    """Bias and RMS of all readings, g/dL, and the share of women whose interval holds."""
    error = own.hb_g_dl - own.pairs.lab_g_dl
    one = own.take(one_per_group(own.pairs.subject, seed))
    held = proportion(int(one.covered.sum()), one.covered.size)
    return float(error.mean()), float(np.sqrt(np.mean(error**2))), held


def severe_passed_over(accepted: HeldOut) -> Proportion:
    """Of women below 7 g/dL those called not anaemic in any of their readings.

    One reading drawn of each would leave most of such errors in the urn.
    """
    severe = accepted.pairs.lab_g_dl < SEVERE_G_DL
    missed = severe & (accepted.answer == "not anaemic")
    women, passed = (np.unique(accepted.pairs.subject[of]).size for of in (severe, missed))
    return proportion(passed, women)


def cut_off_rows(one: HeldOut) -> tuple[tuple[str, CutOff], ...]:
    """Values and decisions at 7 and 11 g/dL, with and without the grey zone."""
    lab = one.pairs.lab_g_dl
    sent = one.answer != "not anaemic"
    rows = []
    for grey, words in ((0.0, ""), (GREY_ZONE_G_DL, ", outside the grey zone")):
        rows += [
            (f"value below 7{words}", cut_off(one.hb_g_dl < SEVERE_G_DL, lab, SEVERE_G_DL, grey)),
            (
                f"decision refers for severe{words}",
                cut_off(one.may_be_severe, lab, SEVERE_G_DL, grey),
            ),
            (
                f"value below 11{words}",
                cut_off(one.hb_g_dl < ANAEMIA_G_DL, lab, ANAEMIA_G_DL, grey),
            ),
            (f"decision asks to confirm{words}", cut_off(sent, lab, ANAEMIA_G_DL, grey)),
        ]
    return tuple(rows)


def unseen_rows(
    pairs: Pairs, base: Calibration | None, fitted: Fit, protocol: Protocol
) -> tuple[UnseenRow, ...]:
    """Readings of each phone, light and lot by a calibration made without it."""

    def same_model(part: Pairs) -> Fit:
        return fit(part, base, fitted.recipe, model=fitted.model)

    rows: list[UnseenRow] = []
    for part in ("phone", "light", "lot"):
        splits = list(unseen_splits(pairs, part))
        if not splits:
            continue
        try:
            found = hold_out(pairs, splits, same_model, protocol)
        except TooFewPairsError:
            continue
        good = reference_rows(found.pairs, fitted.recipe.coverage)
        found = found.take(np.flatnonzero(found.accepted & good))
        rows += _by_value(found, part, fitted.recipe.seed)
    return tuple(rows)


def _by_value(found: HeldOut, part: str, seed: int) -> list[UnseenRow]:
    labels = getattr(found.pairs, part)
    rows = []
    for value in np.unique(labels):
        own = found.take(np.flatnonzero(labels == value))
        bias, rms, held = _bias_rms_coverage(own, seed)
        rows.append(UnseenRow(part, str(value), len(own.pairs), bias, rms, held))
    return rows
