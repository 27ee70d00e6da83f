"""JSON as the journal keeps it: compressed, and unpacked again with nothing taken on trust."""

from __future__ import annotations

import json
import zlib
from typing import Any, NoReturn

MOST_BYTES = 20_000_000
"""Unpacked; the longest outline of a blot takes a hundredth. A few bytes can unpack to the
whole memory."""


class DamagedError(ValueError):
    """What the journal holds can't have been written by this program; one line says what."""


def packed(content: dict[str, Any], *, ascii_only: bool = True) -> bytes:
    """A JSON object, compressed; ValueError for a number that is not finite."""
    text = json.dumps(content, sort_keys=True, allow_nan=False, ensure_ascii=ascii_only)
    return zlib.compress(text.encode(), 1)


def unpacked(data: object) -> dict[str, Any]:
    """The JSON object of `packed`; DamagedError for anything else."""
    try:
        content = json.loads(_text(data), parse_constant=_not_finite)
        # Half a surrogate pair can be told in JSON, and then be written nowhere.
        json.dumps(content, ensure_ascii=False, allow_nan=False).encode()
    except DamagedError:  # says already what is wrong, and is a ValueError too
        raise
    except (ValueError, RecursionError, zlib.error):
        raise DamagedError("what was kept is damaged") from None
    if not isinstance(content, dict):
        raise DamagedError("what was kept is no JSON object")
    return content


def _text(data: object) -> str:
    if not isinstance(data, bytes):
        raise DamagedError("what was kept is not packed")
    inflate = zlib.decompressobj()
    text = inflate.decompress(data, MOST_BYTES)
    if not inflate.eof:
        raise DamagedError("what was kept is cut off, or far too large")
    return text.decode()


def _not_finite(name: str) -> NoReturn:
    raise ValueError(name)
