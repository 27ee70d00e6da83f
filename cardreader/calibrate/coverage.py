"""Coverage of intervals, overall and in every part of a study, with its own interval."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.stats import norm

from cardreader.calibrate.pairs import Pairs
from cardreader.calibrate.proportion import Proportion, proportion
from cardreader.hb.calibration import Calibration
from cardreader.hb.distribution import HbDistribution


@dataclass(frozen=True)
class CoverageRow:
    """Coverage of the intervals in one part of the study."""

    part: str
    value: str
    coverage: Proportion
    mean_width_g_dl: float | None


def laboratory_interval(
    read: HbDistribution, pairs: Pairs, calibration: Calibration
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Ends (n,) in g/dL of the interval in which the laboratory's value is to lie.

    A site's intervals are of the true value: the laboratory's own error, as its study states it,
    is laid on both sides, as variances add. Without a prior of worlds intervals are made by the
    laboratory's values themselves, and hold those.
    """
    low, high = read.interval(calibration.coverage)
    if calibration.posterior is None:
        return low, high
    laboratory = float(norm.ppf((1 + calibration.coverage) / 2)) * pairs.lab_sd_g_dl
    middle = read.median
    return middle - np.hypot(middle - low, laboratory), middle + np.hypot(high - middle, laboratory)


def coverage_by(
    covered: ArrayLike, width_g_dl: ArrayLike, parts: Mapping[str, ArrayLike]
) -> tuple[CoverageRow, ...]:
    """Coverage overall and per value of each part (band, phone, light), with Wilson intervals.

    Parameters
    ----------
    covered : (n,) array_like of bool
        Whether the interval held the laboratory value; one reading a subject.
    width_g_dl : (n,) array_like
        Widths of the intervals.
    parts : mapping of str to (n,) array_like
        Labels, e.g. ``{"phone": [...], "light": [...]}``.
    """
    hit = np.asarray(covered, dtype=bool)
    width = np.asarray(width_g_dl, dtype=float)
    rows = [_coverage_row("all", "all", hit, width)]
    for part, labels in parts.items():
        names = np.asarray(labels).astype(str)
        rows += [
            _coverage_row(part, str(name), hit[names == name], width[names == name])
            for name in np.unique(names)
        ]
    return tuple(rows)


def _coverage_row(part: str, value: str, hit: NDArray, width: NDArray) -> CoverageRow:
    return CoverageRow(
        part,
        value,
        proportion(int(hit.sum()), hit.size),
        float(width.mean()) if width.size else None,
    )
