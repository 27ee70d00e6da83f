"""What a study table may say, and is more often a slip: asked about, never refused."""

from __future__ import annotations

import pandas as pd

from cardreader.calibrate.spelling import other_spellings
from cardreader.calibrate.studycolumns import (
    HUNDRED_PERCENT_G_DL,
    USUAL_HB_G_DL,
    LabMethod,
    LabUnit,
)
from cardreader.core.rowfaults import RowError
from cardreader.core.unitlook import look_smaller_by
from cardreader.core.units import G_DL_PER_MMOL_L, HAEMS

_TUBE = LabMethod.ACID_HAEMATIN


def odd_rows(frame: pd.DataFrame) -> tuple[RowError, ...]:
    """What is odd about the rows without fault, in their order."""
    warnings = [*_unstated_scale(frame), *_tubes_in_other_units(frame)]
    warnings += _smaller_than_usual(frame)
    warnings += [*_rare_values(frame), *_kinds_spelt_twice(frame)]
    warnings += _unnamed_paper(frame)
    for (subject, visit), group in frame.groupby(["subject", "visit"], sort=False):
        spread = group["lab_g_dl"].max() - group["lab_g_dl"].min()
        if spread > 1e-9 and spread > 3 * group["lab_sd_g_dl"].max():
            warnings.append(
                RowError(
                    int(group["row"].iloc[-1]),
                    "lab_value",
                    f"subject {subject}, visit {visit} has laboratory values {spread:.1f} g/dL "
                    "apart; another visit needs another number",
                )
            )
    return tuple(sorted(warnings, key=lambda warning: warning.row))


def _unstated_scale(frame: pd.DataFrame) -> list[RowError]:
    """Percent is read on a scale that tubes do not share: told once."""
    percent = frame["lab_unit"] == LabUnit.PERCENT
    taken = frame[percent & frame["hundred_percent_g_dl"].isna()]
    if taken.empty:
        return []
    many = f"{len(taken)} values in percent are" if len(taken) > 1 else "a value in percent is"
    said = f"is empty: {many} taken at {HUNDRED_PERCENT_G_DL:g} g/dL for 100 %; look at the tube"
    return [RowError(int(taken["row"].iloc[0]), "hundred_percent_g_dl", said)]


def _tubes_in_other_units(frame: pd.DataFrame) -> list[RowError]:
    """70 % is 10.5 g/dL, and 70 g/L are 7: taken for each other they move a whole curve."""
    tube = frame["lab_method"] == _TUBE
    taken = frame[tube & frame["lab_unit"].isin([LabUnit.G_L, LabUnit.MMOL_L])]
    if taken.empty:
        return []
    said = f"is {taken['lab_unit'].iloc[0]}: tubes are graded in g/dL or percent; is it percent?"
    return [RowError(int(taken["row"].iloc[0]), "lab_unit", said)]


_TAKEN_FOR = (
    (
        LabUnit.G_DL,
        G_DL_PER_MMOL_L,
        "are they mmol/L? Then write mmol/L in lab_unit",
    ),
    (
        LabUnit.MMOL_L,
        HAEMS,
        f"are they of the whole haemoglobin? Then write {HAEMS} times as much, as of one haem",
    ),
)
"""Units that a laboratory's numbers pass for: the unit told, the factor it lacks, what is asked."""


def _smaller_than_usual(frame: pd.DataFrame) -> list[RowError]:
    """mmol/L pass for g/dL of anaemic women: each method's values are looked at as a whole.

    A tube has no scale in mmol/L.
    """
    warnings = []
    for unit, factor, asked in _TAKEN_FOR:
        of_unit = frame[(frame["lab_unit"] == unit) & (frame["lab_method"] != _TUBE)]
        for method, taken in of_unit.groupby("lab_method", sort=True):
            women = taken.groupby(["subject", "visit"])["lab_g_dl"].median().tolist()
            if look_smaller_by(women, factor):
                said = (
                    f"half of the {len(women)} values by {method} lie below "
                    f"{taken['lab_value'].median():.1f} {unit} and hardly any above "
                    f"{taken['lab_value'].quantile(0.95):.1f}: {asked}; if nearly all these women "
                    "are anaemic, leave it"
                )
                warnings.append(RowError(int(taken["row"].iloc[0]), "lab_unit", said))
    return warnings


def _rare_values(frame: pd.DataFrame) -> list[RowError]:
    """A point in the wrong place leaves a value that blood can have, and hardly does."""
    low, high = USUAL_HB_G_DL
    odd = frame[(frame["lab_g_dl"] < low) | (frame["lab_g_dl"] > high)]
    return [
        RowError(int(row), "lab_value", f"{value:.3g} g/dL is rare: is the point in its place?")
        for row, value in zip(odd["row"], odd["lab_g_dl"], strict=True)
    ]


def _unnamed_paper(frame: pd.DataFrame) -> list[RowError]:
    """Two papers have next to nothing of their locus in common: which one is meant is told once."""
    unnamed = frame[frame["paper"] == ""]
    if unnamed.empty or len(unnamed) == len(frame):
        return []
    taken = frame.loc[frame["paper"] != "", "paper"].value_counts().sort_index().idxmax()
    many = f"{len(unnamed)} photos are" if len(unnamed) > 1 else "a photo is"
    said = f"is empty: {many} taken to be on {taken}, which most others name; if not, name theirs"
    return [RowError(int(unnamed["row"].iloc[0]), "paper", said)]


def _kinds_spelt_twice(frame: pd.DataFrame) -> list[RowError]:
    """A phone under two names is left out under one and kept under the other."""
    return [
        RowError(row, column, f"{name} and {spelt} (row {before}) are taken for two; are they one?")
        for column in ("phone", "light", "operator", "paper")
        for row, name, before, spelt in other_spellings(_first_rows(frame, column))
    ]


def _first_rows(frame: pd.DataFrame, column: str) -> list[tuple[int, str]]:
    first = frame.drop_duplicates(column)
    return [(int(row), str(name)) for row, name in zip(first["row"], first[column], strict=True)]
