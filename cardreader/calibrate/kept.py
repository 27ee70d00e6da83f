"""Measurements kept of photos, in place of the photos: JSON lines, one a photo.

A register keeps what was measured of every blot, and seldom the photo. A study's table
beside such a file is fitted as one beside its photos is.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from cardreader.calibrate.studyfaults import StudyError
from cardreader.core.rowfaults import RowError
from cardreader.hb.measured import Measured, OtherChainError

MAX_FILE_BYTES = 500_000_000


@dataclass(frozen=True, eq=False)
class Kept:
    """What is kept of one photo; ``measured`` is None, and ``refusal`` says why, where its
    numbers are not to be used. ``lot_basis`` is how its lot was known then, empty where
    that wasn't kept, and ``lot_colours`` its `Lot.fingerprint` of then."""

    lot_id: str
    sha256: str
    measured: Measured | None
    refusal: str = ""
    lot_basis: str = ""
    lot_colours: str = ""


def read_kept(path: Path) -> dict[str, Kept]:
    """Photo's name -> what is kept of it.

    Raises
    ------
    StudyError
        A line that is none, with its number.
    OSError
        The file can't be opened.
    """
    if path.stat().st_size > MAX_FILE_BYTES:
        raise _fault(0, f"{path} is larger than {MAX_FILE_BYTES // 1_000_000} MB")
    found: dict[str, Kept] = {}
    with path.open(encoding="utf-8", errors="replace") as lines:
        for number, line in enumerate(lines, start=1):
            if not line.strip():
                continue
            try:
                content = json.loads(line)
                name = str(content["photo"])
                found[name] = _kept(content)
            except (ValueError, KeyError, TypeError, RecursionError):
                raise _fault(number, f"line {number} of {path} is no kept measurement") from None
    return found


def _kept(content: dict[str, Any]) -> Kept:
    lot_id, sha256 = str(content["lot_id"]), str(content.get("sha256") or "")
    basis, colours = (str(content.get(name) or "") for name in ("lot_basis", "lot_colours"))
    try:
        return Kept(lot_id, sha256, Measured.from_json(content["measured"]), "", basis, colours)
    except OtherChainError:
        return Kept(lot_id, sha256, None, "measured by another version's measuring chain")


def _fault(row: int, problem: str) -> StudyError:
    return StudyError((RowError(row, "", problem),))
