"""Photos of a study -> what the fit needs of them; refused photos stay in the table with reasons.

The stages up to the blot's colour do not depend on the calibration, so that
they run once and their numbers are kept: a study can be fitted again without
its photos.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cardreader.calibrate.kept import Kept
from cardreader.calibrate.study import Study
from cardreader.card.lot import Lot
from cardreader.card.lots import Lots
from cardreader.core.oneline import reason
from cardreader.core.photofiles import PhotoFiles
from cardreader.core.refusal import Refusal
from cardreader.core.rowfaults import RowError
from cardreader.hb.lotcolours import LotColours
from cardreader.hb.measured import COLOUR_COLUMNS, N_SIGNATURE, Measured
from cardreader.pipeline import measure_photo

MAX_PHOTO_BYTES = 100_000_000
SIGNATURE_PREFIX = "signature_"


@dataclass(frozen=True, eq=False)
class Features:
    """A study with its measurements.

    Attributes
    ----------
    rows : DataFrame
        The study's rows in their order, with ``photo_sha256``, ``refusal`` (empty
        for a photo that gave a colour), ``lot_basis`` (see `Lot.basis`; empty for an unknown lot),
        ``print_sd`` (see `Lot.print_sd`) and the feature columns (0 where refused).
    n_table : int
        Rows of the study table, those with faults included.
    table_errors : tuple of RowError
        Rows that could not be used at all.
    lots : tuple of Lot
        Those that the photos were measured beside.
    """

    rows: pd.DataFrame
    n_table: int
    table_errors: tuple[RowError, ...] = ()
    lots: tuple[Lot, ...] = ()

    @property
    def lot_colours(self) -> tuple[LotColours, ...]:
        """Those that the photos were measured beside."""
        return tuple(LotColours.of(lot) for lot in self.lots)

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
    today: date,
    progress: Callable[[int, int], None] = lambda done, total: None,
    kept: Mapping[str, Kept] | None = None,
) -> Features:
    """Read every photo of a study up to the colour of its blot.

    No calibration has a say: whatever has a colour is kept, and the fit weighs it.

    Parameters
    ----------
    today : date
        The day on which card lots must not have expired: that of the study.
    kept : mapping of photo to measurement, optional
        In place of the photos, see `kept.read_kept`.
    """
    files = PhotoFiles(study.folder)
    colours, refusals, hashes = [], [], []
    basis = {lot.lot_id: lot.basis for lot in lots.values()}
    for done, row in enumerate(study.rows.to_dict("records"), start=1):
        name, lot = str(row["photo"]), str(row["lot"])
        if kept is None:
            colour, refusal, sha256 = _read_one(files.find(name), lot, lots, today)
        else:
            colour, refusal, sha256 = take_kept(kept.get(name), lot, lots)
        colours.append(colour)
        refusals.append(refusal)
        hashes.append(sha256)
        progress(done, len(study.rows))
    blank = Measured(np.zeros(3), np.zeros((3, 3)), np.zeros(N_SIGNATURE))
    measured = _stacked([blank if one is None else one for one in colours], N_SIGNATURE)
    rows = study.rows.reset_index(drop=True).assign(photo_sha256=hashes, refusal=refusals)
    rows["lot_basis"] = rows["lot"].map(basis).fillna("")
    print_sd = {lot.lot_id: lot.print_sd for lot in lots.values()}
    rows["print_sd"] = rows["lot"].map(print_sd).fillna(0.0)
    rows = pd.concat([rows, feature_frame(measured)], axis=1)
    rows["refusal"] = _twice_the_same_file(rows)
    used = set(rows.loc[rows["refusal"] == "", "lot"])
    beside = tuple(lot for lot in lots.values() if lot.lot_id in used)
    return Features(rows, study.n_rows, study.errors, beside)


def _read_one(path: Path, lot: str, lots: Lots, today: date) -> tuple[Measured | None, str, str]:
    try:
        if path.stat().st_size > MAX_PHOTO_BYTES:
            return None, "the file is too large", ""
        data = path.read_bytes()
    except OSError as error:
        return None, f"the file can't be opened: {reason(error)}", ""
    found = measure_photo(data, lots)
    seen = found.findings.measured
    if seen is None:
        return None, _why(found.refusal), found.sha256
    assert found.lot is not None
    if found.lot.is_expired(today):
        return (
            None,
            f"lot_expired (lot {found.lot.lot_id} expired on {found.lot.expires})",
            (found.sha256),
        )
    if found.lot.lot_id != lot:
        return None, f"the photo shows card lot {found.lot.lot_id}, not {lot}", found.sha256
    return seen, "", found.sha256


def take_kept(kept: Kept | None, lot: str, lots: Lots) -> tuple[Measured | None, str, str]:
    """What a fit takes of a kept photo of a lot's card, why it takes none, and the photo's hash."""
    if kept is None:
        return None, "nothing measured is kept of it", ""
    if kept.measured is None:
        return None, kept.refusal, kept.sha256
    if kept.lot_id != lot:
        return None, f"the photo shows card lot {kept.lot_id}, not {lot}", kept.sha256
    # Its card was in date when it was measured: the register refuses one that is not.
    known = next((known for known in lots.values() if known.lot_id == lot), None)
    if known is None:
        return None, f"lot_unknown (no file describes card lot {lot})", kept.sha256
    if kept.lot_basis not in ("", known.basis):
        was = f"the lot was {kept.lot_basis} then and is {known.basis} now"
        return None, f"measured beside other colours of its card ({was})", kept.sha256
    if kept.lot_colours not in ("", known.fingerprint):
        return None, "measured beside other colours of its card than its file has now", kept.sha256
    return kept.measured, "", kept.sha256


def _why(refusal: Refusal | None) -> str:
    if refusal is None:
        return "no colour"
    detail = f" ({refusal.detail})" if refusal.detail else ""
    return f"{refusal.reason}{detail}"


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
