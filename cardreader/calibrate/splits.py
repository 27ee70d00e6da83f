"""Splits of a study that keep women, phones or lots on one side."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray
from sklearn.model_selection import GroupKFold

from cardreader.calibrate.conformal import (
    TooFewPairsError,
)
from cardreader.calibrate.locusregressor import LEAST_ROWS
from cardreader.calibrate.pairs import Pairs

Split = tuple[NDArray[np.intp], NDArray[np.intp]]
MOST_LEVELS = 6
"""More phones or lots than this are left out in groups, not one by one."""


def women_splits(pairs: Pairs, folds: int) -> Iterator[Split]:
    """Folds that keep each woman on one side; fewer folds when there are few women."""
    n_women = np.unique(pairs.subject).size
    if n_women < 2:
        raise TooFewPairsError("cross-validation needs at least 2 subjects")
    yield from GroupKFold(min(folds, n_women)).split(pairs.x, groups=pairs.subject)


def unseen_splits(pairs: Pairs, part: str) -> Iterator[Split]:
    """Folds that leave out a phone (or lot, or light) together with half of the women.

    Women were photographed with several phones; leaving the phone alone out
    would let the model know the woman already.
    """
    labels = getattr(pairs, part)
    levels = np.unique(labels)
    if levels.size < 2:
        return
    groups = [np.array(group) for group in np.array_split(levels, min(levels.size, MOST_LEVELS))]
    for _, half in women_splits(pairs, 2):
        in_half = np.zeros(len(pairs), dtype=bool)
        in_half[half] = True
        for group in groups:
            out = np.isin(labels, group)
            train, test = np.flatnonzero(~out & ~in_half), np.flatnonzero(out & in_half)
            if train.size >= LEAST_ROWS and test.size:
                yield train, test
