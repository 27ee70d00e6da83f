"""A calibration is made of its text once a process: it never changes, mostly it is the shipped one.

To take the text apart and to hash what was in it takes a tenth of a second, hundreds of times.
"""

from __future__ import annotations

from functools import lru_cache

from cardreader.hb.calibrationnumbers import CalibrationNumbers

_from_json = CalibrationNumbers.from_json.__func__  # type: ignore[attr-defined]


@lru_cache(maxsize=4)
def _made(of: type[CalibrationNumbers], text: str) -> CalibrationNumbers:
    made: CalibrationNumbers = _from_json(of, text)
    return made


CalibrationNumbers.from_json = classmethod(_made)  # type: ignore[assignment,arg-type]
