"""JSON text as ``json.dumps(value, indent=1)`` writes it, also where it holds long lists.

With an indent the standard library writes every number in Python, one by one: a covariance
of 50,000 numbers takes as long as reading a photo.
"""

from __future__ import annotations

import json
from array import array
from functools import lru_cache
from math import isfinite
from typing import Any

_LONG = 1000
_KEPT = 4


def indented(value: dict[str, Any]) -> str:
    """The text; ValueError for a number that isn't finite."""
    return _object(value, 1) + "\n"


def _object(value: dict[str, Any], depth: int) -> str:
    if not value:
        return "{}"
    parts = (f"{json.dumps(key)}: {_text(item, depth)}" for key, item in value.items())
    return _joined("{", parts, "}", depth)


def _text(value: Any, depth: int) -> str:
    if isinstance(value, dict):
        return _object(value, depth + 1)
    if isinstance(value, list) and len(value) >= _LONG and {type(v) for v in value} == {float}:
        return _long(array("d", value).tobytes(), depth + 1)
    return json.dumps(value, indent=1, allow_nan=False).replace("\n", "\n" + " " * depth)


@lru_cache(maxsize=_KEPT)
def _long(numbers: bytes, depth: int) -> str:
    """Kept: one calibration is hashed, written and hashed again as it is read back."""
    value = array("d", numbers)
    if not all(map(isfinite, value)):
        raise ValueError("a number that is not finite has no place in JSON")
    return _joined("[", map(repr, value), "]", depth)


def _joined(opens: str, parts: Any, closes: str, depth: int) -> str:
    pad = "\n" + " " * depth
    return f"{opens}{pad}{f',{pad}'.join(parts)}{pad[:-1]}{closes}"
