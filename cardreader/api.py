"""The Python interface: read one photo or many, and get a data frame.

    from cardreader.api import read_photo, read_many

    reading = read_photo("photo.jpg")
    table = read_many("photos/", workers=4).to_pandas()

Everything comes from the same pipeline as the command's result. Screening only.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cardreader import pipeline
from cardreader.decide.subject import Subject
from cardreader.reader import Reader, load_reader
from cardreader.result.reading import Reading, SameBlotReading

if TYPE_CHECKING:
    import pandas as pd
    import polars as pl
    import pyarrow as pa

    from cardreader.batch.columns import Result

__all__ = ["Readings", "load_reader", "read_many", "read_photo", "read_same_blot"]


def read_photo(
    photo: bytes | Path | str, reader: Reader | None = None, subject: Subject | None = None
) -> Reading:
    """Read one photo, given as a path, an address or the bytes of its file.

    A photo that can't be read gives a Reading with ``refusal`` set. OSError for
    a file that can't be opened. Give a ``reader`` to read several; without one
    the shipped data are loaded anew.
    """
    return pipeline.read_photo(_bytes_of(photo), reader or load_reader(), subject)


def read_same_blot(
    photos: Sequence[bytes | Path | str],
    reader: Reader | None = None,
    subject: Subject | None = None,
) -> SameBlotReading:
    """Read two or more photos of one blot, taken from different sides, as one reading.

    A reflection that moved from photo to photo is left out, noise averages. ``together``
    of the result is the reading. ValueError for fewer than two different files.
    """
    contents = [_bytes_of(photo) for photo in photos]
    return pipeline.read_same_blot(contents, reader or load_reader(), subject)


def _bytes_of(photo: bytes | Path | str) -> bytes:
    if isinstance(photo, bytes):
        return photo
    from cardreader.batch.sources import read_bytes

    return read_bytes(str(photo))


@dataclass(frozen=True, eq=False, repr=False)
class Readings(Sequence[dict[str, Any]]):
    """Results of many photos, one row each, in order of name; rows are plain dicts.

    The columns are those of the batch table. Refused photos have their row with
    ``status`` "refused" and a ``reason``; files that gave nothing at all have "failed".
    """

    results: tuple[Result, ...]

    def __repr__(self) -> str:
        return f"<readings of {len(self)} photos>"

    def __len__(self) -> int:
        return len(self.results)

    def __getitem__(self, index: Any) -> Any:
        from cardreader.batch.columns import row

        if isinstance(index, slice):
            return [row(result) for result in self.results[index]]
        return row(self.results[index])

    def to_arrow(self) -> pa.Table:
        """As a pyarrow table."""
        from cardreader.batch.table import arrow_table

        return arrow_table(self.results)

    def to_pandas(self) -> pd.DataFrame:
        """As a pandas data frame; what isn't known is missing (NaN or None)."""
        return self.to_arrow().to_pandas()

    def to_polars(self) -> pl.DataFrame:
        """As a polars data frame; needs polars, which no extra brings."""
        import polars as pl

        frame = pl.from_arrow(self.to_arrow())
        assert isinstance(frame, pl.DataFrame)
        return frame

    def to_json(self) -> Iterator[dict[str, Any] | None]:
        """Each photo's whole reading as the command's ``--json`` gives it; None if it failed."""
        return (result.reading for result in self.results)


def read_many(
    photos: str | Path | Iterable[str | Path],
    reader: Reader | None = None,
    *,
    subject: Subject | None = None,
    workers: int = 1,
    timeout_s: float = 120.0,
) -> Readings:
    """Read photos: a folder, a list file, an address, or any number of these and of photos.

    Photos are read in ``workers`` processes apart from this one, so that no
    file can take the notebook down. In a script, call it below
    ``if __name__ == "__main__":``, as Python asks wherever processes are started.
    Nothing is kept; to go on after a stop, use the ``batch`` command.

    ``subject`` holds for every photo about which a list file says nothing.
    SourceError (a ValueError) for a source that can't be listed.
    """
    from cardreader.batch.blots import find_photos
    from cardreader.batch.score import Job, Task
    from cardreader.batch.workers import run_here

    sources = [photos] if isinstance(photos, str | os.PathLike) else photos
    files = find_photos([str(source) for source in sources], subject)
    job = Job(reader or load_reader())
    tasks = (Task(file.name, file.subject, beside=file.beside, paper=file.paper) for file in files)
    with closing(run_here(tasks, job, workers, timeout_s)) as outcomes:
        found = {outcome.name: outcome for outcome in outcomes}
    from cardreader.batch.results import results_of

    return Readings(tuple(results_of((file, found[file.name]) for file in files)))
