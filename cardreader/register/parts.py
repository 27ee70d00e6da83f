"""Many ids in parts that one statement can hold."""

from __future__ import annotations

from collections.abc import Iterable


def in_parts(ids: Iterable[str], most: int = 500) -> Iterable[list[str]]:
    """Ids in lists short enough for one statement."""
    some = sorted(ids)
    return (some[start : start + most] for start in range(0, len(some), most))
