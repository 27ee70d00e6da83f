"""Photos of a study -> what the fit needs of them; refused photos stay in the table with reasons.

The stages up to the blot's colour do not depend on the calibration, so that
they run once and their numbers are kept: a study can be fitted again without
its photos.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cardreader.calibrate.study import RowError, Study
from cardreader.card.lots import Lots
from cardreader.core.oneline import reason
from cardreader.core.refusal import Reason
from cardreader.decide.protocol import Protocol
from cardreader.hb.calibration import Calibration
from cardreader.hb.measured import COLOUR_COLUMNS, Measured
from cardreader.pipeline import read_photo
from cardreader.reader import Reader
from cardreader.result.reading import Reading

MAX_PHOTO_BYTES = 100_000_000
SIGNATURE_PREFIX = "signature_"


@dataclass(frozen=True, eq=False)
class Features:
    """A study with its measurements.

    Attributes
    ----------
    rows : DataFrame
        The study's rows in their order, with ``photo_sha256``, ``refusal`` (empty
        for a photo that gave a colour), ``lot_nominal`` (its card lot was never
        measured), ``print_sd`` (see `Lot.print_sd`) and the feature columns (0 where refused).
    n_table : int
        Rows of the study table, those with faults included.
    table_errors : tuple of RowError
        Rows that could not be used at all.
    """

    rows: pd.DataFrame
    n_table: int
    table_errors: tuple[RowError, ...] = ()

    @property
    def columns(self) -> list[str]:
        """Names of the feature columns, colour first."""
        return [*COLOUR_COLUMNS, *(c for c in self.rows.columns if c.startswith(SIGNATURE_PREFIX))]

    @property
    def used(self) -> pd.DataFrame:
        """Rows whose photo gave a colour, numbered from 0."""
        return self.rows[self.rows["refusal"] == ""].reset_index(drop=True)

    @property
    def refused(self) -> pd.DataFrame:
        """Rows whose photo was refused."""
        return self.rows[self.rows["refusal"] != ""]

    def x(self, rows: pd.DataFrame | None = None) -> NDArray[np.float64]:
        """Feature rows (n, 9 + s) of ``rows``, default `used`."""
        return (self.used if rows is None else rows)[self.columns].to_numpy(float)

    def measured(self, rows: pd.DataFrame | None = None) -> Measured:
        """The same, taken apart."""
        return Measured.of_rows(self.x(rows))


def feature_frame(measured: Measured) -> pd.DataFrame:
    """Feature columns of measurements, one row each."""
    names = [
        *COLOUR_COLUMNS,
        *(f"{SIGNATURE_PREFIX}{i:02d}" for i in range(measured.signature.shape[1])),
    ]
    return pd.DataFrame(measured.rows(), columns=names)


def read_features(
    study: Study,
    lots: Lots,
    base: Calibration,
    protocol: Protocol,
    today: date,
    progress: Callable[[int, int], None] = lambda done, total: None,
) -> Features:
    """Read every photo of a study up to the colour of its blot.

    Parameters
    ----------
    base : Calibration
        Tells spots that are no fresh blood, and names the signature's size; its
        readings are not kept.
    today : date
        The day on which card lots must not have expired: that of the study.
    """
    reader = Reader(lots, replace(base, lots=()), protocol, today)
    colours, refusals, hashes = [], [], []
    nominal = {lot.lot_id for lot in lots.values() if lot.basis == "nominal"}
    for done, row in enumerate(study.rows.to_dict("records"), start=1):
        colour, refusal, sha256 = _read_one(
            study.folder / str(row["photo"]), str(row["lot"]), reader
        )
        colours.append(colour)
        refusals.append(refusal)
        hashes.append(sha256)
        progress(done, len(study.rows))
    size = len(base.signature_mean)
    blank = Measured(np.zeros(3), np.zeros((3, 3)), np.zeros(size))
    measured = _stacked([blank if one is None else one for one in colours], size)
    rows = study.rows.reset_index(drop=True).assign(photo_sha256=hashes, refusal=refusals)
    rows["lot_nominal"] = rows["lot"].isin(nominal)
    print_sd = {lot.lot_id: lot.print_sd for lot in lots.values()}
    rows["print_sd"] = rows["lot"].map(print_sd).fillna(0.0)
    rows = pd.concat([rows, feature_frame(measured)], axis=1)
    rows["refusal"] = _twice_the_same_file(rows)
    return Features(rows, study.n_rows, study.errors)


def _read_one(path: Path, lot: str, reader: Reader) -> tuple[Measured | None, str, str]:
    try:
        if path.stat().st_size > MAX_PHOTO_BYTES:
            return None, "the file is too large", ""
        data = path.read_bytes()
    except OSError as error:
        return None, f"the file can't be opened: {reason(error)}", ""
    reading = read_photo(data, reader)
    if reading.measured is None or _is_no_blood(reading):
        return None, _why(reading), reading.sha256
    if reading.lot_id != lot:
        return None, f"the photo shows card lot {reading.lot_id}, not {lot}", reading.sha256
    return reading.measured, "", reading.sha256


def _is_no_blood(reading: Reading) -> bool:
    """A spot that isn't fresh blood would teach the locus; beyond the base's range is no fault."""
    return reading.refusal is not None and reading.refusal.reason is Reason.NOT_BLOOD_COLOUR


def _why(reading: Reading) -> str:
    if reading.refusal is None:
        return "no colour"
    detail = f" ({reading.refusal.detail})" if reading.refusal.detail else ""
    return f"{reading.refusal.reason}{detail}"


def _stacked(parts: list[Measured], size: int) -> Measured:
    if not parts:
        return Measured(np.zeros((0, 3)), np.zeros((0, 3, 3)), np.zeros((0, size)))
    many = Measured.stack(parts)
    return Measured(many.log_ratio, many.covariance, many.signature[:, :size])


def _twice_the_same_file(rows: pd.DataFrame) -> pd.Series:
    """The same photo under two names would count as two blots."""
    again = (rows["photo_sha256"] != "") & rows["photo_sha256"].duplicated()
    return rows["refusal"].mask(
        again & (rows["refusal"] == ""), "the same photo as an earlier row, under another name"
    )
